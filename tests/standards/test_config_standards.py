"""The settings file against what is published about YAML, JSON Schema, dates and units."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import jsonschema
import pytest

from replicatord.config import parse_settings, units
from replicatord.config.loader import Numeral, Value, load_document, resolve_plain
from replicatord.config.problem import SettingsProblems, WrongValue
from replicatord.config.schema import SCHEMA_DIALECT, json_schema, schema_text
from replicatord.config.shape import known_keys
from tests.config_text import CONFIG, EXAMPLES, VALID, changed

SCHEMA_FILE = CONFIG / "replicatord.schema.json"


# ---- YAML 1.2.2, section 10.3.2, example 10.9 "Core Tag Resolution"; yaml.org/spec/1.2.2 ----

EXAMPLE_10_9 = """\
A null: null
Also a null: # Empty
Not a null: ""
Booleans: [ true, True, false, FALSE ]
Integers: [ 0, 0o7, 0x3A, -19 ]
Floats: [ 0., -0.0, .5, +12e03, -2E+05 ]
Also floats: [ .inf, -.Inf, +.INF, .NAN ]
"""
CORE: dict[str, bool | int | Decimal | None] = {
    "null": None, "": None, "true": True, "True": True, "false": False, "FALSE": False, "0": 0, "0o7": 7,
    "0x3A": 58, "-19": -19, "0.": Decimal(0), "-0.0": Decimal(0), ".5": Decimal("0.5"),
    "+12e03": Decimal(12_000), "-2E+05": Decimal(-200_000), ".inf": Decimal("inf"), "-.Inf": Decimal("-inf"),
    "+.INF": Decimal("inf"), ".NAN": Decimal("nan"),
}  # fmt: skip


def test_example_10_9_is_the_core_schema_or_text() -> None:
    values = load_document(EXAMPLE_10_9.encode(), file="f").values
    numbers = [Numeral(text="0", value=0), "0o7", "0x3A", Numeral(text="-19", value=-19)]
    assert values == {
        "A null": None,
        "Also a null": None,
        "Not a null": "",
        "Booleans": [True, "True", False, "FALSE"],
        "Integers": numbers,
        "Floats": ["0.", Numeral(text="-0.0", value=Decimal("-0.0")), ".5", "+12e03", "-2E+05"],
        "Also floats": [".inf", "-.Inf", "+.INF", ".NAN"],
    }


@pytest.mark.parametrize(("typed", "core"), list(CORE.items()))
def test_no_scalar_is_read_as_another_value_than_the_core_schema_gives(
    typed: str,
    core: bool | int | Decimal | None,  # noqa: FBT001  a value of YAML, not a switch
) -> None:
    value = resolve_plain(typed)
    if isinstance(value, str):
        assert value == typed  # the narrower reading: text
    else:
        assert (value.value if isinstance(value, Numeral) else value) == core


# ---- RFC 3339, full-date: sections 5.6 (grammar), 5.7 (days of a month), 5.8 (examples); appendix C ----


@pytest.mark.parametrize(
    "text", ["1985-04-12", "1996-12-19", "1990-12-31", "1937-01-01", "2000-02-29", "2024-02-29"]
)
def test_full_dates(text: str) -> None:
    assert units.parse_day(text).isoformat() == text


@pytest.mark.parametrize("month", range(1, 13))
def test_the_days_of_each_month(month: int) -> None:
    longest = (31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)[month - 1]  # section 5.7, not a leap year
    assert units.parse_day(f"2026-{month:02}-{longest}").day == longest
    with pytest.raises(WrongValue):
        units.parse_day(f"2026-{month:02}-{longest + 1}")


@pytest.mark.parametrize(
    "text", ["1900-02-29", "2100-02-29", "2026-02-29", "1985-00-12", "1985-13-01", "1985-04-00"]
)
def test_dates_that_no_calendar_has(text: str) -> None:
    with pytest.raises(WrongValue):
        units.parse_day(text)


# ---- SI brochure, 9th edition, table 7, and IEC 80000-13:2008, clause 4 (both from memory) ----


@pytest.mark.parametrize(("prefix", "power"), [("k", 3), ("M", 6), ("G", 9), ("T", 12), ("P", 15)])
def test_si_prefixes_are_powers_of_ten(prefix: str, power: int) -> None:
    assert units.parse_size(f"1{prefix}B") == 10**power


@pytest.mark.parametrize(("prefix", "power"), [("Ki", 10), ("Mi", 20), ("Gi", 30), ("Ti", 40), ("Pi", 50)])
def test_iec_prefixes_are_powers_of_two(prefix: str, power: int) -> None:
    assert units.parse_size(f"1{prefix}B") == 2**power


# ---- JSON Schema, draft 2020-12 (json-schema.org), judged by the jsonschema library ----


def plain(value: Value) -> Any:
    """Give what an editor's YAML 1.2 reader would hand to a validator."""
    if isinstance(value, Numeral):
        return int(value.value) if isinstance(value.value, int) else float(value.value)
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, list) else value


def committed() -> dict[str, Any]:
    schema: dict[str, Any] = json.loads(SCHEMA_FILE.read_text())
    return schema


def is_valid(text: str) -> bool:
    document = plain(dict(load_document(text.encode(), file="f").values))
    return jsonschema.Draft202012Validator(committed()).is_valid(document)


def is_accepted(text: str) -> bool:
    try:
        parse_settings(text.encode(), file="f")
    except SettingsProblems:
        return False
    return True


def test_the_committed_schema_is_in_step_with_the_types() -> None:
    assert SCHEMA_FILE.read_text() == schema_text(), "run: python -m replicatord.config.schema > config/..."


def test_the_schema_is_one() -> None:
    schema = committed()
    assert schema["$schema"] == SCHEMA_DIALECT
    jsonschema.Draft202012Validator.check_schema(schema)
    with pytest.raises(jsonschema.SchemaError):
        jsonschema.Draft202012Validator.check_schema({**schema, "type": "mapping"})


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_examples_are_valid_and_name_the_schema(name: str) -> None:
    text = (CONFIG / name).read_text()
    assert is_valid(text)
    assert text.startswith(f"# yaml-language-server: $schema={SCHEMA_FILE.name}\n")


def test_every_key_is_described() -> None:
    groups = [json_schema(), *json_schema()["$defs"].values()]
    keys = {key: part for group in groups for key, part in group["properties"].items()}
    assert set(known_keys(())) | set(known_keys(("tiers", "x", "only"))) <= set(keys)
    assert [key for key, part in keys.items() if len(part.get("description", "")) < 10] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("studio: ", "studoi: "),
        ("studio: Tidewrack Studio\n", ""),
        ("hdd}", "hdd, away: no}"),
        ("hdd}", "hdd, limit: 5}"),
        ("hdd}", "hdd, limit: 20gb}"),
        ("hdd}", "hdd, visit_every: 31 days}"),
        ("medium: ssd", "medium: tape"),
        ("medium: ssd", "medium: ssd, shelf: a shelf"),
        ("medium: ssd", "medium: ssd, disk: /dev/sda"),
        ("{folder: /srv/studio/cards}", "{folder: /srv/studio/cards, card: /media/*}"),
        ("{folder: /srv/studio/cards}", "{}"),
        ("{folder: /srv/studio/cards}", "{card: /*/x}"),
        ("{folder: /srv/studio/cards}", "{card: media/*}"),
        ("{folder: /srv/studio/cards}", "{card: /a/b/c/d/e/f/g/h/i/j/k}"),
        ("mount: /mnt/curlew, ", ""),
        ("mount: /mnt/curlew, ", "mount: /mnt/curlew, folder: /x, "),
        ("/srv/studio/cards", "srv/cards"),
        ("[cards, favourites]", "[]"),
        ("[cards, favourites]", "cards"),
        ("  everything:", "  every thing:"),
        ("    to:", "    only: {kinds: [fotos]}\n    to:"),
        ("    to:", "    only: {min_stars: 6}\n    to:"),
        ("    to:", "    only: {formats: [jpge]}\n    to:"),
        ('"{year}/{month}/{folder}/{name}"', '"/{name}"'),
        ('"{year}/{month}/{folder}/{name}"', '"{year}"'),
        ("drives:", "fixity_check: {every: 90d, between: 1-6}\ndrives:"),
        ("drives:", "trips: [{name: A, from: 2026-1-26, until: 2026-02-04}]\ndrives:"),
        ("drives:", "cleared_when: {copies: 0}\ndrives:"),
        ("drives:", "cleared_when:\ndrives:"),
        ("drives:", "never_take: [a/b]\ndrives:"),
    ],
)
def test_the_schema_refuses_what_the_program_refuses(old: str, new: str) -> None:
    text = changed(old, new)
    assert (is_valid(text), is_accepted(text)) == (False, False)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("drives:", "drives:"),
        ("hdd}", "hdd, away: true, visit_every: 31d, limit: 1.5 TB}"),
        ("    to:", "    only: {kinds: [photo], formats: [jpg], min_stars: -1, older_than: 90d}\n    to:"),
        ("ssd}", "ssd, disk: box}"),
        ("{folder: /srv/studio/cards}", "{card: /media/*/*}"),
        ("{folder: /srv/studio/cards}", "{card: //mnt//reader/}"),
        ("{folder: /srv/studio/cards}", "{card: /a/b/c/d/e/f/g/h/i/j}"),
        ('"{year}/{month}/{folder}/{name}"', '"{stem}.{ext}"'),
        ("drives:", "fixity_check: {every: 90d, between: 22:00-06:00}\ndrives:"),
        ("drives:", "trips: [{name: A, from: 2026-01-26, until: 2026-02-04}]\ndrives:"),
        ("drives:", "never_take: []\nsettle: 2s\nlog_rotate: 64MB\nkeep_free: 0B\ndrives:"),
    ],
)
def test_the_schema_accepts_what_the_program_accepts(old: str, new: str) -> None:
    text = VALID if old == new else changed(old, new)
    assert (is_valid(text), is_accepted(text)) == (True, True)
