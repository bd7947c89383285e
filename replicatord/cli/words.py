"""The words that commands say to a person, from where all of them stand: `replicatord.log.words`.

May not print.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from replicatord.config.units import clock_words
from replicatord.log.words import counted as counted  # noqa: PLC0414  commands find all words here
from replicatord.log.words import instant_words as instant_words  # noqa: PLC0414
from replicatord.log.words import local_time as local_time  # noqa: PLC0414
from replicatord.log.words import shown as shown  # noqa: PLC0414
from replicatord.log.words import shown_path as shown_path  # noqa: PLC0414
from replicatord.log.words import size_words as size_words  # noqa: PLC0414
from replicatord.log.words import source_words as source_words  # noqa: PLC0414
from replicatord.log.words import span_words as span_words  # noqa: PLC0414
from replicatord.model.settings import Settings
from replicatord.rules.hours import is_within


def quiet_lines(settings: Settings, now: datetime) -> Iterator[str]:
    """Say until when the service leaves drives alone, if it does so now."""
    hours = settings.quiet_hours
    if hours is not None and is_within(hours, now):
        yield f"Quiet hours: drives are left alone until {clock_words(hours[1])}."
