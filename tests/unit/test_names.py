"""Names as drives hold them, by worked examples; the promises are in tests/property/test_names_property.py."""

from __future__ import annotations

import hashlib
import json
from typing import Final

import pytest

from replicatord.media.names import split_stem
from replicatord.model.abilities import Abilities
from replicatord.rules.names import fit_path, is_cut, unfit_path

# Microsoft, "Naming Files, Paths, and Namespaces": reserved characters and names; nothing ends with a dot or space.
WINDOWS: Final = Abilities(
    forbidden=frozenset(b'<>:"\\|?*') | frozenset(range(1, 32)),
    refuses_trailing=b". ",
    reserved=frozenset({b"con", b"prn", b"aux", b"nul", b"com1", b"lpt1"}),
    counts_utf16=True,
    needs_utf8=True,
    folds_case=True,
)


def fit(path: bytes, abilities: Abilities = WINDOWS) -> bytes:
    return fit_path(path, abilities, split_stem=split_stem)


@pytest.mark.parametrize(
    ("path", "written"),
    [
        (b"2026/01/shore/TIDE0001.CR3", b"2026/01/shore/TIDE0001.CR3"),
        (b"2026-01-26 07:30/TIDE0001.CR3", b"2026-01-26 07%3A30/TIDE0001.CR3"),
        (b'who?/a<b>"c"|d*e\\f.JPG', b"who%3F/a%3Cb%3E%22c%22%7Cd%2Ae%5Cf.JPG"),
        (b"St. Aud. /A..JPG", b"St. Aud.%20/A..JPG"),  # only the end of a part counts
        (b"and so on.../A. ", b"and so on..%2E/A.%20"),
        (b"AUX/con.CR3", b"%41UX/%63on.CR3"),
        (b"nul.tar.gz/auxiliary.JPG", b"%6Eul.tar.gz/auxiliary.JPG"),
        (b"com1.CR3.xmp", b"%63om1.CR3.xmp"),
        (b"tab\tnew\nline", b"tab%09new%0Aline"),
        (b"100%/50%25.JPG", b"100%/50%2525.JPG"),  # a percent sign that could be read as a code is one
        (b"%zz %4 %", b"%zz %4 %"),
        ("h\u00e9ron \u9e9f.JPG".encode(), "h\u00e9ron \u9e9f.JPG".encode()),
        (b"latin-\xe9.JPG", b"latin-%E9.JPG"),
    ],
)
def test_a_path_is_written_so_that_it_can_be_held_and_read_back(path: bytes, written: bytes) -> None:
    assert fit(path) == written
    assert unfit_path(written, WINDOWS) == path
    assert not is_cut(path, WINDOWS, split_stem=split_stem)


def test_a_drive_that_holds_everything_gets_everything_as_it_is() -> None:
    for path in (b"a:b/%41/con./\xff", b"n" * 255, b"x" * 252 + b".CR"):
        assert fit(path, Abilities()) == path
        assert unfit_path(path, Abilities()) == path


def test_each_other_script_is_encoded_where_only_ascii_is_held() -> None:
    only_ascii = Abilities(forbidden=frozenset(range(0xC2, 0xF5)))
    assert fit("h\u00e9ron".encode(), only_ascii) == b"h%C3%A9ron"
    assert fit("\u9e9f".encode(), only_ascii) == b"%E9%BA%9F"
    assert unfit_path(b"h%C3%A9ron", only_ascii) == "h\u00e9ron".encode()


def test_where_percent_signs_are_refused_nothing_can_be_mapped() -> None:
    odd = Abilities(forbidden=frozenset(b"%:"))
    assert not odd.maps_names
    assert fit(b"a:b", odd) == b"a:b"  # the drive will refuse it, and that is told


def test_what_is_too_long_is_cut_at_a_character_with_a_mark_of_the_whole_stem() -> None:
    stem = b"a:" * 100  # 200 characters, 400 when the colons are encoded
    written = fit(stem + b".CR3")
    mark = hashlib.sha256(stem).hexdigest()[:8].encode()
    assert written == b"a%3A" * 59 + b"a" + b"-" + mark + b".CR3"  # 246 for the stem, 9 for what may follow
    assert fit(stem + b".CR3.xmp") == written + b".xmp"
    assert is_cut(stem + b".CR3", WINDOWS, split_stem=split_stem)
    assert not is_cut(stem[:100] + b".CR3", WINDOWS, split_stem=split_stem)


def test_a_long_folder_is_cut_without_regard_to_dots() -> None:
    folder = b"St. " * 60
    written = fit(folder + b"/A.CR3", Abilities(name_max=143))
    mark = hashlib.sha256(folder).hexdigest()[:8].encode()
    assert written == (folder[:134] + b"-" + mark + b"/A.CR3")


def test_utf16_units_count_where_the_drive_counts_them() -> None:
    """The gulls are one character each, four bytes, two UTF-16 units (RFC 2781)."""
    name = "\U0001f426".encode() * 63  # 252 bytes, 126 units
    assert fit(name) == name
    short = Abilities(name_max=130, counts_utf16=True)
    assert fit(name, short) != name
    assert len(fit(name, short).decode().encode("utf-16-le")) // 2 <= 130
    assert not fit(name, short).endswith(b"\xff")


def test_an_extension_that_is_too_long_is_none() -> None:
    short = Abilities(name_max=40)
    written = fit(b"A." + b"x" * 200, short)
    assert len(written) <= 40
    assert written.startswith(b"A.xxx")


@pytest.mark.parametrize(
    "text",
    [
        *("", "null", "[]", "7", '{"name_max": 255}', "[" * 100_000),
        json.dumps({**json.loads(Abilities().to_json()), "name_max": "255"}),
        json.dumps({**json.loads(Abilities().to_json()), "forbidden": [300]}),
        json.dumps({**json.loads(Abilities().to_json()), "folds_case": 1}),
        json.dumps({**json.loads(Abilities().to_json()), "reserved": [1]}),
    ],
)
def test_text_that_is_not_ours_gives_no_abilities(text: str) -> None:
    assert Abilities.from_json(text) is None


def test_fields_of_a_later_version_are_passed_over() -> None:
    text = json.dumps({**json.loads(WINDOWS.to_json()), "holds_links": True})
    assert Abilities.from_json(text) == WINDOWS
