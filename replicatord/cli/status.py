"""`status`: says how things are, for a person at midnight, and what needs that person.

May not write, and may not say that all is well when something was not looked at: what is
not verified is shown with its reason, and the exit status is not 0 (promise I10).
"""

from __future__ import annotations

import json
from datetime import datetime

from replicatord.cli.asking import ledger_for_asking
from replicatord.cli.status_coverage import coverage_fields, month_lines
from replicatord.cli.status_fields import fields_of
from replicatord.cli.status_words import lines_of
from replicatord.cli.words import shown
from replicatord.duties.coverage import read_coverage
from replicatord.duties.status_facts import read_status
from replicatord.duties.status_needs import needs_of
from replicatord.ledger.lock import find_running
from replicatord.model.settings import Settings


def show_status(settings: Settings, *, is_verbose: bool, as_json: bool) -> int:
    """Print how things are; give 1 when something needs a person, else 0. Raises LedgerError."""
    running = find_running(settings.ledger)
    now = datetime.now().astimezone()
    with ledger_for_asking(settings) as ledger:
        status = read_status(ledger, settings, running=running, now=now, has_coverage=is_verbose)
    needs = needs_of(status, settings)
    if as_json:
        print(json.dumps(fields_of(status, settings, needs)))
    else:
        for line in lines_of(status, settings, needs, is_verbose=is_verbose):
            print(shown(line))
    return 1 if needs else 0


def show_months(settings: Settings, *, is_verbose: bool, as_json: bool) -> int:
    """Print the months for which the 3-2-1 rule does not hold; `is_verbose`: all of them.

    Gives 1 when there are any, else 0. Raises LedgerError.
    """
    with ledger_for_asking(settings) as ledger:
        bays = {bay.name: bay for bay in ledger.bays.all()}
        covered = read_coverage(ledger, settings, bays)
    if as_json:
        print(json.dumps(coverage_fields(covered)))
    else:
        for line in month_lines(covered, is_verbose=is_verbose):
            print(shown(line))
    return 1 if covered.total.most else 0
