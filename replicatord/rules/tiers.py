"""Does a tier take a frame? One question, answered from the frame's facts alone.

May not read a clock: today comes in.
"""

from __future__ import annotations

from datetime import date
from fnmatch import fnmatchcase
from typing import Final

from replicatord.model.frames import Frame
from replicatord.model.settings import Only, Tier, source_in_settings
from replicatord.rules.paths import folder_of

_DAY_S: Final = 86_400.0


def takes(tier: Tier, frame: Frame, *, today: date) -> bool:
    """Tell whether `tier` asks for `frame`; every condition that is given must hold."""
    return source_in_settings(frame.source) in tier.sources and _matches(tier.only, frame, today)


def _matches(only: Only, frame: Frame, today: date) -> bool:
    if only.kinds and frame.kind not in only.kinds:
        return False
    if only.formats and frame.format not in only.formats:
        return False
    if only.min_stars is not None and frame.stars < only.min_stars:
        return False
    if only.cameras and not _like(frame.camera, only.cameras):
        return False
    if only.folders and not _like(folder_of(frame).decode("utf-8", "surrogateescape"), only.folders):
        return False
    age_s = (today - frame.captured.local.date()).days * _DAY_S
    if only.older_than_s is not None and age_s < only.older_than_s:
        return False
    return only.younger_than_s is None or age_s < only.younger_than_s


def _like(text: str, patterns: tuple[str, ...]) -> bool:
    folded = text.casefold()
    return any(fnmatchcase(folded, pattern.casefold()) for pattern in patterns)


def depends_on_age(tiers: tuple[Tier, ...]) -> bool:
    """Tell whether any tier's answer changes by the calendar alone."""
    return any(t.only.older_than_s is not None or t.only.younger_than_s is not None for t in tiers)
