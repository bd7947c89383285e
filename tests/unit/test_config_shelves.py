"""Drives that share a shelf or a disk: what the settings say of them, and each way to say it wrongly."""

from __future__ import annotations

from typing import Final

import pytest

from replicatord.config import describe_changes, summary_lines
from tests.config_text import FILE, parsed, refused_at_marks

SHELVED: Final = """\
studio: Tidewrack Studio
ledger: /var/lib/replicatord/ledger.sqlite
log: /var/log/replicatord/replication.jsonl
sources:
  cards: {folder: /srv/studio/cards}
drives:
  curlew: {mount: /mnt/curlew, medium: hdd, shelf: studio}
  snipe: {mount: /mnt/snipe, medium: hdd, shelf: studio}
  dunlin: {mount: /mnt/dunlin, medium: ssd}
  plover: {mount: /mnt/plover, medium: hdd, away: true}
  north-cloud: {folder: /home/studio/NorthCloud, medium: cloud}
tiers:
  everything:
    from: [cards]
    to: [studio, dunlin, plover, north-cloud]
    layout: "{year}/{month}/{name}"
"""
CURLEW: Final = "curlew, medium: hdd, shelf: studio"
SNIPE: Final = "snipe, medium: hdd, shelf: studio"
DUNLIN: Final = "dunlin, medium: ssd"
PLOVER: Final = "plover, medium: hdd, away: true"
TO: Final = "[studio, dunlin, plover, north-cloud]"


def changed(*pairs: tuple[str, str]) -> str:
    text = SHELVED
    for old, new in pairs:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def cautions(text: str) -> list[str]:
    return [line for line in summary_lines(parsed(text)) if line.startswith("Caution")]


# ---- what is read ----


def test_shelves_are_read_in_the_order_of_the_file() -> None:
    settings = parsed(SHELVED)
    assert dict(settings.shelves) == {
        "studio": ("curlew", "snipe"), "dunlin": ("dunlin",), "plover": ("plover",),
        "north-cloud": ("north-cloud",),
    }  # fmt: skip
    tier = settings.tiers["everything"]
    assert tier.shelves == ("studio", "dunlin", "plover", "north-cloud")
    assert settings.drives_of(tier) == ("curlew", "snipe", "dunlin", "plover", "north-cloud")
    assert settings.drives["snipe"].shelf_name == "studio"


def test_one_drive_more_is_one_line_more() -> None:
    line = "  godwit: {mount: /mnt/godwit, medium: hdd, shelf: studio}\n"
    settings = parsed(changed(("tiers:\n", line + "tiers:\n")))
    assert settings.shelves["studio"] == ("curlew", "snipe", "godwit")
    assert settings.tiers == parsed(SHELVED).tiers
    assert describe_changes(parsed(SHELVED), settings) == [
        "drive godwit: new, hard disk mounted at /mnt/godwit, on shelf studio",
        "shelf studio: now curlew, then snipe, then godwit; was curlew, then snipe",
    ]


def test_a_disk_is_read() -> None:
    settings = parsed(changed((DUNLIN, DUNLIN + ", disk: box"), (PLOVER, PLOVER + "")))
    assert [drive.disk for drive in settings.drives.values()] == ["", "", "box", "", ""]


def test_a_disk_may_be_named_like_the_drive_that_it_is() -> None:
    both = changed((CURLEW, CURLEW + ", disk: curlew"), (DUNLIN, DUNLIN + ", disk: curlew"))
    assert parsed(both).drives["dunlin"].disk == "curlew"


# ---- what is refused: » stands before each place that is named ----

MISTAKES: Final = (
    # names
    (((SNIPE, "snipe, medium: hdd, shelf: »a shelf"),), "'a shelf'", "a name of letters", None),
    (((SNIPE, "snipe, medium: hdd, shelf: »[studio]"),), "a list", "a name of letters", None),
    (((SNIPE, "snipe, medium: hdd, shelf:» "),), "nothing", "a name of letters", None),
    (((DUNLIN, DUNLIN + ", disk: »/dev/sda"),), "'/dev/sda'", "a name of letters", None),
    (((DUNLIN, DUNLIN + ", »shelv: attic"),), "the key 'shelv'", "one of the keys", "shelf"),
    (((SNIPE, "snipe, medium: hdd, shelf: »dunlin"),),
     "'dunlin', which is the name of a drive too", "another name for the shelf", None),
    (((PLOVER, PLOVER + ", shelf: »plover"),),
     "'plover', which is the name of a drive too", "another name for the shelf", None),
    (((DUNLIN, DUNLIN + ", disk: »curlew"),),
     "'curlew', the name of a drive that has no such disk",
     "disk: curlew at drive curlew too, or another name", None),
    # one building, and one sort of copy
    (((SNIPE, SNIPE + ", away: »true"),),
     "snipe, which is away, on the shelf studio with curlew, which is not",
     "all drives of a shelf away or none: it is in one building", None),
    (((CURLEW, CURLEW + ", away: true"), (SNIPE, "snipe, medium: hdd, shelf: »studio")),
     "snipe, which is not away, on the shelf studio with curlew, which is",
     "all drives of a shelf away or none", None),
    (((DUNLIN, DUNLIN + ", disk: box"), (PLOVER, "plover, medium: hdd, disk: box, away: »true")),
     "plover, which is away, on the disk box with dunlin, which is not",
     "all drives of a disk away or none", None),
    (((SNIPE, "snipe, shelf: studio, medium: »cloud"),),
     "snipe, which is a cloud folder, on the shelf studio with curlew, which is not",
     "all drives of a shelf cloud folders or none", None),
    # tiers
    (((TO, "[»curlew, dunlin]"),), "'curlew', which is part of the shelf studio", "the shelf: studio", "studio"),
    (((TO, "[studio, »snipe]"),), "'snipe', which is part of the shelf studio", "the shelf: studio", "studio"),
    (((TO, "[»studoi, dunlin]"),), "'studoi'",
     "one of the shelves studio, dunlin, plover, north-cloud", "studio"),
    (((TO, "[»godwit, dunlin]"),), "'godwit'", "one of the shelves", None),
    (((TO, "[studio, »studio]"),), "'studio' a second time", "each name once", None),
    # copies that can never be
    ((("tiers:\n", "cleared_when: {copies: »4}\ntiers:\n"),), "4 copies, with 3 shelves outside of a cloud",
     "no more copies than such shelves (a shelf holds one copy): else", None),
    ((("tiers:\n", "cleared_when: {copies: »3}\ntiers:\n"), (DUNLIN, DUNLIN + ", disk: box"),
      (CURLEW, CURLEW + ", disk: box"), (SNIPE, SNIPE + ", disk: box")),
     "3 copies, with 2 places outside of a cloud",
     "no more copies than such places (drives of one disk are one place): else", None),
)  # fmt: skip


@pytest.mark.parametrize(("pairs", "found", "expected", "nearest"), MISTAKES)
def test_one_mistake(
    pairs: tuple[tuple[str, str], ...], found: str, expected: str, nearest: str | None
) -> None:
    (problem,) = refused_at_marks(changed(*pairs))
    assert problem.found == found
    assert problem.expected.startswith(expected), problem.expected
    assert (problem.nearest, problem.file) == (nearest, FILE)


def test_copies_on_as_many_places_as_there_are_can_be_asked_for() -> None:
    assert parsed(changed(("tiers:\n", "cleared_when: {copies: 3}\ntiers:\n"))).cleared_copies == 3
    # The shelf has another drive beside the one that shares a disk with dunlin.
    box = changed(
        ("tiers:\n", "cleared_when: {copies: 3}\ntiers:\n"),
        (DUNLIN, DUNLIN + ", disk: box"),
        (CURLEW, CURLEW + ", disk: box"),
    )
    assert parsed(box).cleared_copies == 3


def test_a_shelf_that_cannot_be_read_brings_no_second_problem() -> None:
    (problem,) = refused_at_marks(
        changed((CURLEW, "curlew, medium: hdd, shelf: »{}"), (SNIPE, "snipe, medium: hdd"))
    )
    assert problem.found == "no keys"


# ---- how it is said ----


def test_the_summary_says_shelf_and_disk() -> None:
    lines = summary_lines(parsed(changed((DUNLIN, DUNLIN + ", disk: box, limit: 2TB"))))
    assert lines[0] == "Tidewrack Studio: 1 source, 5 drives on 4 shelves and 1 tier."
    assert "Drive snipe: hard disk mounted at /mnt/snipe, on shelf studio." in lines
    dunlin = "solid-state disk mounted at /mnt/dunlin, on disk box, at most 2 TB of our copies"
    assert f"Drive dunlin: {dunlin}." in lines
    assert "Shelf studio: curlew, then snipe." in lines
    assert any("go to studio, dunlin, plover and north-cloud" in line for line in lines)


@pytest.mark.parametrize(
    ("pairs", "caution"),
    [
        ((), None),
        (((TO, "[dunlin, plover]"),), "no tier copies anything to studio, the shelf of curlew and snipe."),
        (((TO, "[studio]"),), "tier everything copies what it takes from cards to one shelf only, studio."),
        (((TO, "[dunlin]"),), "tier everything copies what it takes from cards to one drive only, dunlin."),
        (
            ((TO, "[studio, north-cloud]"),),
            (
                "a load of cards may never count as cleared: that takes 2 verified copies, "
                "and only 1 shelf outside of a cloud gets all of it."
            ),
        ),
        (
            ((DUNLIN, DUNLIN + ", disk: box"),),
            "only dunlin names the disk box, which says nothing of any other drive.",
        ),
        (
            (
                (CURLEW, CURLEW + ", disk: box"), (SNIPE, SNIPE + ", disk: box"),
                (DUNLIN, DUNLIN + ", disk: box"), (TO, "[studio, dunlin]"),
            ),
            "tier everything copies what it takes from cards to one disk only, box.",
        ),
        (
            (
                (CURLEW, CURLEW + ", disk: box"), (SNIPE, SNIPE + ", disk: box"),
                (DUNLIN, DUNLIN + ", disk: box"), (TO, "[studio, dunlin, north-cloud]"),
            ),
            (
                "a load of cards may never count as cleared: that takes 2 verified copies, "
                "and only 1 place outside of a cloud gets all of it."
            ),
        ),
    ],
)  # fmt: skip
def test_cautions(pairs: tuple[tuple[str, str], ...], caution: str | None) -> None:
    found = cautions(changed(*pairs))
    assert f"Caution: {caution}" in found if caution else found == []


@pytest.mark.parametrize(
    ("pairs", "lines"),
    [
        (
            ((DUNLIN, DUNLIN + ", disk: box"),),
            [
                (
                    "drive dunlin: now solid-state disk mounted at /mnt/dunlin, on disk box; "
                    "was solid-state disk mounted at /mnt/dunlin"
                ),
            ],
        ),
        (
            ((DUNLIN, DUNLIN + ", shelf: studio"), (TO, "[studio, plover, north-cloud]")),
            [
                (
                    "drive dunlin: now solid-state disk mounted at /mnt/dunlin, on shelf studio; "
                    "was solid-state disk mounted at /mnt/dunlin"
                ),
                "shelf studio: now curlew, then snipe, then dunlin; was curlew, then snipe",
                "tier everything: no longer to dunlin",
            ],
        ),
        (
            (("  curlew: {mount: /mnt/curlew, medium: hdd, shelf: studio}\n", ""),),
            [
                "drive curlew: taken out; its copies stay where they are",
                "shelf studio: now snipe; was curlew, then snipe",
            ],
        ),
        (
            ((CURLEW, "curlew, medium: hdd, shelf: attic"), (SNIPE, "snipe, medium: hdd, shelf: attic"),
             (TO, "[attic, dunlin, plover, north-cloud]")),
            [
                (
                    "drive curlew: now hard disk mounted at /mnt/curlew, on shelf attic; "
                    "was hard disk mounted at /mnt/curlew, on shelf studio"
                ),
                (
                    "drive snipe: now hard disk mounted at /mnt/snipe, on shelf attic; "
                    "was hard disk mounted at /mnt/snipe, on shelf studio"
                ),
                "shelf attic: new, curlew, then snipe",
                "tier everything: now also to attic",
                "tier everything: no longer to studio",
            ],
        ),
    ],
)  # fmt: skip
def test_changes(pairs: tuple[tuple[str, str], ...], lines: list[str]) -> None:
    assert describe_changes(parsed(SHELVED), parsed(changed(*pairs))) == lines


def test_a_shelf_that_is_filled_in_another_order() -> None:
    first, second = (line for line in SHELVED.splitlines(keepends=True) if "shelf: studio" in line)
    turned = parsed(changed((first + second, second + first)))
    assert describe_changes(parsed(SHELVED), turned) == [
        "shelf studio: now snipe, then curlew; was curlew, then snipe"
    ]
