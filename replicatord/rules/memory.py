"""How large the buffers of copying are, so that all of them together stay within what the settings allow.

May not ask the machine: what there is to share comes in.
"""

from __future__ import annotations

from typing import Final

CHUNK_MAX_BYTES: Final = 4 << 20  # 1.06 x the limit where 256 KiB gave 1.32 (measured, see DEVELOPERS)
CHUNK_MIN_BYTES: Final = 64 << 10  # smaller calls cost more than they save
_STEP_BYTES: Final = 64 << 10  # whole blocks of any disk
# A lane copies through one, reads back through two, and checks through two more; a source is read through one.
_OF_A_LANE: Final = 5
_OF_A_SOURCE: Final = 1
_OTHERS: Final = 4  # a survey, a restore, a rehearsal, and one to spare


def chunk_bytes(memory_bytes: int, *, drives: int, sources: int) -> int:
    """Give the size of one buffer in bytes, a multiple of 64 KiB, for so many drives and sources.

    With so many drives that not even the smallest fit, they are the smallest all the same.
    """
    count = drives * _OF_A_LANE + sources * _OF_A_SOURCE + _OTHERS
    share = memory_bytes // count // _STEP_BYTES * _STEP_BYTES
    return min(max(share, CHUNK_MIN_BYTES), CHUNK_MAX_BYTES)
