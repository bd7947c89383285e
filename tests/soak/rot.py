"""10,000 copies on two drives, 690 of them harmed in five ways: each is to be found, named and made good."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from pathlib import Path

from tests.faults.rot import Harm, rot
from tests.studio import why_no_small_disk


def main() -> int:
    """Run it; give 0 when all held, 2 when it cannot be run here. What does not hold ends it with an error."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--copies", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    arguments = parser.parse_args()
    why = why_no_small_disk()
    if why:
        print(why, file=sys.stderr)
        return 2
    print(f"seed {arguments.seed}", flush=True)
    harm = Harm(flips=500, cuts=100, deletions=50, unreadable=20, edits=20, foreign=20)
    with tempfile.TemporaryDirectory(prefix="rot-") as folder:
        result = rot(Path(folder), harm, copies=arguments.copies, seed=arguments.seed)
    print(
        f"{result.copies:,} copies on two drives; found and named rightly, and made good where that can be:"
    )
    for finding, count in sorted(result.findings.items()):
        print(f"  {finding:<16} {count:>4}")
    print(f"  0 false alarms; {harm.edits} edited and {harm.foreign} foreign files untouched")
    print(
        f"  {result.seconds:.1f} s for the check and the mending, {result.copies / result.seconds:,.0f} copies/s"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
