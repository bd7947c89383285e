"""Plans all pictures again when what decides about them is not what it was: settings, or the day.

May not copy: what planning asks for is the lanes' work. Works in batches, so that lanes and commands get their
turn, and begins anew when the settings change under it.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import tzinfo

from replicatord.copying.context import Context
from replicatord.duties.costs import cost_text, costs_of
from replicatord.duties.plan_mark import PLANNED_FOR, plan_mark
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.replan import BATCH_PICTURES, Replanned, replan


@dataclass(slots=True)
class _Sum:
    """What one run over all pictures changed."""

    unasked: int = 0
    new_files: Counter[str] = field(default_factory=Counter)
    new_bytes: Counter[str] = field(default_factory=Counter)

    def add(self, planned: Replanned) -> None:
        self.unasked += len(planned.unasked)
        self.new_files.update(planned.new_files)
        self.new_bytes.update(planned.new_bytes)


class Planner(threading.Thread):
    """The thread that plans everything again."""

    def __init__(self, context: Context, *, zone: tzinfo) -> None:
        super().__init__(name="planner", daemon=True)
        self._context, self._zone = context, zone
        self._asked = threading.Condition()
        self._is_asked = True
        self._is_idle = False
        self.failure: BaseException | None = None

    def ask(self) -> None:
        """Have it look whether anything changed that decides about pictures; returns at once."""
        with self._asked:
            self._is_asked = True
            self._asked.notify_all()

    def is_idle(self) -> bool:
        """Tell whether all is planned by the settings that are in force."""
        with self._asked:
            return (self._is_idle and not self._is_asked) or not self.is_alive()

    def run(self) -> None:
        """Plan whenever it was asked and something changed, until the service stops."""
        try:
            while not self._context.stop.is_set():
                self._wait()
                self._plan_if_changed()
        except BaseException as exc:  # noqa: BLE001  its death must be seen by the service, whatever it was
            self.failure = exc

    def _wait(self) -> None:
        with self._asked:
            self._is_idle = not self._is_asked
            self._asked.wait_for(lambda: self._is_asked or self._context.stop.is_set())
            self._is_asked = self._is_idle = False

    def _plan_if_changed(self) -> None:
        mark = self._mark()
        if self._context.desk.look(lambda l: l.get_meta(PLANNED_FOR)) == mark:
            return
        # From the first step on the ledger is planned by no settings as a whole: if these are taken back
        # before the last one, all is to be planned again.
        self._context.desk.ask(lambda l: l.set_meta(PLANNED_FOR, ""))
        after, so_far = 0, _Sum()
        while not self._context.stop.is_set() and not self._is_asked_again():
            pictures, planned = self._context.desk.ask(self._step(after))
            so_far.add(planned)
            self._context.wake(planned.new_bytes)
            if not pictures:
                if self._mark() == mark:
                    self._context.desk.ask(lambda l: self._note_planned(l, mark, so_far))
                else:  # a day, or other settings, began meanwhile
                    self.ask()
                return
            after = pictures[-1]

    def _mark(self) -> str:
        today = self._context.now().date()
        return plan_mark(self._context.settings, zone=self._zone, today=today)

    def _is_asked_again(self) -> bool:
        with self._asked:
            return self._is_asked

    def _step(self, after: int) -> Callable[[Ledger], tuple[list[int], Replanned]]:
        def step(ledger: Ledger) -> tuple[list[int], Replanned]:
            pictures = ledger.seen.pictures_after(after, limit=BATCH_PICTURES)
            settings, today = self._context.settings, self._context.now().date()
            return pictures, replan(ledger, pictures, settings=settings, today=today, zone=self._zone)

        return step

    def _note_planned(self, ledger: Ledger, mark: str, so_far: _Sum) -> None:
        """Note that all is planned by these settings, and tell what that costs."""
        ledger.set_meta(PLANNED_FOR, mark)
        unasked = so_far.unasked
        if unasked:
            reason = "the settings no longer ask for them; the copies are kept"
            self._context.say(ledger, "copies_no_longer_asked_for", {"files": unasked, "reason": reason})
        costs = costs_of(so_far.new_files, so_far.new_bytes, ledger.bays.all())
        if costs:
            text = cost_text(costs, unasked=unasked)
            fields = {"costs": [cost.fields() for cost in costs], "text": text}
            self._context.say(ledger, "settings_cost", fields)
