"""What one value of the file is taken for: text, true or false, a whole number, a size, a folder.

Each function takes what the loader gives and raises WrongValue when that is not what is meant.
May not know which setting the value stands in.
"""

from __future__ import annotations

import os
import re
from enum import Enum
from typing import TYPE_CHECKING, Final, TypeVar

from replicatord.config import units
from replicatord.config.card_pattern import WILDCARDS
from replicatord.config.defaults import KINDS
from replicatord.config.layout import parse_layout
from replicatord.config.loader import Numeral
from replicatord.config.problem import Mistake, WrongValue, listed, nearest_of, quoted
from replicatord.media.names import FORMAT_ALIASES, FORMATS
from replicatord.model.copies import Medium
from replicatord.model.settings import AddressIn, DigestAlgorithm, Layout, Target

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from replicatord.model.frames import Kind

NAME_PATTERN: Final = "^[A-Za-z0-9][A-Za-z0-9_-]{0,62}$"  # also safe as a word of a command and in a path
NAME_EXPECTED: Final = (
    "a name of letters a to z, digits, - and _, at most 63, beginning with a letter or digit"
)
CARD_PARTS_MAX: Final = (
    10  # mount points lie two or three deep; every one of them is held against the pattern
)
CARD_PATTERN: Final = r"^/+[^/*?\[]+(/+[^/]+){0,9}/*$"  # editors only: `as_card_pattern` says the rest
TEXT_MAX_CHARS: Final = 200
FOLDER_MAX_BYTES: Final = 4095  # PATH_MAX of Linux without its NUL, limits.h(0P)
STARS_MIN, STARS_MAX = -1, 5  # xmp:Rating, ISO 16684-1: -1 is rejected
SHARE_PATTERN: Final = "^([0-9]{1,3})%$"
SHARE_EXPECTED: Final = "a share from 1% to 100%"
_WHOLE_PERCENT: Final = 100
COPIES_MAX: Final = 100
MEMORY_MIN_BYTES: Final = 16_000_000  # below this the buffers of a few drives are too small to be quick
PORT_MIN, PORT_MAX = 1024, 65_535  # those below want root (RFC 6335, 6: system ports)
LOG_ROTATE_MIN_BYTES: Final = 1_000_000  # below this there would be a new file every few hundred frames

MESSAGES_MAX: Final = 200  # a day; who gets more reads none
ADDRESS_MAX_CHARS: Final = 2_000
ADDRESS_PATTERN: Final = r"^[A-Za-z][A-Za-z0-9+.-]*://\S+$"
VARIABLE_PATTERN: Final = "^[A-Za-z_][A-Za-z0-9_]{0,127}$"  # POSIX.1, 8.1
# systemd.exec(5): what is valid as the name of a file.
CREDENTIAL_PATTERN: Final = "^[A-Za-z0-9_-][A-Za-z0-9_.-]{0,127}$"
_ADDRESS_EXPECTED: Final = (
    "mailto://... or another address, {environment: NAME} or {credential: NAME}; what was found may be secret"
)

# What YAML 1.1 read as true and false (type/bool, yaml.org), and YAML 1.2 and people do not.
_MEANT_FLAGS: Final = {
    **dict.fromkeys(("yes", "y", "on", "true", "1"), "true"),
    **dict.fromkeys(("no", "n", "off", "false", "0"), "false"),
}

_Choice = TypeVar("_Choice")


def shown(value: object) -> str:
    """Give a phrase that shows a value in a problem."""
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, Numeral):
        return quoted(value.text)
    if isinstance(value, bool):
        return "true" if value else "false"
    if value is None:
        return "nothing"
    if not value:
        return "an empty list" if isinstance(value, list) else "no keys"
    return "a list" if isinstance(value, list) else "a group of keys"


def wrong(value: object, expected: str, nearest: str | None = None) -> WrongValue:
    """Make the error that says: this was found, that was expected."""
    return WrongValue(Mistake(found=shown(value), expected=expected, nearest=nearest))


def not_nothing(value: object) -> object:
    """Refuse a key whose value was forgotten; anything else is for others to judge."""
    if value is None:
        raise wrong(value, "a value, or the key left out")
    return value


def as_text(value: object) -> str:
    """Give text as typed; a plain number keeps its digits, so 1.10 stays "1.10"."""
    return _text(value, "text")


def as_flag(value: object) -> bool:
    """Give true or false, and nothing that YAML 1.1 took for them."""
    if isinstance(value, bool):
        return value
    typed = value.text if isinstance(value, Numeral) else value
    meant = _MEANT_FLAGS.get(typed.casefold()) if isinstance(typed, str) else None
    raise wrong(value, "true or false, without quotes", meant)


def as_stars(value: object) -> int:
    """Give xmp:Rating's stars."""
    return _whole(value, STARS_MIN, STARS_MAX)


def as_copies(value: object) -> int:
    """Give a number of copies, one at least."""
    return _whole(value, 1, COPIES_MAX)


def as_port(value: object) -> int:
    """Give the number of a port that needs no root."""
    return _whole(value, PORT_MIN, PORT_MAX)


def as_share(value: object) -> float:
    """Give a share of a whole, above 0 and at most 1, from "20%"."""
    text = _text(value, SHARE_EXPECTED)
    match = re.fullmatch(SHARE_PATTERN, text)
    if match is None or not 1 <= int(match.group(1)) <= _WHOLE_PERCENT:
        raise wrong(value, SHARE_EXPECTED)
    return int(match.group(1)) / _WHOLE_PERCENT


def as_size(value: object) -> int:
    """Give bytes."""
    return units.parse_size(_text(value, units.SIZE_EXPECTED))


def as_limit(value: object) -> int:
    """Give bytes, above zero: a drive that may hold nothing is no drive."""
    size_bytes = as_size(value)
    if size_bytes == 0:
        raise wrong(value, "a size above zero")
    return size_bytes


def as_log_rotate(value: object) -> int:
    """Give bytes, not so few that the log would fall apart into countless files."""
    size_bytes = as_size(value)
    if size_bytes < LOG_ROTATE_MIN_BYTES:
        raise wrong(value, f"at least {units.words_for_size(LOG_ROTATE_MIN_BYTES)}")
    return size_bytes


def as_memory(value: object) -> int:
    """Give bytes, enough for the buffers of some drives."""
    size_bytes = as_size(value)
    if size_bytes < MEMORY_MIN_BYTES:
        raise wrong(value, f"at least {units.words_for_size(MEMORY_MIN_BYTES)}")
    return size_bytes


def as_duration(value: object) -> float:
    """Give seconds."""
    return units.parse_duration(_text(value, units.DURATION_EXPECTED))


def as_hours(value: object) -> tuple[int, int]:
    """Give minutes after midnight: from, until."""
    return units.parse_hours(_text(value, units.HOURS_EXPECTED))


def as_day(value: object) -> date:
    """Give a day of the calendar."""
    return units.parse_day(_text(value, units.DAY_EXPECTED))


def as_layout(value: object) -> Layout:
    """Give a checked layout."""
    return parse_layout(_text(value, 'a layout in quotes, as "{year}/{month}/{name}"'))


def as_name(value: object) -> str:
    """Give the name of a shelf or a disk."""
    text = _text(value, NAME_EXPECTED)
    if re.fullmatch(NAME_PATTERN, text) is None:
        raise wrong(value, NAME_EXPECTED)
    return text


def as_folder(value: object) -> str:
    """Give an absolute path without "..", doubled slashes and a slash at the end. Looks at no disk."""
    return _path(value, "path", "/srv/studio/cards")


def as_card_pattern(value: object) -> str:
    """Give an absolute pattern of mount points, one fnmatch pattern for each part. Looks at no disk.

    The first part is plain: where every folder of a machine could match, too much would be taken for cards.
    """
    example = "/media/*/*"
    text = _path(value, "pattern", example)
    parts = text.split("/")[1:]
    if not parts[0] or WILDCARDS & set(parts[0]):
        raise wrong(value, f"a pattern whose first part is a plain name, as {example}")
    if "**" in text:
        raise wrong(value, "one * for each part: a * does not cross a /", re.sub(r"\*+", "*", text))
    if len(parts) > CARD_PARTS_MAX:
        raise wrong(value, f"a pattern of at most {CARD_PARTS_MAX} parts")
    return text


def _path(value: object, what: str, example: str) -> str:
    text = _text(value, f"a whole {what}, as {example}", longest=FOLDER_MAX_BYTES)
    if not text.startswith("/"):
        hint = "; ~ is not filled in here" if text.startswith("~") else ""
        raise wrong(value, f"a whole {what} that begins with /, as {example}{hint}")
    if ".." in text.split("/"):
        # With a symbolic link before it, ".." leads elsewhere than it reads.
        raise wrong(value, f"a {what} without ..")
    if len(text.encode()) > FOLDER_MAX_BYTES:
        raise wrong(value, f"a {what} of at most {FOLDER_MAX_BYTES} bytes")
    return os.path.normpath("/" + text.lstrip("/"))  # POSIX lets two slashes in front mean something else


def as_file_pattern(value: object) -> str:
    """Give a pattern on the name of one file or folder."""
    text = _text(value, "a pattern on names, as '*.tmp'")
    if "/" in text:
        raise wrong(value, "a pattern on the name alone, without /")
    if not text.strip("*"):
        raise wrong(value, "a pattern that leaves some names to take")
    return text


def as_messages(value: object) -> int:
    """Give a number of messages, one at least."""
    return _whole(value, 1, MESSAGES_MAX)


def as_target(value: object) -> Target:
    """Give where messages go. No problem shows what was found: it may be secret."""
    if isinstance(value, str) and len(value) <= ADDRESS_MAX_CHARS and re.fullmatch(ADDRESS_PATTERN, value):
        return Target(address_in=AddressIn.SETTINGS, address=value)
    if isinstance(value, dict) and len(value) == 1:
        ((key, name),) = value.items()
        if key in _NAMED_ELSEWHERE and isinstance(name, str):
            kind, pattern = _NAMED_ELSEWHERE[key]
            if re.fullmatch(pattern, name):
                return Target(address_in=kind, named=name)
    what = (
        "a group of keys" if isinstance(value, dict) else "a list" if isinstance(value, list) else "a value"
    )
    raise WrongValue(Mistake(found=f"{what} that is no target", expected=_ADDRESS_EXPECTED))


_NAMED_ELSEWHERE: Final = {
    "environment": (AddressIn.ENVIRONMENT, VARIABLE_PATTERN),
    "credential": (AddressIn.CREDENTIAL, CREDENTIAL_PATTERN),
}


def as_medium(value: object) -> Medium:
    """Give what a drive is made of."""
    return _choice(value, _by_value(Medium))


def as_digest(value: object) -> DigestAlgorithm:
    """Give how content is known."""
    return _choice(value, _by_value(DigestAlgorithm))


def as_kind(value: object) -> Kind:
    """Give a kind that a person would name."""
    return _choice(value, KINDS)


def as_format(value: object) -> str:
    """Give a format as Facts.format spells it."""
    choices = {**{name: name for name in FORMATS}, **FORMAT_ALIASES}
    meant = value.lstrip(".").casefold() if isinstance(value, str) else ""
    if meant != value and meant in choices:
        raise wrong(value, "a format in small letters and without a dot", meant)
    return _choice(value, choices, shown_choices=FORMATS)


_Member = TypeVar("_Member", bound=Enum)


def _by_value(members: type[_Member]) -> dict[str, _Member]:
    return {str(member.value): member for member in members}


def _choice(
    value: object, choices: Mapping[str, _Choice], *, shown_choices: tuple[str, ...] | None = None
) -> _Choice:
    typed = value.text if isinstance(value, Numeral) else value  # 3fr is text, but who knows the next camera
    expected = f"one of {listed(shown_choices or choices)}"
    if not isinstance(typed, str):
        raise wrong(value, expected)
    if typed not in choices:
        raise wrong(value, expected, nearest_of(typed, choices))
    return choices[typed]


def _whole(value: object, least: int, most: int) -> int:
    expected = f"a whole number from {least} to {most}, without quotes"
    if not isinstance(value, Numeral) or not isinstance(value.value, int):
        meant = _meant_number(value)
        raise wrong(value, expected, str(meant) if meant is not None and least <= meant <= most else None)
    if not least <= value.value <= most:
        raise wrong(value, expected)
    return value.value


def _meant_number(value: object) -> int | None:
    """Give the decimal number that 010, 1_000 or "2" was probably meant for."""
    if not isinstance(value, str):
        return None
    digits = value.replace("_", "")
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 18):
        return None
    return int(digits)


def _text(value: object, expected: str, *, longest: int = TEXT_MAX_CHARS) -> str:
    typed = value.text if isinstance(value, Numeral) else value
    if isinstance(typed, bool):
        raise wrong(value, f"{expected}; the word itself goes in quotes", f'"{str(typed).lower()}"')
    if not isinstance(typed, str):
        raise wrong(value, expected)
    if not typed.strip():
        raise wrong(value, expected)
    if len(typed) > longest:
        raise wrong(value, f"{expected}, at most {longest} characters")
    return typed
