"""What a demo picture shows: its subject, its light and its seed.

May not draw: values only, so that a card can be planned without Pillow.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum


class Light(Enum):
    """The hour and the weather of a picture."""

    DAWN = "dawn"
    DAY = "day"
    OVERCAST = "overcast"
    DUSK = "dusk"
    NIGHT = "night"


class Subject(Enum):
    """What is in a picture."""

    WADERS = "waders"  # several on a mud bank
    PORTRAIT = "portrait"  # one, close
    FLIGHT = "flight"  # a flock on the wing
    SAIL = "sail"
    MOORING = "mooring"
    SKERRIES = "skerries"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One picture: the same values give the same picture."""

    subject: Subject
    light: Light
    seed: int
