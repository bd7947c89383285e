"""What is said of a load whose files a shelf holds on several drives."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from replicatord.duties.loads import load_text
from replicatord.ledger.loads import Load, LoadState, Verdict
from replicatord.model.settings import Settings
from tests.core_builders import drive, settings_of, tier

LOAD = Load(
    id=1,
    source="cards",
    began_at="2026-01-26T21:14:00Z",
    last_at="2026-01-26T21:31:00Z",
    state=LoadState.QUIET,
    files=412,
    size_bytes=18_200_000_000,
)
SETTINGS = replace(
    settings_of(tier(drives=("studio", "dunlin"))),
    drives={
        "curlew": replace(drive("curlew"), shelf="studio"),
        "snipe": replace(drive("snipe"), shelf="studio"),
        "dunlin": drive("dunlin"),
    },
)


def said(
    verified: dict[str, int],
    waiting: dict[str, int] | None = None,
    *,
    short: int = 0,
    together: tuple[str, ...] = (),
    settings: Settings = SETTINGS,
) -> str:
    verdict = Verdict(
        files=412,
        short=short,
        replaced=0,
        unwanted=0,
        unread="",
        undated=0,
        odd=0,
        verified=verified,
        waiting=waiting or {},
        together=(together,) if together else (),
    )
    return load_text(LOAD, verdict, settings, now=datetime(2026, 1, 27, tzinfo=UTC))


def test_drives_of_a_shelf_that_have_all_between_them_are_named_together() -> None:
    text = said({"curlew": 400, "snipe": 12, "dunlin": 412})
    assert text.startswith(
        "412 files, 18.2 GB, 21:14 to 21:31, verified on dunlin, and on curlew and snipe together; cleared:"
    )


def test_while_a_shelf_lacks_files_each_drive_is_counted_by_itself() -> None:
    text = said({"curlew": 400, "snipe": 11, "dunlin": 412}, {"snipe": 1}, short=1)
    assert "verified on dunlin, curlew has 400, snipe has 11, snipe still lacks 1; NOT cleared" in text


def test_files_that_two_drives_of_a_shelf_have_are_not_counted_as_others() -> None:
    assert "together" not in said({"curlew": 401, "snipe": 12, "dunlin": 412})
    assert "together" not in said({"curlew": 400, "snipe": 12}, {"snipe": 1})


def test_drives_that_are_one_place_are_named_where_copies_lack() -> None:
    text = said({"curlew": 412, "dunlin": 412}, short=412, together=("curlew", "dunlin"))
    assert (
        "412 files with fewer than 2 verified copies in different places (curlew and dunlin are one)" in text
    )


def test_i4_a_load_that_is_cleared_by_a_pretence_says_so() -> None:
    pretended = {**SETTINGS.drives, "dunlin": replace(drive("dunlin"), pretend_disk="box")}
    text = said({"curlew": 412, "dunlin": 412}, settings=replace(SETTINGS, drives=pretended))
    assert "cleared: 2 verified copies of every file, but PRETENDED: dunlin on a disk of its own" in text


def test_what_may_be_formatted_is_a_card() -> None:
    assert "before you format a card that they came from, the decision is yours" in said(
        {"curlew": 412, "dunlin": 412}
    )
