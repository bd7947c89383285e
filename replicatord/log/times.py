"""Instants and paths as the log and the ledger write them.

May not read a clock.
"""

from __future__ import annotations

from datetime import UTC, datetime


def utc_text(moment: datetime) -> str:
    """Give an aware instant as RFC 3339 text in UTC, to the millisecond: 2026-01-26T21:14:03.120Z."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def offset_text(moment: datetime) -> str:
    """Give an aware instant's own offset as RFC 3339 writes it: +01:00."""
    return moment.isoformat()[-6:] if moment.utcoffset() is not None else "+00:00"


def path_text(path: bytes) -> str:
    r"""Give a path as text for people and for JSON; bytes that are not UTF-8 stand as \xNN."""
    return path.decode("utf-8", "backslashreplace")


def path_fields(key: str, path: bytes) -> dict[str, str]:
    """Give the log fields of a path: its text, and its exact bytes in hex where the text cannot say them."""
    text = path_text(path)
    return {key: text} if text.encode() == path else {key: text, f"{key}_hex": path.hex()}
