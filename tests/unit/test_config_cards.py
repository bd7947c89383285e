"""Cards as sources: which patterns are taken, and which could take something else for a card."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest

from replicatord.config import describe_changes, summary_lines
from replicatord.config.card_pattern import Lies, lies, real_pattern
from replicatord.config.values import CARD_PARTS_MAX
from replicatord.model.settings import Source
from tests.config_text import FILE, VALID, changed, parsed, refused, refused_at_marks

FOLDER: Final = "favourites: {folder: /srv/studio/favourites}"


def carded(card: str) -> str:
    return changed("{folder: /srv/studio/favourites}", card)


# ---- what is read ----


@pytest.mark.parametrize(
    ("typed", "pattern"),
    [
        ("/media/*/*", "/media/*/*"),
        ("'/media/*/*'", "/media/*/*"),
        ("'/run/media/studio/CARD?'", "/run/media/studio/CARD?"),
        ("'/media/[a-c]*'", "/media/[a-c]*"),
        ("//media//*/./x/", "/media/*/x"),
        ("/mnt/reader", "/mnt/reader"),  # without wildcards: one reader
        ("/a" + "/*" * (CARD_PARTS_MAX - 1), "/a" + "/*" * (CARD_PARTS_MAX - 1)),
    ],
)
def test_patterns_that_are_taken(typed: str, pattern: str) -> None:
    assert parsed(carded(f"{{card: {typed}}}")).sources["favourites"] == Source(
        name="favourites", card=pattern
    )


# ---- what is refused: » stands before the place that is named ----


@pytest.mark.parametrize(
    ("card", "found", "expected", "nearest"),
    [
        ("media/*/*", "'media/*/*'", "a whole pattern that begins with /, as /media/*/*", None),
        ("~/cards/*", "'~/cards/*'", "a whole pattern that begins with /, as /media/*/*; ~", None),
        ("/media/../*", "'/media/../*'", "a pattern without ..", None),
        ("/*/x", "'/*/x'", "a pattern whose first part is a plain name, as /media/*/*", None),
        ("'/m?dia/x'", "'/m?dia/x'", "a pattern whose first part is a plain name", None),
        ("'/[m]edia/x'", "'/[m]edia/x'", "a pattern whose first part is a plain name", None),
        ("/", "'/'", "a pattern whose first part is a plain name", None),
        ("//.//", "'//.//'", "a pattern whose first part is a plain name", None),
        ("/media/**", "'/media/**'", "one * for each part: a * does not cross a /", "/media/*"),
        ("/a" + "/*" * CARD_PARTS_MAX, "'/a/*", f"a pattern of at most {CARD_PARTS_MAX} parts", None),
        ("true", "true", "a whole pattern", '"true"'),
        ("[/media/x]", "a list", "a whole pattern", None),
        ("''", "''", "a whole pattern", None),
        ("/" + "a" * 5000, "'/aaa", "a whole pattern, as /media/*/*, at most", None),
        ("/" + "é" * 4000, "'/ééé", "a pattern of at most 4095 bytes", None),
    ],
)
def test_patterns_that_are_refused(card: str, found: str, expected: str, nearest: str | None) -> None:
    (problem,) = refused_at_marks(carded(f"{{card: »{card}}}"))
    assert problem.found.startswith(found), problem.found
    assert problem.expected.startswith(expected), problem.expected
    assert (problem.nearest, problem.file) == (nearest, FILE)


@pytest.mark.parametrize(
    ("old", "new", "found", "expected"),
    [
        (FOLDER, "favourites: {card:» }", "nothing", "a whole pattern, as /media/*/*"),
        (FOLDER, "»favourites: {}", "neither folder nor card", "one of them: where its files lie"),
        (
            FOLDER,
            "favourites: {folder: /srv/x, »card: /media/*}",
            "both folder and card",
            "one of them: folder",
        ),
        (
            FOLDER,
            "favourites: {card: /media/*, »folder: /srv/x}",
            "both folder and card",
            "one of them: folder",
        ),
    ],
)
def test_exactly_one_of_folder_and_card(old: str, new: str, found: str, expected: str) -> None:
    (problem,) = refused_at_marks(changed(old, new))
    assert problem.found == found
    assert problem.expected.startswith(expected)


@pytest.mark.parametrize(
    ("card", "found"),
    [
        # drives: what is mounted there would be taken for a card
        ("/mnt/dun*", "'/mnt/dun*', which matches drive dunlin ('/mnt/dunlin')"),
        ("/mnt/curlew", "'/mnt/curlew', which matches drive curlew ('/mnt/curlew')"),
        ("/home/*", "'/home/*', which matches a folder around drive north-cloud ('/home/studio/NorthCloud')"),
        ("/mnt/curlew/*", "'/mnt/curlew/*', which can match folders inside drive curlew ('/mnt/curlew')"),
        # sources
        ("/srv/*/cards", "'/srv/*/cards', which matches source cards ('/srv/studio/cards')"),
        ("/srv/*", "'/srv/*', which matches a folder around source cards ('/srv/studio/cards')"),
        ("/srv/*/*/*", "'/srv/*/*/*', which can match folders inside source cards ('/srv/studio/cards')"),
        # ledger and log
        ("/var/lib/r*", "'/var/lib/r*', which matches a folder around the ledger"),
        ("/var/log/*/*.jsonl", "'/var/log/*/*.jsonl', which matches the log"),
    ],
)
def test_patterns_that_could_match_something_else(card: str, found: str) -> None:
    (problem,) = refused_at_marks(carded(f"{{card: »{card}}}"))
    assert problem.found.startswith(found), problem.found
    assert problem.expected.startswith("a pattern that ")


def test_every_drive_that_a_pattern_matches_is_named() -> None:
    problems = refused_at_marks(carded("{card: »»/mnt/*}"))
    assert [problem.found.split("drive ")[1] for problem in problems] == [
        "curlew ('/mnt/curlew')",
        "dunlin ('/mnt/dunlin')",
    ]


@pytest.mark.parametrize(
    "card", ["/mnt/card*", "/mnt/*/card", "/media/*/*", "/srv/studio/car", "/var/lib/*/*/*"]
)
def test_patterns_that_pass_by_everything_else(card: str) -> None:
    if card == "/mnt/*/card":  # inside of the drives that are mounted in /mnt
        assert len(refused(carded(f"{{card: {card}}}").encode())) == 2
    else:
        assert parsed(carded(f"{{card: {card}}}")).sources["favourites"].card == card


@pytest.mark.parametrize("second", ["/media/*/*", "//media/*//*/"])
def test_two_equal_patterns_are_refused(second: str) -> None:
    text = changed(FOLDER, f"sd: {{card: /media/*/*}}\n  favourites: {{card: »{second}}}")
    text = text.replace("[cards, favourites]", "[cards, sd, favourites]")
    (problem,) = refused_at_marks(text)
    assert problem.found == "'/media/*/*', which is also that of source sd"


def test_a_pattern_and_a_drive_meet_through_symbolic_links(tmp_path: Path) -> None:
    (tmp_path / "readers" / "one").mkdir(parents=True)
    (tmp_path / "media").symlink_to(tmp_path / "readers")
    (tmp_path / "disk").symlink_to(tmp_path / "readers" / "one")
    for card, mount in (("media/*", "readers/one"), ("readers/*", "disk"), ("media/*", "disk")):
        text = carded(f"{{card: {tmp_path / card}}}").replace("/mnt/dunlin", str(tmp_path / mount))
        (problem,) = refused(text.encode())
        assert "drive dunlin" in problem.found


def test_the_links_of_a_pattern_are_followed_up_to_its_first_wildcard(tmp_path: Path) -> None:
    (tmp_path / "a[b]").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "a[b]")
    pattern = real_pattern(f"{tmp_path}/link/*/x")
    assert lies(f"{tmp_path}/a[b]/anything/x", pattern) is Lies.AT
    assert lies(f"{tmp_path}/ab/anything/x", pattern) is Lies.APART
    assert real_pattern("/nowhere/[x]/y") == "/nowhere/[x]/y"


@pytest.mark.parametrize(
    ("folder", "where"),
    [
        ("/media/studio/CARD", Lies.AT),
        ("/media/studio/CARD/DCIM", Lies.BELOW),
        ("/media/studio", Lies.ABOVE),
        ("/", Lies.ABOVE),
        ("/media2/studio/CARD", Lies.APART),
        ("/mnt", Lies.APART),
    ],
)
def test_a_star_stands_for_one_part(folder: str, where: Lies) -> None:
    assert lies(folder, "/media/*/*") is where


def test_case_counts() -> None:
    assert lies("/media/card", "/media/CARD*") is Lies.APART


# ---- how it is said ----


def test_the_summary_says_what_is_taken() -> None:
    assert "Source favourites: takes each card that is mounted at /media/*/*." in summary_lines(
        parsed(carded("{card: /media/*/*}"))
    )


def test_changes_of_cards() -> None:
    plain, card = parsed(VALID), parsed(carded("{card: /media/*/*}"))
    assert describe_changes(plain, card) == [
        "source favourites: now takes each card that is mounted at /media/*/*, was the folder /srv/studio/favourites"
    ]
    assert describe_changes(card, plain) == [
        "source favourites: now watches /srv/studio/favourites, was cards at /media/*/*"
    ]
    assert describe_changes(card, parsed(carded("{card: /mnt/reader}"))) == [
        "source favourites: now takes each card that is mounted at /mnt/reader, was /media/*/*"
    ]
    more = parsed(changed("drives:", "  sd: {card: /media/*/*}\ndrives:"))
    assert describe_changes(plain, more) == ["source sd: new, takes each card that is mounted at /media/*/*"]
