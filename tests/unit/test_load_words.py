"""What is said of a load whose files a shelf holds on several drives."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

from replicatord.duties.loads import load_text
from replicatord.ledger.loads import Load, LoadState, Verdict
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


def said(verified: dict[str, int], waiting: dict[str, int] | None = None, *, short: int = 0) -> str:
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
    )
    return load_text(LOAD, verdict, SETTINGS, now=datetime(2026, 1, 27, tzinfo=UTC))


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
