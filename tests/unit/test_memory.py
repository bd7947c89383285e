"""How large buffers are: all together within what the settings allow, and quick as long as that goes."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from replicatord.rules.memory import CHUNK_MAX_BYTES, CHUNK_MIN_BYTES, chunk_bytes


def test_a_usual_studio_has_the_quickest_buffers_within_the_usual_memory() -> None:
    """Four MiB each is what was quickest (DEVELOPERS, measured); four drives and three sources have 27 of them."""
    assert chunk_bytes(128_000_000, drives=4, sources=3) == CHUNK_MAX_BYTES == 4 << 20


@given(memory=st.integers(16_000_000, 1 << 40), drives=st.integers(0, 200), sources=st.integers(0, 200))
def test_all_buffers_together_stay_within_the_memory(memory: int, drives: int, sources: int) -> None:
    size = chunk_bytes(memory, drives=drives, sources=sources)
    assert CHUNK_MIN_BYTES <= size <= CHUNK_MAX_BYTES
    assert size % (64 << 10) == 0  # whole blocks of any disk, for direct reads and writes (open(2))
    assert size == CHUNK_MIN_BYTES or size * (5 * drives + sources) <= memory
