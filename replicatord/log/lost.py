"""Was there a ledger where there is none? The replication log beside it tells.

May not begin or look for one.
"""

from __future__ import annotations

import os

from replicatord.errors import LedgerError
from replicatord.log.files import log_files


def refuse_lost(ledger: str, log: str) -> None:
    """Refuse to go on as if there had been no ledger: what it knew is on the drives (I12). Raises LedgerError."""
    # One without a byte was cut short: SQLite would take it for a new one.
    is_there = os.path.exists(ledger) and os.path.getsize(ledger) > 0
    if is_there or not any(os.path.getsize(file) for file in log_files(log)):
        return
    raise LedgerError(
        f"there is no ledger at {ledger}, and the log at {log} tells that there was one. If it was moved, put it back."
        " Else `replicatord rebuild` puts the spare copy that the drives carry in its place. To begin anew all the same,"
        " move the log away first"
    )
