"""Page-aligned buffers, as direct reads and writes need them (open(2), O_DIRECT).

May not be resized.
"""

from __future__ import annotations

import mmap
from typing import Final

from replicatord.rules.memory import CHUNK_MAX_BYTES

BLOCK_BYTES: Final = 4096  # a multiple of every disk's logical block


def aligned_buffer(size_bytes: int = CHUNK_MAX_BYTES) -> memoryview:
    """Give a page-aligned buffer; anonymous memory maps begin at a page, and take memory as they are filled."""
    return memoryview(mmap.mmap(-1, size_bytes))


def rounded_up(size_bytes: int) -> int:
    """Give the next multiple of a block."""
    return -(-size_bytes // BLOCK_BYTES) * BLOCK_BYTES
