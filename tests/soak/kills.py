"""Kills the program while it heals, replaces and restores, again and again. Prints figures."""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from tests.kills import kill_rounds


def main() -> int:
    """Run it; what does not hold ends it with an error."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=1_000)
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    arguments = parser.parse_args()
    print(f"seed {arguments.seed}", flush=True)
    begun = time.monotonic()

    def show(number: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{number} of {arguments.rounds}", end="", file=sys.stderr, flush=True)

    with tempfile.TemporaryDirectory(prefix="kills-") as folder:
        killed = kill_rounds(Path(folder), rounds=arguments.rounds, seed=arguments.seed, show=show)
    counts = ", ".join(f"{action} {count}" for action, count in sorted(killed.items()))
    print(f"{arguments.rounds} rounds, killed at work: {counts}; never fewer good copies than before")
    print(f"  {time.monotonic() - begun:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
