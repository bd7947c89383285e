"""Breaks files at random, by a seed: what the quick tests do where no fuzzer is installed.

May not know any format: it finds structure by looking for bytes that may be lengths.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Sequence
from typing import Final

_EDGES: Final = (0, 1, 2, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF)
_WIDTHS: Final = ("B", "H", "I", "Q")
_CHANGES_MAX: Final = 6


class Mutator:
    """Makes broken files of whole ones."""

    def __init__(self, seeds: Sequence[bytes], seed: int) -> None:
        self._seeds = seeds
        self._chance = random.Random(seed)
        self._ways: tuple[Callable[[bytearray], None], ...] = (
            self._flip,
            self._set,
            self._cut,
            self._drop,
            self._repeat,
            self._splice,
            self._edge,
            self._edge_at_a_length,
        )

    def next(self) -> bytes:
        """Give another broken file."""
        content = bytearray(self._chance.choice(self._seeds))
        for _ in range(self._chance.randint(1, _CHANGES_MAX)):
            if content:
                self._chance.choice(self._ways)(content)
        return bytes(content)

    def _place(self, content: bytearray) -> int:
        return self._chance.randrange(len(content))

    def _flip(self, content: bytearray) -> None:
        content[self._place(content)] ^= 1 << self._chance.randrange(8)

    def _set(self, content: bytearray) -> None:
        content[self._place(content)] = self._chance.randrange(256)

    def _cut(self, content: bytearray) -> None:
        del content[self._place(content) :]

    def _drop(self, content: bytearray) -> None:
        at = self._place(content)
        del content[at : at + self._chance.randint(1, 64)]

    def _repeat(self, content: bytearray) -> None:
        at = self._place(content)
        content[at:at] = content[at : at + self._chance.randint(1, 64)] * self._chance.randint(1, 20)

    def _splice(self, content: bytearray) -> None:
        """Go on as another file does."""
        other = self._chance.choice(self._seeds)
        if other:
            at = self._place(content)
            content[at:] = other[self._chance.randrange(len(other)) :]

    def _edge(self, content: bytearray) -> None:
        self._write_number(content, self._place(content))

    def _edge_at_a_length(self, content: bytearray) -> None:
        """Change a number that may be a length or a place: one that is smaller than the file, and not nothing."""
        for _ in range(20):
            at = self._place(content)
            if any(
                0 < int.from_bytes(content[at : at + 4], order) <= len(content) for order in ("big", "little")
            ):
                self._write_number(content, at)
                return

    def _write_number(self, content: bytearray, at: int) -> None:
        width = self._chance.choice(_WIDTHS)
        size = struct.calcsize(width)
        number = (self._chance.choice(_EDGES) + self._chance.randint(-1, 1)) % (1 << 8 * size)
        content[at : at + size] = struct.pack(self._chance.choice("<>") + width, number)
