"""Drops many files while the kernel has lost count of what happened, and sees that all are copied. Prints figures."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.faults.test_watching import late_copies, overflow
from tests.studio import TIERS, new_studio, running, until

_WITHIN_S = 600.0


def main() -> int:
    """Run it; gives 1 when a file was missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=20_000)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="watching-") as folder:
        tiers = TIERS.split("  best:")[0].replace("curlew, ", "")
        studio = new_studio(Path(folder), drives=["dunlin"], tiers=tiers)
        with running(studio) as service:
            overflow(studio, service, arguments.files)
            begun = time.monotonic()
            try:
                until(lambda: late_copies(studio) == arguments.files, within_s=_WITHIN_S)
            except AssertionError:
                print(
                    f"{late_copies(studio)} of {arguments.files} files were copied within {_WITHIN_S:.0f} s"
                )
                return 1
            seconds = time.monotonic() - begun
            lost = [line for line in studio.lines("rescan_done") if "overflowed" in str(line["why"])]
            service.stop()
    print(f"{arguments.files} files past a full queue of events: all copied in {seconds:.0f} s")
    print(f"{len(lost)} rescans said that events were lost")
    return 0 if lost else 1


if __name__ == "__main__":
    sys.exit(main())
