"""One visit to a drive: what is in one copy's way is that copy's trouble and no other's (I17, I18)."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from replicatord.copying.context import Context
from replicatord.copying.group import GroupResult
from replicatord.copying.visit import Visit
from replicatord.drives.identity import new_identity, write_identity
from replicatord.drives.presence import OpenDrive, open_drive
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.replan import replan
from replicatord.log.replication import ReplicationLog
from replicatord.model.frames import FileStat
from replicatord.model.settings import Source
from tests.core_builders import AT, STUDIO, drive, ledger_at, open_folder, seen, settings_of, tier, tree_of

NAMES = (b"A.CR3", b"B.CR3", b"C.CR3")


@pytest.fixture
def context(tmp_path: Path) -> Iterator[Context]:
    """Give a studio with one source and one drive, a plain folder that was adopted."""
    for folder in ("cards", "curlew"):
        (tmp_path / folder).mkdir()
    with open_folder(tmp_path / "curlew") as fd:
        write_identity(fd, new_identity(name="curlew", studio=STUDIO, at=AT))
    log = ReplicationLog(str(tmp_path / "replication.jsonl"), rotate_bytes=1 << 40)
    desk = LedgerDesk(lambda: ledger_at(tmp_path), log)
    settings = replace(
        settings_of(tier(layout="{stem}/{name}", drives=("curlew",))),
        sources={"cards": Source(name="cards", folder=str(tmp_path / "cards"))},
        drives={"curlew": drive(root=tmp_path / "curlew")},
    )
    yield Context(
        settings=settings,
        desk=desk,
        now=lambda: datetime(2026, 1, 26, 21, 14, 3, tzinfo=UTC),
        monotonic=time.monotonic,
        look_again=lambda _source, _path: None,
    )
    desk.close()
    log.close()


def take(ledger: Ledger, context: Context, folder: Path) -> None:
    """Take every file of the source into the ledger and plan it."""
    files = []
    for path in sorted(folder.iterdir()):
        file = seen(path.name.encode(), path.read_bytes())
        files.append(replace(file, stat=FileStat.of(path.stat())))
    pictures = ledger.seen.take(files, load=ledger.loads.current("cards", AT), zone=UTC).pictures
    replan(ledger, pictures, settings=context.settings, today=date(2026, 3, 1), zone=UTC)


def visit(context: Context) -> list[GroupResult]:
    """Make one visit to the end and give what became of its groups."""
    opened = open_drive(context.settings.drives["curlew"], studio=STUDIO)
    assert isinstance(opened, OpenDrive)
    results: list[GroupResult] = []
    visiting = Visit(
        context,
        opened,
        1,
        is_resting=lambda _wish: False,
        on_group=results.append,
        must_stop=lambda: False,
        find_twin=lambda: None,
        abilities=None,
    )
    try:
        visiting.begin()
        assert visiting.work() is None
    finally:
        visiting.close()
        opened.close()
    return results


@pytest.mark.parametrize("obstacle", ["none", "file", "link"])
def test_what_stands_in_place_of_one_folder_holds_up_no_other_copy(
    tmp_path: Path, context: Context, obstacle: str
) -> None:
    for name in NAMES:
        (tmp_path / "cards" / name.decode()).write_bytes(name)
    (tmp_path / "elsewhere").mkdir()
    if obstacle == "file":
        (tmp_path / "curlew" / "B").write_bytes(b"somebody's")
    elif obstacle == "link":
        (tmp_path / "curlew" / "B").symlink_to(tmp_path / "elsewhere")
    context.desk.ask(lambda l: take(l, context, tmp_path / "cards"))
    results = visit(context)
    copies = {path: text for path, text in tree_of(tmp_path / "curlew").items() if path.endswith(".CR3")}
    expected = {f"{name.decode()[0]}/{name.decode()}": name for name in NAMES}
    if obstacle != "none":
        del expected["B/B.CR3"]
    assert copies == expected
    troubles = context.desk.look(lambda l: l.answers.troubles())
    assert [trouble.path for trouble in troubles] == ([] if obstacle == "none" else [b"B/B.CR3"])
    assert len([wish for result in results for wish in result.troubled]) == len(troubles)
    assert tree_of(tmp_path / "elsewhere") == {}
    if obstacle == "file":
        assert (tmp_path / "curlew" / "B").read_bytes() == b"somebody's"
