"""What the file system of a drive can hold, as it was tried out on the drive itself.

May not look at a drive: `replicatord.drives.abilities` does, and hands this over.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

_ESCAPE: Final = 0x25  # "%"


@dataclass(frozen=True, slots=True, kw_only=True)
class Abilities:
    """What one file system can hold; the values that stand here are those of ext4.

    The two bytes that no name on any system may contain, "/" and NUL (POSIX.1-2024, 3.141 Filename), are not
    in `forbidden`: no name comes here with them.
    """

    forbidden: frozenset[int] = (
        frozenset()
    )  # bytes that a name may not contain; from 0x80 on, lead bytes of UTF-8
    refuses_trailing: bytes = b""  # characters that may not end a name
    reserved: frozenset[bytes] = frozenset()  # names that are taken, lower case, without extension
    name_max: int = 255
    counts_utf16: bool = False  # `name_max` is of UTF-16 code units, not of bytes
    needs_utf8: bool = False  # a name has to be UTF-8
    folds_case: bool = False  # names that differ only in case are one name
    composes: bool = False  # the composed and the decomposed form of a name are one (UAX 15: NFC and NFD)
    mtime_step_ns: int = 1  # modification times are multiples of it; 0: they are not kept at all
    file_max_bytes: int | None = None  # None: it cannot be told
    renames_without_replacing: bool = True

    @property
    def maps_names(self) -> bool:
        """Tell whether some names have to be written otherwise here, and can be: that takes a percent sign."""
        is_choosy = bool(self.forbidden or self.refuses_trailing or self.reserved or self.needs_utf8)
        return is_choosy and _ESCAPE not in self.forbidden

    def to_json(self) -> str:
        """Give all of it as one line of JSON, the same text for the same abilities."""
        fields = {
            "forbidden": sorted(self.forbidden),
            "refuses_trailing": list(self.refuses_trailing),
            "reserved": sorted(name.decode("utf-8", "surrogateescape") for name in self.reserved),
            "name_max": self.name_max,
            "counts_utf16": self.counts_utf16,
            "needs_utf8": self.needs_utf8,
            "folds_case": self.folds_case,
            "composes": self.composes,
            "mtime_step_ns": self.mtime_step_ns,
            "file_max_bytes": self.file_max_bytes,
            "renames_without_replacing": self.renames_without_replacing,
        }
        return json.dumps(fields, sort_keys=True)

    @classmethod
    def from_json(cls, text: str) -> Abilities | None:
        """Read what `to_json` gave; None when it is something else. Fields that are not known are passed over."""
        try:
            found = json.loads(text)
            return _abilities_of(found) if isinstance(found, dict) else None
        except (ValueError, TypeError, KeyError, RecursionError):
            return None


def _abilities_of(found: Mapping[str, object]) -> Abilities:
    """Make abilities of fields. Raises KeyError, TypeError or ValueError when they are not those of `to_json`."""
    limit = found["file_max_bytes"]
    return Abilities(
        forbidden=frozenset(bytes(_numbers(found["forbidden"]))),
        refuses_trailing=bytes(_numbers(found["refuses_trailing"])),
        reserved=frozenset(name.encode("utf-8", "surrogateescape") for name in _texts(found["reserved"])),
        name_max=_number(found["name_max"]),
        counts_utf16=_truth(found["counts_utf16"]),
        needs_utf8=_truth(found["needs_utf8"]),
        folds_case=_truth(found["folds_case"]),
        composes=_truth(found["composes"]),
        mtime_step_ns=_number(found["mtime_step_ns"]),
        file_max_bytes=None if limit is None else _number(limit),
        renames_without_replacing=_truth(found["renames_without_replacing"]),
    )


def _number(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 0:
        raise TypeError(value)
    return value


def _truth(value: object) -> bool:
    if not isinstance(value, bool):
        raise TypeError(value)
    return value


def _numbers(value: object) -> list[int]:
    if not isinstance(value, list):
        raise TypeError(value)
    return [_number(each) for each in value]


def _texts(value: object) -> list[str]:
    if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
        raise TypeError(value)
    return value
