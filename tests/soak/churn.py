"""The large run of tests/faults/churn.py, with its figures at the end."""

from __future__ import annotations

import argparse
import secrets
import sys
import tempfile
from pathlib import Path

from tests.faults.churn import Size, churn
from tests.studio import why_no_small_disk


def main() -> int:
    """Run it; give 0 when everything was as it must be, 2 when it cannot be run here."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=secrets.randbelow(1 << 32))
    parser.add_argument("--files", type=int, default=50_000)
    parser.add_argument("--changes", type=int, default=200)
    arguments = parser.parse_args()
    why = why_no_small_disk()
    if why:
        print(why, file=sys.stderr)
        return 2
    print(f"seed {arguments.seed}", flush=True)
    size = Size(
        drives=12,
        shelves=3,
        files=arguments.files,
        changes=arguments.changes,
        disk_bytes=max(arguments.files * 9_000 // 2, 20_000_000),
        limit_bytes=max(arguments.files * 1_800 * 2 // 5, 500_000),  # of the 1.8 kB a file, two fifths
    )
    with tempfile.TemporaryDirectory(prefix="churn-") as folder:
        outcome = churn(Path(folder), size, seed=arguments.seed)
    for way, count in sorted(outcome.changes.items()):
        print(f"{count:6}  {way}")
    print(f"{outcome.copies:6}  copies verified, in {outcome.seconds:.0f} s; 0 violations")
    return 0


if __name__ == "__main__":
    sys.exit(main())
