"""One pass: look at everything, copy and prove all that can be, end.

May not watch or wait for what is not here: that is the service's.
"""

from __future__ import annotations

from typing import Protocol

from replicatord.duties.coverage import reckon_coverage
from replicatord.duties.loads import LoadTeller
from replicatord.duties.outlook import reckon_outlook
from replicatord.duties.places import PlaceTeller
from replicatord.model.settings import Settings
from replicatord.studio import Studio
from replicatord.watching.taking import end_loads


class Show(Protocol):
    """Where one pass shows how far it is."""

    def line(self, text: str) -> None:
        """Show a line of text."""

    def progress(
        self, done_files: int, done_bytes: int, total_files: int, total_bytes: int, note: str
    ) -> None:
        """Show how many copies of how many are made and proved."""


def run_once(settings: Settings, show: Show) -> int:
    """Make one pass: look at everything, copy and prove all that can be; give the exit status.

    0 when all that can be done is done, 1 when copies are in trouble. Raises AppError.
    """
    studio = Studio(settings)
    try:
        studio.start()
        while not studio.is_quiet():
            studio.tell_untold()
            studio.looker.wait_idle(0.2)
            studio.cards.keep(is_changed=False)
            for lane in studio.lanes.values():
                lane.wait_idle(0.05)
            _show_progress(studio, show)
            failure = studio.find_failure()
            if failure:
                show.line(f"PROBLEM: {failure}")
                return 1
        studio.tell_untold()
        failure = studio.wait_quiet()
        if failure:
            show.line(f"PROBLEM: {failure}")
            return 1
        for source in settings.sources.values():
            if source.folder:
                _end_loads_now(studio, source.name)
        studio.desk.ask(PlaceTeller(studio.context).tell)
        loads = LoadTeller(studio.context)
        while not studio.desk.ask(lambda l: loads.tell(l, busy=frozenset())):
            continue
        _show_progress(studio, show)
        reckon_coverage(studio.context)
        reckon_outlook(studio.context)
        return _show_end(studio, show)
    finally:
        studio.stop()


def _end_loads_now(studio: Studio, source: str) -> None:
    studio.desk.ask(lambda l: end_loads(l, source))


def _show_progress(studio: Studio, show: Show) -> None:
    tallies = studio.desk.look(lambda l: l.answers.tallies())
    here = {name for name, lane in studio.lanes.items() if lane.progress.is_here}
    left = [t for t in tallies if t.state.value == 0 and t.bay in here]
    done = [lane.progress for lane in studio.lanes.values()]
    done_files, done_bytes = sum(p.files for p in done), sum(p.size_bytes for p in done)
    show.progress(
        done_files,
        done_bytes,
        done_files + sum(t.files for t in left),
        done_bytes + sum(t.size_bytes for t in left),
        "copied and proved",
    )


def _show_end(studio: Studio, show: Show) -> int:
    """Say what is left undone and why; give the exit status."""
    bays = studio.desk.look(lambda l: l.bays.all())
    troubles = studio.desk.look(lambda l: l.answers.troubles())
    for bay in bays:
        if bay.name in studio.context.settings.drives and bay.state != "here":
            show.line(f"{bay.name}: {bay.state}: {bay.reason}")
    for trouble in troubles:
        where = trouble.path.decode("utf-8", "backslashreplace")
        show.line(f"PROBLEM: {trouble.bay}: {trouble.files} not copied, such as {where}: {trouble.trouble}")
    return 1 if troubles else 0
