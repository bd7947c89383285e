"""Draws what a measurement gave: how long each way took beside ours, and how the cost grows.

    python -m tests.bench.plots FOLDER FIGURES.json...

Needs matplotlib (pip install -e '.[bench]'). May not measure, and may not leave out a way that was measured.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median
from typing import Any, Final

from tests.bench.rounds import OURS

_GROWTH: Final = "growth-"


def main() -> int:
    """Draw; gives 2 when it is not told what."""
    if len(sys.argv) < 3:
        print(__doc__, file=sys.stderr)
        return 2
    folder = Path(sys.argv[1])
    told = [json.loads(Path(name).read_text()) for name in sys.argv[2:]]
    folder.mkdir(parents=True, exist_ok=True)
    timed = [study for each in told for study in each["studies"] if study["seconds"]]
    compared = [study for study in timed if not study["name"].startswith(_GROWTH)]
    if compared:
        draw_ways(compared, told[0]["machine"], folder / "ways.svg")
    grown = [study for study in timed if study["name"].startswith(_GROWTH)]
    if grown:
        draw_growth(grown, folder / "growth.svg")
    return 0


def draw_ways(studies: Sequence[Mapping[str, Any]], machine: Mapping[str, str], path: Path) -> None:
    """Draw a row of bars for each study: how many times as long as ours each way took."""
    pyplot = _pyplot()
    figure, rows = pyplot.subplots(
        len(studies), 1, figsize=(9, 1.1 + sum(0.5 + 0.3 * len(s["seconds"]) for s in studies)),
        gridspec_kw={"height_ratios": [len(study["seconds"]) + 1 for study in studies]}, squeeze=False,
    )  # fmt: skip
    for row, study in zip(rows[:, 0], studies, strict=True):
        medians = {way: median(times) for way, times in study["seconds"].items()}
        ours = medians.get(OURS) or next(iter(medians.values()))
        names = list(medians)[::-1]
        shares = [medians[name] / ours for name in names]
        colours = ["#0b6e6e" if name.startswith(OURS) else "#b0b0b0" for name in names]
        bars = row.barh(names, shares, color=colours)
        row.bar_label(bars, [f"{share:.2f}  ({medians[n]:.2f} s)" for n, share in zip(names, shares, strict=True)],
                      padding=3, fontsize=7)  # fmt: skip
        row.set_title(f"{study['name']}: {study['what']}", fontsize=8, loc="left")
        row.set_xlim(0, max(shares) * 1.25)
        row.tick_params(labelsize=7)
        row.spines[["top", "right"]].set_visible(False)
    rows[-1, 0].set_xlabel(
        f"times as long as {OURS}; {machine['cores']} cores, {machine['memory']}", fontsize=7
    )
    _save(figure, path)


def draw_growth(studies: Sequence[Mapping[str, Any]], path: Path) -> None:
    """Draw the seconds over the number that is in each way's name."""
    pyplot = _pyplot()
    figure, columns = pyplot.subplots(1, len(studies), figsize=(4.5 * len(studies), 3.2), squeeze=False)
    for column, study in zip(columns[0], studies, strict=True):
        lines: dict[str, list[tuple[float, float]]] = {}
        labels: dict[str, str] = {}
        for way, times in study["seconds"].items():
            words = way.replace(",", "").split()
            number = next(int(word) for word in words if word.isdigit())
            told = " ".join(word for word in words if not word.isdigit())
            labels[told.rstrip("s")] = told  # "to 1 drive" is of "to 4 drives"
            lines.setdefault(told.rstrip("s"), []).append((number, median(times)))
        for (kind, points), mark in zip(lines.items(), "os^v", strict=False):
            xs, ys = zip(*sorted(points), strict=True)
            column.plot(xs, ys, marker=mark, label=labels[kind])
        if max(number for points in lines.values() for number, _ in points) > 100:
            column.set_xscale("log")
            column.set_yscale("log")
        else:
            column.set_ylim(0, 1.1 * max(seconds for points in lines.values() for _, seconds in points))
            column.set_xticks(sorted({number for points in lines.values() for number, _ in points}))
        column.set_title(study["name"], fontsize=9)
        column.set_ylabel("seconds", fontsize=8)
        column.legend(fontsize=7)
        column.tick_params(labelsize=7)
    _save(figure, path)


def _save(figure: Any, path: Path) -> None:
    figure.tight_layout()
    figure.savefig(path, metadata={"Date": None})
    print(path)


def _pyplot() -> Any:
    import matplotlib as mpl  # noqa: PLC0415  an extra, for this alone

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "replicatord"  # the same figures give the same file
    import matplotlib.pyplot as plt  # noqa: PLC0415

    return plt


if __name__ == "__main__":
    sys.exit(main())
