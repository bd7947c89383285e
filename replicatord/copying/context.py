"""What every lane shares: the settings in force, the ledger's desk, the clocks, the wish to stop.

May not hold anything that belongs to one drive.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from replicatord.copying.streams import Streams
from replicatord.drives.brought import Brought
from replicatord.drives.one_core import OneCore
from replicatord.drives.standing_back import Ear
from replicatord.drives.twins import Twins
from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import offset_text, utc_text
from replicatord.model.settings import Settings, Source
from replicatord.rules.memory import chunk_bytes
from replicatord.rules.telling import news_of


@dataclass(slots=True, kw_only=True)
class Context:
    """The surroundings of the parts that act. `settings` is replaced as a whole when the file changes."""

    settings: Settings
    desk: LedgerDesk
    now: Callable[[], datetime]  # aware, in the studio's zone; never decides about safety (I14)
    monotonic: Callable[[], float]  # seconds; for all intervals
    look_again: Callable[[str, bytes], None]  # a file of a source is not what it was: (source, path)
    is_looking: Callable[[], bool] = lambda: (
        False
    )  # sources are looked through, or their frames planned, just now
    wake: Callable[[Mapping[str, int]], None] = lambda _: None  # lanes that got bytes of new work
    ring: Callable[[], None] = lambda: None  # something waits to be told to a person
    twins: Twins = field(default_factory=Twins)
    # The cards that are mounted now, by name; replaced as a whole, by the ledger's thread alone.
    cards: Mapping[str, Source] = field(default_factory=dict)
    stop: threading.Event = field(default_factory=threading.Event)
    is_quiet: Callable[[], bool] = lambda: False  # quiet hours: drives are left alone
    at_rest: Callable[[], None] = lambda: None  # a lane has nothing more to do
    brought: Brought = field(default_factory=lambda: Brought(limit_bytes=0))
    streams: Streams = field(default_factory=Streams)
    ear: Ear = field(default_factory=Ear)
    one_core: OneCore = field(default_factory=OneCore)

    def chunk_bytes(self) -> int:
        """Give the size of a buffer, as the settings in force allow."""
        settings = self.settings
        return chunk_bytes(settings.memory_bytes, drives=len(settings.drives), sources=len(settings.sources))

    def find_source(self, name: str) -> Source | None:
        """Find a place that files are read from: a folder of the settings, or a card while it is mounted."""
        source = self.settings.sources.get(name)
        if source is not None:
            return source if source.folder else None  # a pattern of cards is no place itself
        return self.cards.get(name)

    def at(self) -> str:
        """Give this instant as the ledger and the log write it."""
        return utc_text(self.now())

    def line(self, event: str, fields: Mapping[str, object]) -> dict[str, object]:
        """Make a line for a log that no ledger feeds any more."""
        moment = self.now()
        return {"at": utc_text(moment), "event": event, "offset": offset_text(moment), **fields}

    def say(self, ledger: Ledger, event: str, fields: Mapping[str, object]) -> None:
        """Decide a line of the replication log, and whether a person is told of it, inside a transaction."""
        self.say_all(ledger, event, [fields])

    def say_all(self, ledger: Ledger, event: str, lines: Iterable[Mapping[str, object]]) -> None:
        """Decide lines that tell the same of many things, as `say` does."""
        moment = self.now()
        at, offset = utc_text(moment), offset_text(moment)
        told = [{"offset": offset, **fields} for fields in lines]
        ledger.lines.add_all(event, at=at, lines=told)
        if self.settings.tell is None:
            return
        for fields in told:
            news = news_of(event, fields)
            if news is not None:
                ledger.telling.add(news, at=at)
                self.ring()
