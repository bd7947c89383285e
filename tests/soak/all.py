"""All faults, one kind after another, with one table of figures at the end: `--short`, or as long as `--hours` says."""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections.abc import Callable
from typing import Final

from tests.faults.power.cuts import why_no_cuts
from tests.soak.faults import sweep, why_no_faults
from tests.soak.figures import Figures
from tests.soak.fuzz import fuzz_all, why_no_fuzzing
from tests.soak.power import break_all, cut_all, shut_all_down

_WHOLE_HOURS: Final = 0.7  # as long as a scale of 1 takes on two cores
_SHORT_SCALE: Final = 0.5  # so that it ends in time on a machine that has other work too
_EXECUTIONS: Final = 1_000_000


def main() -> int:
    """Run it; gives 1 when something did not hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    length = parser.add_mutually_exclusive_group(required=True)
    length.add_argument("--short", action="store_true", help="within three quarters of an hour on two cores")
    length.add_argument("--hours", type=float, help="about as long as that")
    parser.add_argument("--seed", type=int, default=random.randrange(1 << 32))
    arguments = parser.parse_args()
    scale = _SHORT_SCALE if arguments.short else arguments.hours / _WHOLE_HOURS
    print(f"seed {arguments.seed}", flush=True)
    figures, chance, begun = Figures(), random.Random(arguments.seed), time.monotonic()
    parts: list[tuple[str, str, Callable[[], None]]] = [
        (why_no_cuts(), "power cuts", lambda: cut_all(figures, chance, scale=scale)),
        (why_no_cuts(), "power cuts by the kernel", lambda: shut_all_down(figures, chance, scale=scale)),
        (why_no_cuts(), "disk errors", lambda: break_all(figures)),
        (why_no_faults(), "faults", lambda: sweep(figures, chance, scale=scale)),
        (
            why_no_fuzzing(),
            "fuzzing",
            lambda: fuzz_all(figures, seed=arguments.seed, executions=round(_EXECUTIONS * scale)),
        ),
    ]
    for why, name, run in parts:
        if why:
            print(f"{name}: not tried: {why}", flush=True)
        else:
            run()
    figures.print_table()
    print(f"\n{time.monotonic() - begun:,.0f} s in all, seed {arguments.seed}")
    return figures.status()


if __name__ == "__main__":
    sys.exit(main())
