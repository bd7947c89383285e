"""Visits to a drive without its lane: a studio with one source and one drive, and what its ledger asks for.

May not judge.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, date
from pathlib import Path

from replicatord.copying.apart import SmallFiles
from replicatord.copying.context import Context
from replicatord.copying.group import GroupResult
from replicatord.copying.visit import Visit
from replicatord.drives.identity import new_identity, write_identity
from replicatord.drives.presence import OpenDrive, open_drive
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.replan import replan
from replicatord.model.frames import FileStat
from replicatord.model.settings import Source
from tests.core_builders import AT, STUDIO, context_at, drive, open_folder, seen, settings_of, tier


@contextmanager
def new_context(folder: Path, *, root: Path | None = None) -> Iterator[Context]:
    """Have a studio with one source and one drive that was adopted: a plain folder, or what is at `root`."""
    root = root or folder / "curlew"
    for path in (folder / "cards", root):
        path.mkdir(exist_ok=True)
    with open_folder(root) as fd:
        write_identity(fd, new_identity(name="curlew", studio=STUDIO, at=AT))
    settings = replace(
        settings_of(tier(layout="{stem}/{name}", drives=("curlew",))),
        sources={"cards": Source(name="cards", folder=str(folder / "cards"))},
        drives={"curlew": drive(root=root)},
    )
    with context_at(folder, settings) as context:
        yield context


def take(ledger: Ledger, context: Context, folder: Path) -> None:
    """Take every file of the source into the ledger and plan it."""
    files = []
    for path in sorted(folder.iterdir()):
        file = seen(path.name.encode(), path.read_bytes())
        files.append(replace(file, stat=FileStat.of(path.stat())))
    pictures = ledger.seen.take(files, load=ledger.loads.current("cards", AT), zone=UTC).pictures
    replan(ledger, pictures, settings=context.settings, today=date(2026, 3, 1), zone=UTC)


def no_other_process(context: Context) -> SmallFiles:
    """Give what would have another process stage small files, if there were many."""
    return SmallFiles(context.settings.digest, must_stop=lambda: False, is_over=lambda: False)


def visit(
    context: Context, *, marks: list[bytes] | None = None, small: SmallFiles | None = None
) -> list[GroupResult]:
    """Make one visit to the end and give what became of its groups, and the marks that it left meanwhile."""
    root = Path(context.settings.drives["curlew"].root)

    def note(result: GroupResult) -> None:
        results.append(result)
        if marks is not None:
            marks.append((root / ".replicatord" / "probe").read_bytes())

    opened = open_drive(context.settings.drives["curlew"], studio=STUDIO)
    assert isinstance(opened, OpenDrive)
    results: list[GroupResult] = []
    visiting = Visit(
        context,
        opened,
        1,
        is_resting=lambda _wish: False,
        on_group=note,
        must_stop=lambda: False,
        find_twin=lambda: None,
        abilities=None,
        small=small or no_other_process(context),
    )
    try:
        visiting.begin()
        why = visiting.work()
        assert why is None or why.is_full
    finally:
        visiting.close()
        opened.close()
    return results
