"""Digests of content, by the algorithm that the settings name.

May not read files.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from typing import Protocol

from blake3 import blake3

from replicatord.model.settings import DigestAlgorithm


class Hasher(Protocol):
    """What hashlib and blake3 have in common."""

    def update(self, data: bytes | memoryview, /) -> object:
        """Take in more bytes."""

    def digest(self) -> bytes:
        """Give the digest of all bytes so far: 32 bytes."""


def new_hasher(algorithm: DigestAlgorithm) -> Callable[[], Hasher]:
    """Give the maker of hashers of an algorithm."""
    return hashlib.sha256 if algorithm is DigestAlgorithm.SHA256 else blake3


def sums_name(algorithm: DigestAlgorithm) -> bytes:
    """Give the name of the list that the stock checksum utility of that algorithm accepts."""
    return b"SHA256SUMS" if algorithm is DigestAlgorithm.SHA256 else b"B3SUMS"
