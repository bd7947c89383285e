"""Measures what is named, or all, and prints medians and ratios; with --json as JSON too. May not judge them."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Final

from tests.bench import asking, copying, growth, paging, reading, resting, showing
from tests.bench.disks import put_images, why_no_disks
from tests.bench.machine import describe
from tests.bench.rounds import Study

STUDIES: Final[Mapping[str, Callable[[int, float], Study]]] = MappingProxyType(
    {
        "import": copying.study_import,
        "import-3": lambda rounds, scale: copying.study_import(rounds, scale, drives=3),
        "import-hdd": lambda rounds, scale: copying.study_import(rounds, scale, medium="hdd"),
        "sidecars": copying.study_sidecars,
        "sidecars-flushed": copying.study_sidecars_flushed,
        "sidecars-flushed-2018": lambda rounds, scale: copying.study_sidecars_flushed(
            rounds, scale, disk="2018"
        ),
        "sidecars-hdd": lambda rounds, scale: copying.study_sidecars_flushed(rounds, scale, disk="hdd"),
        "clip": copying.study_clip,
        "catch-up": copying.study_catch_up,
        "fixity": reading.study_fixity,
        "survey": reading.study_survey,
        "close": reading.study_close,
        "previews": showing.study_previews,
        "ledger": asking.study_ledger,
        "page": paging.study_page,
        "rescan": resting.study_rescan,
        "idle": resting.study_idle,
        "growth-drives": growth.study_drives,
        "growth-files": growth.study_files,
    }
)


def main() -> int:
    """Run it; gives 2 when it cannot be run here."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(STUDIES)}; else all")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument(
        "--scale", type=float, default=1.0, help="of the amount of data; 1 fits into 12 GB of memory"
    )
    parser.add_argument("--json", type=Path, help="a file for the figures")
    parser.add_argument(
        "--disks", type=Path, metavar="FOLDER", help="where the disks' images lie; in memory if not given"
    )
    arguments = parser.parse_args()
    unknown = set(arguments.names) - STUDIES.keys()
    if unknown:
        parser.error(f"there is no {', '.join(sorted(unknown))}; there are {', '.join(STUDIES)}")
    if arguments.disks:
        put_images(arguments.disks)
    why = why_no_disks()
    if why:
        print(f"not possible here: {why}", file=sys.stderr)
        return 2
    machine = {**describe(), "disks": "on a disk of this machine" if arguments.disks else "in memory"}
    print("; ".join(f"{key}: {value}" for key, value in machine.items()), flush=True)
    studies = []
    for name in arguments.names or STUDIES:
        study = STUDIES[name](arguments.rounds, arguments.scale)
        print("", *study.lines(), sep="\n", flush=True)
        studies.append(study.fields())
    if arguments.json:
        arguments.json.write_text(json.dumps({"machine": machine, "studies": studies}, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
