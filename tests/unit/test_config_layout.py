"""A layout that could leave the drive, or lay two files on one path, is refused."""

from __future__ import annotations

import pytest

from replicatord.config.layout import HIDDEN_PREFIX, LITERAL_MAX_BYTES, PARTS_MAX, WORDS, parse_layout
from replicatord.config.problem import Mistake, WrongValue
from replicatord.rules.paths import HIDDEN_FOLDER, path_of


def mistakes_of(text: str) -> tuple[Mistake, ...]:
    with pytest.raises(WrongValue) as caught:
        parse_layout(text)
    return caught.value.mistakes


def test_a_layout_is_parts_of_text_and_words() -> None:
    layout = parse_layout("best/{format}/{year}-{month}/{stem}.{ext}")
    assert layout.text == "best/{format}/{year}-{month}/{stem}.{ext}"
    assert layout.parts == (
        ((False, "best"),),
        ((True, "format"),),
        ((True, "year"), (False, "-"), (True, "month")),
        ((True, "stem"), (False, "."), (True, "ext")),
    )


def test_the_rules_can_lay_out_by_every_word() -> None:
    layout = parse_layout("/".join(f"{{{word}}}" for word in WORDS) + "/{name}")
    given = {word: word.encode() for word in WORDS if word not in ("name", "stem", "ext")}
    path = path_of(layout, given, stem=b"TIDE0042", ext=b"DNG", main_ext=b"DNG")
    assert (
        path == b"year/month/day/TIDE0042.DNG/TIDE0042/DNG/format/kind/camera/source/folder/trip/TIDE0042.DNG"
    )


def test_the_hidden_folder_is_the_one_that_the_rules_know() -> None:
    assert HIDDEN_PREFIX.encode() == HIDDEN_FOLDER


@pytest.mark.parametrize(
    ("text", "found", "nearest"),
    [
        ("{yera}/{name}", "the word '{yera}'", "{year}"),
        ("{ year }/{name}", "the word '{ year }'", "{year}"),
        ("{}/{name}", "the word '{}'", None),
        ("{Year}/{name}", "the word '{Year}'", "{year}"),
        ("../{name}", "the part '..'", None),
        ("a/../{name}", "the part '..'", None),
        ("./{name}", "the part '.'", None),
        ("/{year}/{name}", "'/{year}/{name}'", "{year}/{name}"),
        ("//{name}", "'//{name}'", "{name}"),
        ("{year}//{name}", "an empty part", None),
        ("{year}\\{name}", "'{year}\\\\{name}'", "{year}/{name}"),
        ("a\x00/{name}", "'a\\x00/{name}'", None),
        ("a\x7f/{name}", "'a\\x7f/{name}'", None),
        ("a\ud800/{name}", "'a\\ud800/{name}'", None),
        ("", "''", None),
        ("{year/{name}", "unpaired braces", None),
        ("year}/{name}", "unpaired braces", None),
        ("{{year}}/{name}", "unpaired braces", None),
        (" best/{name}", "a blank at an end", None),
        ("best/{name} ", "a blank at an end", None),
        ("{year}/{month}", "'{year}/{month}', whose last part", None),
        ("{name}/{stem}", "'{name}/{stem}', whose last part", None),
        ("{year}/{ext}", "'{year}/{ext}', whose last part", None),
        ("x" * (LITERAL_MAX_BYTES + 1) + "{name}", "'xxx", None),
        ("a/" * PARTS_MAX + "{name}", "'a/a/", None),
    ],
)
def test_refused(text: str, found: str, nearest: str | None) -> None:
    (mistake,) = mistakes_of(text)
    assert mistake.found.replace("\\\\", "\\").startswith(found.replace("\\\\", "\\"))
    assert mistake.nearest == nearest


def test_a_slash_at_the_end_is_an_empty_part() -> None:
    assert mistakes_of("{year}/{name}/")[0].found == "an empty part in the layout"


@pytest.mark.parametrize(
    "part",
    [".replicatord", ".Replicatord", ".replicatord-old", ".{name}", ".rep{stem}.{ext}", "{trip}.replicatord",
     "{folder}.rep{name}", ".replicatord{year}", "{trip}{folder}.replicatord"],
)  # fmt: skip
def test_a_part_that_could_become_the_hidden_folder_is_refused(part: str) -> None:
    for layout in (f"{part}/{{name}}", f"{{year}}/{part}/{{name}}"):
        assert any(HIDDEN_PREFIX in mistake.expected for mistake in mistakes_of(layout))


@pytest.mark.parametrize(
    "part", ["replicatord", ".rep{year}", "{year}.replicatord", ".hidden", ".re-{name}", "{name}", "x.{name}"]
)
def test_a_part_that_could_not_is_accepted(part: str) -> None:
    assert parse_layout(f"{part}/{{name}}").text == f"{part}/{{name}}"


def test_every_mistake_is_found_at_once() -> None:
    found = [mistake.found for mistake in mistakes_of("{yera}/../{moth}//{name")]
    assert found == [
        "the word '{yera}'",
        "the part '..'",
        "the word '{moth}'",
        "an empty part in the layout",
        "unpaired braces in '{name'",
    ]
