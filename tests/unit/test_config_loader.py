"""Text is read as it was typed, and whatever could be read in two ways is refused."""

from __future__ import annotations

from decimal import Decimal

import pytest

from replicatord.config.loader import (
    DEPTH_MAX,
    NODES_MAX,
    SIZE_MAX_BYTES,
    Mark,
    Numeral,
    Path,
    Value,
    load_document,
)
from replicatord.config.problem import SettingsProblems
from tests.config_text import marked, refused_at_marks


def values_of(text: str) -> dict[str, Value]:
    return dict(load_document(text.encode(), file="f").values)


@pytest.mark.parametrize(
    "typed",
    ["no", "on", "yes", "Off", "True", "NULL", "12:30", "23:59", "12:30:00", "010", "0123456", "0755", "0o17",
     "0x1F", "1_000", "1e3", "12345e10", ".5", "5.", ".inf", "2026-01-26", "2026-01-26 03:04:05", "a#b", "=",
     "1" * 19],
)  # fmt: skip
def test_yaml_1_1_surprises_stay_text(typed: str) -> None:
    assert values_of(f"key: {typed}") == {"key": typed}


@pytest.mark.parametrize(
    ("typed", "value"),
    [("true", True), ("false", False), ("null", None), ("~", None), ("", None)],
)
def test_only_these_words_are_not_text(typed: str, value: Value) -> None:
    assert values_of(f"key: {typed}") == {"key": value}
    assert values_of(f"key: '{typed}'") == {"key": typed}  # in quotes, everything is text


@pytest.mark.parametrize(
    ("typed", "value"),
    [("0", 0), ("42", 42), ("-7", -7), ("+7", 7), ("1.10", Decimal("1.10")), ("-0.5", Decimal("-0.5"))],
)
def test_numbers_keep_the_digits_as_typed(typed: str, value: int | Decimal) -> None:
    assert values_of(f"key: {typed}") == {"key": Numeral(text=typed, value=value)}


def test_every_key_and_value_has_its_place() -> None:
    text = "a: x\nb:\n  c: [y, {d: z}]\n  'e':   w\n"
    places = load_document(text.encode(), file="f").places
    lines = {path: (place.key, place.value) for path, place in places.items()}

    def at(line: int, column: int) -> Mark:
        return Mark(line=line, column=column)

    expected: dict[Path, tuple[Mark, Mark]] = {
        (): (at(1, 1), at(1, 1)),
        ("a",): (at(1, 1), at(1, 4)),
        ("b",): (at(2, 1), at(3, 3)),
        ("b", "c"): (at(3, 3), at(3, 6)),
        ("b", "c", 0): (at(3, 7), at(3, 7)),
        ("b", "c", 1): (at(3, 10), at(3, 10)),
        ("b", "c", 1, "d"): (at(3, 11), at(3, 14)),
        ("b", "e"): (at(4, 3), at(4, 10)),
    }
    assert lines == expected


def test_columns_count_characters_and_carriage_returns_end_lines() -> None:
    assert load_document("# é\r\nü: [é, x]\r\n".encode(), file="f").places["ü", 1].value == Mark(
        line=2, column=8
    )


def test_a_byte_order_mark_in_front_is_passed_over() -> None:
    assert values_of("\ufeffa: b") == {"a": "b"}


@pytest.mark.parametrize(
    ("text", "found"),
    [
        pytest.param("»", "an empty file", id="empty file"),
        pytest.param("»# only a comment\n", "an empty file", id="only a comment"),
        pytest.param("---\n»", "a file without keys", id="only a marker"),
        pytest.param("»- a\n- b\n", "a file without keys", id="a list"),
        pytest.param("»just words", "a file without keys", id="text"),
        pytest.param("a: 1\nb:»\t2\n", "a tab", id="tab after a colon"),
        pytest.param("a:\n»\tb: 2\n", "a tab", id="tab as indentation"),
        pytest.param("a: »&x b\n", "the anchor '&x'", id="anchor"),
        pytest.param("a: »*x\n", "the alias '*x'", id="alias"),
        pytest.param("a: »!!int 3\n", "the tag 'tag:yaml.org,2002:int'", id="tag"),
        pytest.param("a: »! 3\n", "the tag '!'", id="bare tag"),
        pytest.param("a: »!!python/object/apply:os.system ['id']\n", "the tag", id="python tag"),
        pytest.param("a: 1\n»---\nb: 2\n", "a second document", id="two documents"),
        pytest.param("»%YAML 1.1\n---\na: b\n", "a directive", id="directive"),
        pytest.param("a: b»\x00\n", "U+0000", id="NUL"),
        pytest.param("a: b\n#»\x1b[31m\n", "U+001B", id="escape in a comment"),
        pytest.param("a: »\x85b\n", "U+0085", id="NEL"),
        pytest.param("a: »\u2028b\n", "U+2028", id="line separator"),
        pytest.param("a: [»\ufeffb]\n", "U+FEFF", id="byte order mark inside"),
        pytest.param('a: »"x\\0y"\n', "U+0000", id="NUL by escape"),
        pytest.param('a: »"x\\ny"\n', "U+000A", id="line end by escape"),
        pytest.param('a: »"\\ud800"\n', "U+D800", id="half surrogate by escape"),
        pytest.param('a: "\\U»FFFFFFFF"\n', "not YAML", id="escape beyond Unicode"),
        pytest.param("a: »|\n  x\n  y\n", "U+000A", id="text of several lines"),
        pytest.param("a: {b: c, d: [e, »@f]}\n", "special character", id="at sign"),
        pytest.param("a: [»*.jpg]\n", "begins with *", id="pattern without quotes"),
        pytest.param("a: {year}»/{name}\n", "begins with {", id="layout without quotes"),
        pytest.param('a: »"b\n', "a quote that is not closed", id="open quote"),
        pytest.param('a: "C:\\»pictures"\n', "a backslash", id="backslash in double quotes"),
        pytest.param("a: {»: b}\n", "a ':', ',' or bracket", id="colon without a key"),
        pytest.param("a: b»: c\n", "a ':' where none can stand", id="two colons"),
        pytest.param("a: [b, c\nd»: e\n", "a list that does not go on", id="open list"),
        pytest.param("a:\n  - b\n »c: d\n", "a line that belongs to no group", id="indentation"),
        pytest.param("a: b\n»c\n", "a line without ':'", id="no colon"),
    ],
)
def test_refused_where_it_stands(text: str, found: str) -> None:
    clean, places = marked(text)
    with pytest.raises(SettingsProblems) as caught:
        load_document(clean.encode(), file="f")
    (problem,) = caught.value.problems
    assert [(problem.line, problem.column)] == places, str(problem)
    assert found in problem.found


def test_bytes_that_are_not_utf_8_are_refused_where_they_stand() -> None:
    with pytest.raises(SettingsProblems) as caught:
        load_document("a: é\nb: é".encode() + b"\xe9\n", file="f")
    (problem,) = caught.value.problems
    assert (problem.line, problem.column, "0xe9" in problem.found) == (2, 5, True)


def test_utf_16_is_refused() -> None:
    with pytest.raises(SettingsProblems) as caught:
        load_document("a: b".encode("utf-16"), file="f")
    assert "UTF-8" in caught.value.problems[0].expected


def nested(depth: int) -> bytes:
    return ("a: " + "[" * depth + "]" * depth).encode()


def test_nesting_is_bounded() -> None:
    load_document(nested(DEPTH_MAX - 1), file="f")
    for depth in (DEPTH_MAX, 5_000, 200_000):
        with pytest.raises(SettingsProblems) as caught:
            load_document(nested(depth), file="f")
        (problem,) = caught.value.problems
        assert (problem.line, problem.column) == (1, 4 + DEPTH_MAX - 1)
        assert "levels of nesting" in problem.found


def test_the_number_of_values_is_bounded() -> None:
    with pytest.raises(SettingsProblems) as caught:
        load_document(b"a: [" + b"b, " * NODES_MAX + b"]", file="f")
    assert f"more than {NODES_MAX} values" in caught.value.problems[0].found


def test_the_size_is_bounded() -> None:
    rest = SIZE_MAX_BYTES - len("a: b\n#")
    load_document(b"a: b\n#" + b"x" * rest, file="f")
    with pytest.raises(SettingsProblems) as caught:
        load_document(b"a: b\n#" + b"x" * (rest + 1), file="f")
    (problem,) = caught.value.problems
    assert (problem.line, problem.column, f"{SIZE_MAX_BYTES}" in problem.found) == (1, 1, True)


def test_equal_keys_are_all_reported_and_the_first_one_counts() -> None:
    text, places = marked("a: 1\nb: {c: x, »c: y}\n»a: 2\n»'a': 3\n")
    document = load_document(text.encode(), file="f")
    assert [(p.line, p.column) for p in document.problems] == places
    assert [p.found for p in document.problems] == [f"the key '{key}' a second time" for key in "caa"]
    assert "line 1" in document.problems[1].expected
    assert document.values == {"a": Numeral(text="1", value=1), "b": {"c": "x"}}


@pytest.mark.parametrize(
    ("key", "found"),
    [("1", "the key 1"), ("1.5", "the key 1.5"), ("true", "the key true"), ("~", "the key ~"),
     ("? [a, b]\n", "a list or a group"), ("? {a: b}\n", "a list or a group"), ("<<", "the merge key")],
)  # fmt: skip
def test_keys_that_are_not_text_are_reported(key: str, found: str) -> None:
    document = load_document(f"x: y\n{key}: z\n".encode(), file="f")
    (problem,) = document.problems
    assert (problem.line, problem.column) == (2, 3 if key.startswith("?") else 1)
    assert problem.found.startswith(found)
    assert document.values == {"x": "y"}


def test_a_colon_without_a_key_is_reported() -> None:
    (problem,) = load_document(b"x: y\n?\n: z\n", file="f").problems
    assert (problem.line, problem.column, problem.found) == (2, 2, "no key before the ':'")


def test_keys_that_yaml_1_1_takes_for_true_and_false_are_text() -> None:
    assert values_of("on: x\nno: y\n") == {"on": "x", "no": "y"}


def test_a_mistake_that_stops_the_reading_is_the_only_one_reported() -> None:
    refused_at_marks("nonsense: 1\nnonsense: 2\na: »&x b\n")


@pytest.mark.parametrize("end", ["", "\n", "\r\n", "\n\n  \n"])
def test_how_the_last_line_ends_does_not_count(end: str) -> None:
    assert values_of(f"a: b\nc: d{end}") == {"a": "b", "c": "d"}


def test_a_tail_of_nul_bytes_is_refused_where_it_begins() -> None:
    (problem,) = refused_at_marks("a: b\n»" + "\x00" * 512)
    assert problem.found == "the control character U+0000"
