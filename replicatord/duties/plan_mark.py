"""By what was all planned last, and is all seen? A mark of what decides about placements but the frames themselves.

May not plan.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from datetime import date, tzinfo
from typing import Final

from replicatord.model.settings import Settings
from replicatord.rules.tiers import depends_on_age

LOOKED: Final = (
    "looked"  # in the ledger's meta: "1" once the service that runs has looked through all sources
)
PLANNED_FOR: Final = "planned_for"  # in the ledger's meta: the mark of what all pictures were last planned by


def plan_mark(settings: Settings, *, zone: tzinfo, today: date) -> str:
    """Give the mark of some settings, in a zone; of a day too, where a tier asks for an age."""
    tiers = [asdict(tier) for tier in settings.tiers.values()]
    trips = [asdict(trip) for trip in settings.trips]
    parts: list[object] = [tiers, trips, settings.shelves, str(zone)]
    if depends_on_age(tuple(settings.tiers.values())):
        parts.append(today.isoformat())
    text = json.dumps(parts, default=lambda v: sorted(map(str, v)) if isinstance(v, frozenset) else str(v))
    return hashlib.sha256(text.encode()).hexdigest()
