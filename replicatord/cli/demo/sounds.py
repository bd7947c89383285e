"""What the demo's voice note holds: a wader's rising whistle over the wash of the tide, made from a seed.

May not write files: samples out, nothing in.
"""

from __future__ import annotations

import array
import math
import sys
from random import Random
from typing import Final

RATE_HZ: Final = 8_000  # enough for a voice
_LENGTH_S: Final = 2.4
_CALLS_S: Final = ((0.3, 0.28), (0.62, 0.5), (1.5, 0.24), (1.78, 0.46))  # start and length of each whistle


def whistle(seed: int) -> bytes:
    """Give about two seconds of 16-bit little-endian mono samples at RATE_HZ."""
    rng = Random(seed)  # noqa: S311 - a sound, not a secret
    wash = 0.0
    loudness = [0.0] * round(RATE_HZ * _LENGTH_S)
    for i in range(len(loudness)):
        wash += 0.1 * (rng.uniform(-1, 1) - wash)  # noise without its high part: water
        loudness[i] = 0.35 * wash
    for start_s, length_s in _CALLS_S:
        _add_call(loudness, start=round(start_s * RATE_HZ), count=round(length_s * RATE_HZ))
    samples = array.array("h", (round(max(-1.0, min(1.0, value)) * 32_767) for value in loudness))
    if sys.byteorder == "big":
        samples.byteswap()
    return samples.tobytes()


def _add_call(loudness: list[float], *, start: int, count: int) -> None:
    phase = 0.0
    for i in range(count):
        t = i / count
        phase += math.tau * (900 + 1100 * t * t) / RATE_HZ  # rises from 900 to 2000 Hz
        loudness[start + i] += 0.4 * math.sin(math.pi * t) * math.sin(phase)
