"""A newcomer reads what will go where, and what changed between two files."""

from __future__ import annotations

from dataclasses import replace

import pytest

from replicatord.config import describe_changes, read_settings, summary_lines
from tests.config_text import CONFIG, VALID, changed, parsed

AWAY = VALID.replace("medium: ssd}", "medium: ssd, away: true}")


def cautions(text: str) -> list[str]:
    return [
        line.removeprefix("Caution: ") for line in summary_lines(parsed(text)) if line.startswith("Caution")
    ]


# ---- the summary ----


def test_the_summary_of_the_example() -> None:
    assert summary_lines(read_settings(str(CONFIG / "replicatord.yaml"))) == [
        "Tidewrack Studio: 3 sources, 5 drives on 4 shelves and 2 tiers.",
        "Source cards: watches /srv/studio/cards.",
        "Source favourites: watches /srv/studio/favourites.",
        "Source sd: takes each card that is mounted at /media/*/*.",
        "Drive curlew: hard disk mounted at /mnt/curlew, on shelf studio.",
        "Drive snipe: hard disk mounted at /mnt/snipe, on shelf studio.",
        "Drive dunlin: solid-state disk mounted at /mnt/dunlin.",
        "Drive plover: hard disk mounted at /mnt/plover, away, visits every 31 days.",
        "Drive north-cloud: cloud folder at /home/studio/NorthCloud, at most 15 GB with all that lies there.",
        "Shelf studio: curlew, then snipe.",
        (
            "Tier everything: all frames from cards, favourites and sd go to studio, dunlin and plover, "
            "for example as 2026/01/100TIDEW/TIDE0042.DNG."
        ),
        (
            "Tier best: photos with 1 star or more from favourites go to north-cloud, "
            "for example as best/dng/2026/TIDE0042.DNG."
        ),
        "Trip Outer Skerries, 2026-01-26 to 2026-02-04, filed under 2026-01.",
        "A load counts as cleared with 2 verified copies of every file, in different places.",
        "20 GB stay free on every drive.",
        "Copies are read again every 90 days, 01:00 to 06:00.",
        "Nothing more is replaced, until a person says so, when 20% of a source's files change within 1 hour.",
        "Earlier versions are kept for ever.",
        "The page is http://127.0.0.1:28417, for this machine alone.",
        "Content is known by its sha256 digest.",
        (
            "The ledger is /var/lib/replicatord/ledger.sqlite, "
            "the log is /var/log/replicatord/replication.jsonl."
        ),
    ]


def test_the_smallest_example_is_told_what_it_lacks() -> None:
    text = (CONFIG / "first-drive.yaml").read_text()
    one_drive, cleared, away = cautions(text)
    assert one_drive == "tier everything copies what it takes from cards to one drive only, curlew."
    assert cleared.startswith("a load of cards may never count as cleared: that takes 2 verified copies")
    assert away.startswith("no drive is away")


def test_settings_that_lack_nothing_get_no_caution() -> None:
    assert cautions(AWAY) == []


@pytest.mark.parametrize(
    ("old", "new", "caution"),
    [
        ("from: [cards, favourites]", "from: [cards]", "no tier takes anything from favourites"),
        ("dunlin, north-cloud]", "dunlin]", "no tier copies anything to north-cloud"),
        ("    to:", "    only: {min_stars: 3}\n    to:", "every tier of cards is limited by `only`"),
        (
            "[curlew, dunlin, north-cloud]",
            "[dunlin, north-cloud]",
            "a load of cards may never count as cleared",
        ),
    ],
)
def test_cautions(old: str, new: str, caution: str) -> None:
    assert AWAY.count(old) == 1
    assert any(line.startswith(caution) for line in cautions(AWAY.replace(old, new)))


def test_a_narrow_tier_to_one_drive_is_fine_when_another_tier_takes_everything() -> None:
    best = "  best: {from: [cards], only: {min_stars: 4}, to: [curlew], layout: '{name}'}\n"
    assert cautions(AWAY + best) == []


# ---- changes ----


def test_nothing_changed() -> None:
    settings = parsed(VALID)
    assert describe_changes(settings, replace(settings, file="elsewhere.yaml")) == []


@pytest.mark.parametrize(
    ("old", "new", "lines"),
    [
        ("[curlew, dunlin, north-cloud]", "[dunlin, curlew, north-cloud]",
         ["tier everything: now to dunlin, curlew and north-cloud, in this order"]),
        ("[curlew, dunlin, north-cloud]", "[curlew, dunlin]", ["tier everything: no longer to north-cloud"]),
        ("from: [cards, favourites]", "from: [cards]", ["tier everything: no longer from favourites"]),
        ("    to:", "    only: {kinds: [video, photo], formats: [mov, dng], min_stars: 0}\n    to:",
         [("tier everything: now takes photos and videos of format dng or mov and that are not rejected, "
           "was all frames")]),
        ("{folder}/{name}", "{name}",
         ["tier everything: layout now {year}/{month}/{name}, was {year}/{month}/{folder}/{name}"]),
        ("medium: ssd}", "medium: ssd, limit: 2TB}",
         [("drive dunlin: now solid-state disk mounted at /mnt/dunlin, at most 2 TB of our copies; "
           "was solid-state disk mounted at /mnt/dunlin")]),
        ("/srv/studio/cards", "/srv/cards", ["source cards: now watches /srv/cards, was /srv/studio/cards"]),
        ("Tidewrack Studio", "Boathouse", ["studio: now Boathouse, was Tidewrack Studio"]),
        ("drives:", "keep_free: 20GB\ndrives:", ["keep_free: now 20 GB, was 0 B"]),
        ("drives:", "digest: blake3\ndrives:", ["digest: now blake3, was sha256"]),
        ("drives:", "settle: 5s\ndrives:", ["settle: now 5 seconds, was 2 seconds"]),
        ("drives:", "cleared_when: {copies: 1}\ndrives:", ["copies until cleared: now 1, was 2"]),
        ("drives:", "fixity_check: {every: 90d}\ndrives:", ["fixity_check: now every 90 days, was never"]),
        ("drives:", "trips: [{name: Brent Marsh, from: 2026-03-30, until: 2026-04-02}]\ndrives:",
         ["trip new: Brent Marsh, 2026-03-30 to 2026-04-02, filed under 2026-03"]),
    ],
)  # fmt: skip
def test_one_change(old: str, new: str, lines: list[str]) -> None:
    assert describe_changes(parsed(VALID), parsed(changed(old, new))) == lines


def test_entries_that_come_and_go() -> None:
    more = VALID.replace(
        "drives:\n", "  phone: {folder: /srv/phone}\ndrives:\n  snipe: {folder: /srv/s, medium: ssd}\n"
    )
    more += "  best: {from: [phone], only: {min_stars: 1}, to: [snipe], layout: '{name}'}\n"
    assert describe_changes(parsed(VALID), parsed(more)) == [
        "source phone: new, watches /srv/phone",
        "drive snipe: new, solid-state disk at /srv/s",
        "tier best: new, frames with 1 star or more from phone to snipe, as {name}",
    ]
    assert describe_changes(parsed(more), parsed(VALID)) == [
        "source phone: no longer watched; its copies are kept",
        "drive snipe: taken out; its copies stay where they are",
        "tier best: taken out; its copies are kept, no longer asked for",
    ]


def test_a_tier_that_goes_to_one_drive_more() -> None:
    fewer = parsed(changed("[curlew, dunlin, north-cloud]", "[curlew, dunlin]"))
    assert describe_changes(fewer, parsed(VALID)) == ["tier everything: now also to north-cloud"]


def test_patterns_of_names_that_are_never_taken() -> None:
    before, after = parsed(VALID + "never_take: [a, b]\n"), parsed(VALID + "never_take: [b, c]\n")
    assert describe_changes(before, after) == ["never taken, new: c", "never taken, no longer: a"]
