"""Releases a source that was held, when a person said that its many changes are meant.

May not release one by itself.
"""

from __future__ import annotations

from typing import Final

from replicatord.copying.context import Context
from replicatord.ledger.ledger import Ledger

RELEASE: Final = "release"  # the name of the request to a running service


def release(ledger: Ledger, context: Context, source: str) -> None:
    """Release a source and tell it. Needs a transaction of its caller."""
    if ledger.holds.release(source):
        context.say(ledger, "source_released", {"source": source})
