"""Promises of writing a path so that a drive can hold it (`replicatord.rules.names`).

  N1  what was written otherwise can be read back, unless it was cut
  N2  two paths that are not cut are never written alike
  N3  a drive that can hold a path gets it as it is
  N4  names that differ in their extension alone still do
  N5  what comes out can be held, and is a path: no part is empty, "." or ".."

Whether a drive can hold a name is judged here anew, from the abilities alone.
"""

from __future__ import annotations

import re
from typing import Final

from hypothesis import assume, given
from hypothesis import strategies as st

from replicatord.media.names import split_stem
from replicatord.model.abilities import Abilities
from replicatord.rules.names import EXTENSION_MAX, fit_path, is_cut, unfit_path

_WINDOWS: Final = frozenset(b'<>:"\\|?*') | frozenset(range(1, 32))
_DEVICES: Final = frozenset({b"con", b"prn", b"aux", b"nul", b"com1", b"lpt9", "com\u00b2".encode()})
KNOWN: Final = {
    "ext4": Abilities(),
    "exfat": Abilities(forbidden=_WINDOWS, counts_utf16=True, needs_utf8=True, folds_case=True),
    "windows": Abilities(
        forbidden=_WINDOWS, counts_utf16=True, needs_utf8=True, refuses_trailing=b". ", reserved=_DEVICES
    ),
    "ascii only": Abilities(forbidden=_WINDOWS | {127, *range(0xC2, 0xF5)}, needs_utf8=True),
    "short": Abilities(name_max=143, refuses_trailing=b"."),
}
_ANY_FORBIDDEN: Final = st.frozensets(
    st.sampled_from([byte for byte in range(1, 256) if not chr(byte).isalnum() and byte not in b"%/-."]),
    max_size=8,
)
# The bytes of one character are refused together, as by every file system: by what they begin with.
_LEADS: Final = st.sampled_from([frozenset(), frozenset(range(0xC2, 0xE0)), frozenset(range(0xC2, 0xF5))])


@st.composite
def some_abilities(draw: st.DrawFn) -> Abilities:
    """Give abilities of a known file system, or any."""
    if draw(st.booleans()):
        return draw(st.sampled_from(list(KNOWN.values())))
    return Abilities(
        forbidden=frozenset(b for b in draw(_ANY_FORBIDDEN) if b < 128) | draw(_LEADS),
        refuses_trailing=draw(st.sampled_from([b"", b".", b" ", b". "])),
        reserved=draw(st.sampled_from([frozenset(), _DEVICES])),
        needs_utf8=draw(st.booleans()),
        counts_utf16=draw(st.booleans()),
        name_max=draw(st.sampled_from([255, 255, 143, 40])),
    )


_PIECES: Final = st.sampled_from(
    [
        *(b"TIDE", b"0001", b".", b" ", b"%", b"%3A", b"%2", b"3", b"A", b"f", b":", b"?", b"\\", b"\x01"),
        *(b"CON", b"con", b"aux.", b"LPT9", b"\xff", b"\xc3", b"\xed\xa0\x80", b"x" * 120, b"-0123abcd"),
        *("\u00e9".encode(), "e\u0301".encode(), "\u4e2d".encode() * 30, "\U0001f426".encode() * 20),
    ]
)
_RAW: Final = st.binary(min_size=1, max_size=8).map(lambda raw: raw.replace(b"/", b"_").replace(b"\0", b"_"))
parts: Final = (
    st.lists(st.one_of(_PIECES, _RAW), min_size=1, max_size=12)
    .map(b"".join)
    .filter(lambda part: len(part) <= 255 and part not in (b".", b".."))
)
paths: Final = st.lists(parts, min_size=1, max_size=3).map(b"/".join)
extensions: Final = st.sampled_from([b"", b".X", b".JPG", b".CR3", b".xmp", b".CR3.xmp", b".HEIC.xmp"])


def is_utf8(part: bytes) -> bool:
    try:
        part.decode()
    except UnicodeDecodeError:
        return False
    return True


def units(part: bytes, abilities: Abilities) -> int:
    if not abilities.counts_utf16:
        return len(part)
    return len(part.decode("utf-8", "surrogateescape").encode("utf-16-le", "surrogatepass")) // 2


def is_held(part: bytes, abilities: Abilities) -> bool:
    """Judge whether a drive can hold a name, without the code under test."""
    return (
        not abilities.forbidden & set(part)
        and part[-1] not in abilities.refuses_trailing
        and re.split(rb"\.", part)[0].lower() not in abilities.reserved
        and (is_utf8(part) or not abilities.needs_utf8)
        and units(part, abilities) <= abilities.name_max
    )


def fit(path: bytes, abilities: Abilities) -> bytes:
    return fit_path(path, abilities, split_stem=split_stem)


@given(path=paths, abilities=some_abilities())
def test_n1_what_is_not_cut_is_read_back(path: bytes, abilities: Abilities) -> None:
    assume(not is_cut(path, abilities, split_stem=split_stem))
    assert unfit_path(fit(path, abilities), abilities) == path


@given(one=paths, other=paths, abilities=some_abilities())
def test_n2_two_paths_are_not_written_alike(one: bytes, other: bytes, abilities: Abilities) -> None:
    """Also a path and what another is written as: that is the pair which most likely meets."""
    for second in (other, fit(one, abilities)):
        assume(one != second)
        cut = [is_cut(path, abilities, split_stem=split_stem) for path in (one, second)]
        if not any(cut):
            assert fit(one, abilities) != fit(second, abilities)


@given(path=paths, abilities=some_abilities())
def test_n3_what_can_be_held_stays(path: bytes, abilities: Abilities) -> None:
    held = all(is_held(part, abilities) for part in path.split(b"/"))
    is_clear = not (abilities.maps_names and re.search(rb"%[0-9A-Fa-f]{2}", path))
    # On a drive for shorter names than all are made for, room is left for the extensions of the same frame.
    shorter = 255 - abilities.name_max and EXTENSION_MAX + 1
    assume(all(units(part, abilities) + shorter <= abilities.name_max for part in path.split(b"/")))
    assert (fit(path, abilities) == path) == (held and is_clear)


@given(stem=parts, one=extensions, other=extensions, abilities=some_abilities())
def test_n4_the_files_of_a_frame_keep_one_stem(
    stem: bytes, one: bytes, other: bytes, abilities: Abilities
) -> None:
    assume(all(split_stem(stem + ext) == (stem, ext[1:]) for ext in (one, other)))
    assume(all(len(stem + ext) <= 255 for ext in (one, other)))
    assume((one and other) or stem[-1] not in abilities.refuses_trailing)
    first, second = fit(stem + one, abilities), fit(stem + other, abilities)
    assert first.endswith(one)
    assert second.endswith(other)
    assert first[: len(first) - len(one)] == second[: len(second) - len(other)]


@given(path=paths, abilities=some_abilities())
def test_n5_what_comes_out_can_be_held(path: bytes, abilities: Abilities) -> None:
    written = fit(path, abilities).split(b"/")
    assert len(written) == path.count(b"/") + 1
    for part in written:
        assert part not in (b"", b".", b"..")
        assert is_held(part, abilities)


@given(
    abilities=some_abilities(),
    step=st.integers(0, 2_000_000_000),
    size=st.none() | st.integers(0, (1 << 63) - 1),
    flag=st.booleans(),
)
def test_abilities_come_back_from_their_text(
    abilities: Abilities,
    step: int,
    size: int | None,
    flag: bool,  # noqa: FBT001  drawn
) -> None:
    fields = {name: getattr(abilities, name) for name in Abilities.__dataclass_fields__}
    more = {
        "mtime_step_ns": step,
        "file_max_bytes": size,
        "composes": flag,
        "renames_without_replacing": flag,
    }
    whole = Abilities(**{**fields, **more})
    assert Abilities.from_json(whole.to_json()) == whole


@given(text=st.text(max_size=40) | st.integers(0, 300).map(lambda end: Abilities().to_json()[:end]))
def test_broken_text_is_no_abilities(text: str) -> None:
    assume(text != Abilities().to_json())
    assert Abilities.from_json(text) is None
