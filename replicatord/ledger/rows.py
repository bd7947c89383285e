"""Takes values out of rows with their types checked.

May not convert: a value of another type in the ledger is a mistake to be heard about.
"""

from __future__ import annotations

from replicatord.errors import InvariantError


def as_int(value: object) -> int:
    """Give a value that must be a whole number. Raises InvariantError when it is not."""
    if not isinstance(value, int):
        raise InvariantError(f"the ledger holds {value!r} where a number belongs")
    return value


def as_bytes(value: object) -> bytes:
    """Give a value that must be bytes. Raises InvariantError when it is not."""
    if not isinstance(value, bytes):
        raise InvariantError(f"the ledger holds {value!r} where bytes belong")
    return value
