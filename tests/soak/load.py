"""200,000 files dropped into a source at once, for three drives: time, memory, and how soon `status` answers. Prints figures.

Each holds its own number; with --empty they are all empty, one picture under as many names.
"""

from __future__ import annotations

import argparse
import sys
from typing import Final

from tests.faults.load import drop, three_drives

FILES: Final = 200_000
PEAK_BYTES_MAX: Final = 200_000_000
STATUS_S_MAX: Final = 1.0
WITHIN_S: Final = 4 * 3600.0


def main() -> int:
    """Run it; gives 1 when anything is missing, or when it took more memory or `status` more time than it may."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=FILES)
    parser.add_argument("--empty", action="store_true", help="all of one content, which is none")
    arguments = parser.parse_args()
    with three_drives() as studio:
        cost = drop(studio, arguments.files, is_empty=arguments.empty, within_s=WITHIN_S)
    words = "empty files" if arguments.empty else "files"
    print(
        f"{arguments.files:,} {words} to three drives: {cost.seconds:.0f} s,"
        f" {arguments.files / cost.seconds:,.0f} files a second"
    )
    print(f"the service had {cost.peak_bytes / 1e6:.0f} MB at most")
    print(f"status was asked {cost.asked:,} times; the longest answer took {cost.status_s:.2f} s")
    for wrong in cost.wrong:
        print(f"WRONG: {wrong}")
    is_well = cost.peak_bytes <= PEAK_BYTES_MAX and cost.status_s <= STATUS_S_MAX and not cost.wrong
    return 0 if is_well else 1


if __name__ == "__main__":
    sys.exit(main())
