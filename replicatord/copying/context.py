"""What every lane shares: the settings in force, the ledger's desk, the clocks, the wish to stop.

May not hold anything that belongs to one drive.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from replicatord.ledger.desk import LedgerDesk
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import offset_text, utc_text
from replicatord.model.settings import Settings


@dataclass(slots=True, kw_only=True)
class Context:
    """The surroundings of the parts that act. `settings` is replaced as a whole when the file changes."""

    settings: Settings
    desk: LedgerDesk
    now: Callable[[], datetime]  # aware, in the studio's zone; never decides about safety (I14)
    monotonic: Callable[[], float]  # seconds; for all intervals
    look_again: Callable[[str, bytes], None]  # a file of a source is not what it was: (source, path)
    stop: threading.Event = field(default_factory=threading.Event)

    def at(self) -> str:
        """Give this instant as the ledger and the log write it."""
        return utc_text(self.now())

    def say(self, ledger: Ledger, event: str, fields: Mapping[str, object]) -> None:
        """Decide a line of the replication log, inside a transaction."""
        moment = self.now()
        ledger.lines.add(event, at=utc_text(moment), fields={"offset": offset_text(moment), **fields})
