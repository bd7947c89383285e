"""Settings, never a crash: whatever the bytes, the answer is settings or a list of problems with places.

C1  reading never raises anything but SettingsProblems, and every problem has a place and is one line
C2  sizes, durations and hours come back from their words as they went in
C3  a layout that is accepted, filled with any words, lies below the drive's root and not in its hidden folder
C4  whether a text is a number, true or nothing never changes the text where text is meant
C5  nothing changed between equal settings, and something is said about any change of a tier's shelves, of
    a drive's shelf or disk, and of the order in which a shelf is filled
C6  cutting the end off a text is told from every other change of it
C7  as many copies can be cleared as there are places to put them in, counted in the plain way
"""

from __future__ import annotations

import itertools
import json
import random
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from replicatord.config import SettingsProblems, describe_changes, parse_settings, summary_lines, units
from replicatord.config.cut import is_cut_of
from replicatord.config.layout import WORDS, parse_layout
from replicatord.config.places import spread_of
from replicatord.config.problem import WrongValue
from replicatord.model.settings import Settings
from replicatord.rules.paths import HIDDEN_FOLDER, path_of
from tests.config_text import CONFIG, EXAMPLES, VALID, parsed

SEED = 20_260_126
MUTATIONS = 1_000
PIECES = (
    b"{", b"}", b"[", b"]", b": ", b"- ", b"\n", b"\n  ", b"? ", b"| ", b">-\n", b'"', b"'", b"#",
    b"&a ", b"*a", b"!!", b"%", b"---\n", b"...\n", b"\\", b"\\U", b"\xef\xbb\xbf", b"\x85", b"\xc2\x85",
    b"~", b"0x", b"9" * 30, b"null", b", ", b"\r", b"@", b"`", b"=", b"<<: ", b"\xf0\x9f\x98\x80", b"..",
    b"/", b"true", b"2026-02-30", b"{name}", b"\x00", b"\xff",
)  # fmt: skip


def answer(data: bytes) -> Settings | SettingsProblems:
    """Read content; anything raised but SettingsProblems fails the test. Checks what C1 says of problems."""
    try:
        read = parse_settings(data, file="f")
    except SettingsProblems as error:
        answered = error
    else:
        assert summary_lines(read)
        return read
    assert answered.problems
    for problem in answered.problems:
        assert (problem.line or 0) >= 1
        assert (problem.column or 0) >= 1
        assert str(problem).isprintable()
    return answered


@pytest.mark.parametrize("name", EXAMPLES)
def test_c1_every_prefix_of_an_example(name: str) -> None:
    data = (CONFIG / name).read_bytes()
    # Every prefix of what is read; of the whole, whose comments cost most of the time, each fiftieth and the last.
    plain = re.sub(rb"(^|(?<=\n)) *#[^\n]*\n| +#[^\n]*", b"", data)
    assert parse_settings(plain, file="f") == parse_settings(data, file="f")
    answers = [answer(plain[:end]) for end in range(len(plain))]
    answers += [answer(data[:end]) for end in (*range(0, len(data), 50), len(data))]
    assert isinstance(answers[0], SettingsProblems)
    assert isinstance(answers[-1], Settings)


def mutated(data: bytes, chance: random.Random) -> bytes:
    content = bytearray(data)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(content))
        match chance.randrange(4):
            case 0:
                del content[at : at + chance.randint(1, 20)]
            case 1:
                content[at:at] = chance.choice(PIECES)
            case 2:
                content[at] = chance.randrange(256)
            case _:
                start = chance.randrange(len(content))
                content[at:at] = content[start : start + chance.randint(1, 60)]
    return bytes(content)


def test_c1_a_thousand_random_mutations() -> None:
    chance = random.Random(SEED)
    data = VALID.encode() + b"trips: [{name: A, from: 2026-01-26, until: 2026-02-04}]\nkeep_free: 20GB\n"
    answers = [answer(mutated(data, chance)) for _ in range(MUTATIONS)]
    refused = sum(isinstance(each, SettingsProblems) for each in answers)
    # Proof that the mutations reach both outcomes, so that the loop above tries something.
    assert MUTATIONS * 0.3 < refused < MUTATIONS, f"{SEED=} {refused=}"


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.binary(max_size=80), st.lists(st.sampled_from(PIECES), max_size=30).map(b"".join)))
def test_c1_any_bytes(data: bytes) -> None:
    answer(data)


_KEYS = (
    "card",
    "shelf",
    "disk",
    "medium",
    "studio",
    "sources",
    "drives",
    "tiers",
    "trips",
    "from",
    "to",
    "only",
    "layout",
    "mount",
    "folder",
    "away",
)
_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-9, 99)
    | st.sampled_from(("curlew", "/mnt/a", "/mnt/*", "20GB", "no", "{name}")),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(_KEYS), inner, max_size=4),
    max_leaves=12,
)


def flow(value: object) -> str:
    """Write a value in YAML's flow style."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {flow(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(flow(item) for item in value) + "]"
    return f"'{value}'" if isinstance(value, str) else json.dumps(value)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(st.sampled_from(_KEYS), _JSON, min_size=1, max_size=6))
def test_c1_any_shape_of_values(values: dict[str, object]) -> None:
    answer("\n".join(f"{key}: {flow(value)}" for key, value in values.items()).encode())


@given(st.integers(0, units.SIZE_MAX_BYTES))
def test_c2_sizes(size_bytes: int) -> None:
    words = units.words_for_size(size_bytes)
    number, unit = words.split(" ")
    if len(number.partition(".")[2]) <= 6:  # more digits than a person may type
        assert units.parse_size(words) == size_bytes
    assert unit in units.SIZE_UNITS_BYTES


@given(st.integers(1, 999_999_999), st.sampled_from(tuple(units.DURATION_UNITS_S)))
def test_c2_durations(count: int, unit: str) -> None:
    seconds = count * units.DURATION_UNITS_S[unit]
    if seconds > units.DURATION_MAX_S:
        with pytest.raises(WrongValue):
            units.parse_duration(f"{count}{unit}")
        return
    assert units.parse_duration(f"{count}{unit}") == seconds
    words, name = units.words_for_duration(seconds).split(" ")
    assert units.parse_duration(words + name[0]) == seconds


@given(st.integers(0, 1439), st.integers(0, 1439))
def test_c2_hours(begin: int, end: int) -> None:
    text = units.words_for_hours((begin, end)).replace(" to ", "-")
    if begin == end:
        with pytest.raises(WrongValue):
            units.parse_hours(text)
    else:
        assert units.parse_hours(text) == (begin, end)


_TEXTS = st.sampled_from(
    ("a", ".", "..", "-", " ", ".rep", "licatord", ".replicatord", "\\", "\x00", "{", "}", "é")
)
_PARTS = st.lists(st.sampled_from([f"{{{word}}}" for word in WORDS]) | _TEXTS, max_size=4).map("".join)
_LAYOUTS = st.lists(_PARTS, min_size=1, max_size=4).map("/".join)
_FILLED = st.sampled_from((b"", b"x", b"2026", b".replicatord", b"licatord", b"..", b"a/../b", b"a/b", b"."))


@settings(max_examples=400, deadline=None)
@given(layout=_LAYOUTS, filled=st.lists(_FILLED, min_size=len(WORDS), max_size=len(WORDS)))
def test_c3_accepted_layouts_stay_where_they_belong(layout: str, filled: list[bytes]) -> None:
    try:
        accepted = parse_layout(layout)
    except WrongValue:
        return
    words = dict(zip(WORDS, filled, strict=True))
    path = path_of(accepted, words, stem=b"TIDE0042", ext=b"DNG", main_ext=b"CR3")
    parts = path.split(b"/")
    assert b"TIDE0042" in path
    assert not {b"", b".", b".."} & set(parts)
    assert not parts[0].lower().startswith(HIDDEN_FOLDER)


_PLAIN = st.from_regex(
    re.compile(r"[-+]?[0-9]{1,12}(\.[0-9]{1,6})?|[0-9:_xeE.]{1,8}[0-9]", re.ASCII), fullmatch=True
)


@settings(max_examples=50, deadline=None)
@given(_PLAIN)
def test_c4_text_keeps_its_digits(typed: str) -> None:
    assert parsed(VALID.replace("Tidewrack Studio", typed)).studio == typed


@given(st.lists(st.sampled_from(("curlew", "dunlin", "north-cloud")), min_size=1, max_size=3, unique=True))
def test_c5_a_change_of_a_tiers_shelves_is_always_said(drives: list[str]) -> None:
    before = parsed(VALID)
    tier = replace(before.tiers["everything"], shelves=tuple(drives))
    after = replace(before, tiers={"everything": tier})
    assert bool(describe_changes(before, after)) == (before != after)
    assert describe_changes(after, after) == []


_SHELVED = st.fixed_dictionaries(
    {
        "shelves": st.lists(st.sampled_from(("", "studio", "attic")), min_size=3, max_size=3),
        "disks": st.lists(st.sampled_from(("", "box")), min_size=3, max_size=3),
        "order": st.permutations(("curlew", "dunlin", "north-cloud")),
    }
)


def shelved(*, shelves: list[str], disks: list[str], order: list[str]) -> Settings:
    before = parsed(VALID)
    changed = (
        replace(drive, shelf=shelf, disk=disk)
        for drive, shelf, disk in zip(before.drives.values(), shelves, disks, strict=True)
    )
    by_name = {drive.name: drive for drive in changed}
    drives = {name: by_name[name] for name in order}
    tier = before.tiers["everything"]
    made = replace(before, drives=drives, tiers={})
    return replace(made, tiers={tier.name: replace(tier, shelves=tuple(sorted(made.shelves)))})


@given(_SHELVED, _SHELVED)
def test_c5_a_change_of_shelves_and_disks_is_always_said(before: Any, after: Any) -> None:
    old, new = shelved(**before), shelved(**after)
    assert bool(describe_changes(old, new)) == (old != new)
    assert summary_lines(new)


@given(old=st.binary(max_size=30), end=st.integers(0, 30), blanks=st.text(" \t\r\n", max_size=3))
def test_c6_what_remains_of_a_text_is_a_cut_of_it(old: bytes, end: int, blanks: str) -> None:
    new = old[:end] + blanks.encode()
    is_shorter = len(old[:end].rstrip()) < len(old.rstrip())
    assert is_cut_of(new, old) == is_shorter
    assert not is_cut_of(old, old)
    assert not is_cut_of(old + blanks.encode(), old)


@given(old=st.binary(min_size=1, max_size=30), at=st.integers(0, 29), other=st.integers(1, 255))
def test_c6_what_differs_before_its_end_is_no_cut(old: bytes, at: int, other: int) -> None:
    changed = bytearray(old)
    changed[at % len(old)] ^= other
    if bytes(changed).rstrip() == bytes(changed):  # a blank at the very end is as good as none
        assert not is_cut_of(bytes(changed), old)


@pytest.mark.parametrize("name", EXAMPLES)
def test_c6_every_cut_of_an_example_is_told_or_loses_nothing(name: str) -> None:
    data = (CONFIG / name).read_bytes()
    lost = [data[end:] for end in range(len(data)) if not is_cut_of(data[:end], data)]
    assert all(not end.strip() for end in lost)
    assert len(lost) == len(data) - len(data.rstrip())


_DRIVES = st.lists(
    st.tuples(st.sampled_from("pqrs"), st.sampled_from(("", "x", "y", "z"))), min_size=1, max_size=6
)


@given(_DRIVES)
def test_c7_copies_are_counted_by_places(drives: list[tuple[str, str]]) -> None:
    """Beside trying every choice of one drive for each shelf."""
    named = [(f"d{number}", shelf, disk) for number, (shelf, disk) in enumerate(drives)]
    by_shelf: dict[str, list[str]] = {}
    for name, shelf, disk in named:
        by_shelf.setdefault(shelf, []).append(f"disk {disk}" if disk else name)
    best = max(len(set(choice)) for choice in itertools.product(*by_shelf.values()))
    spread = spread_of(named)
    assert spread.count == best
    sizes = {"drive": len(named), "shelf": len(by_shelf)}
    assert spread.word == next((word for word, size in sizes.items() if size == best), "place")
