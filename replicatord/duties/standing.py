"""What is as it is until somebody sees to it, asked of the ledger once a day, and the figures of a quiet week.

May not write, and may not call anything well that `status` would not: whatever needs a person is named here. What is
`is_pressing` is told each day; the rest only when a week passed without any other message.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Final

from replicatord.duties.coverage import last_coverage
from replicatord.duties.loads import late_loads
from replicatord.duties.places import are_named_apart, counting_places, one_place
from replicatord.duties.rehearsals import read_last
from replicatord.duties.visits import ago_words, find_due, read_since
from replicatord.ledger.bays import Bay
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.loads import LoadState
from replicatord.log.times import path_text
from replicatord.log.words import counted, listed, size_words
from replicatord.model.copies import PlacementState
from replicatord.model.settings import Settings
from replicatord.rules.messages import Standing
from replicatord.rules.telling import Topic

_LOAD_OLD: Final = timedelta(days=8)  # told every day for a week; after that with what else waits
_SPILLED: Final = timedelta(hours=1)  # what a full drive lacks goes to the next of its shelf within moments
_WAITED: Final = timedelta(days=1)  # a drive that is waited for is no news within a day

_LOADS: Final = 5  # as `status` judges
_JUDGED_FILES_MAX: Final = 10_000

Totals = Mapping[tuple[str, PlacementState], tuple[int, int]]


def find_standing(ledger: Ledger, settings: Settings, *, now: datetime) -> list[Standing]:
    """Find all that needs a person, what presses first. `now` is local."""
    bays = {bay.name: bay for bay in ledger.bays.all()}
    totals = ledger.answers.totals()
    found = [
        *_of_settings(ledger),
        *_of_drives(settings, bays, totals, now),
        *_of_visits(ledger, settings, bays, now),
        *_of_loads(ledger, now),
        *_of_judged(ledger, settings, bays),
        *_of_troubles(ledger, settings),
        *_of_sources(ledger, settings),
        *_of_copies(ledger),
        *_of_places(settings, bays),
    ]
    return sorted(found, key=lambda each: not each.is_pressing)


def find_facts(ledger: Ledger, settings: Settings) -> list[str]:
    """Give the figures of a studio in which all is well, a sentence each."""
    totals = ledger.answers.totals()
    files, frames = ledger.answers.files_known()
    facts = [f"{counted(files, 'file')} in {counted(frames, 'frame')} are known."]
    for name in settings.drives:
        held = totals.get((name, PlacementState.HELD), (0, 0))
        facts.append(f"{name}: {counted(held[0], 'file')}, {size_words(held[1])} verified.")
    covered, rehearsal = last_coverage(ledger), read_last(ledger)
    if covered is not None:
        facts.append(covered.text)
    if rehearsal is not None:
        facts.append(f"The last rehearsal: {rehearsal.text}.")
    return facts


def _standing(short: str, text: str, *, is_pressing: bool = True) -> Standing:
    return Standing(short=short, text=text, is_pressing=is_pressing)


def _of_settings(ledger: Ledger) -> Iterator[Standing]:
    if ledger.get_meta("settings_trouble"):
        yield Standing(
            short="the settings file is broken",
            text="The settings file is still broken, and the settings before are in force: `replicatord check-config`.",
            topic=Topic.SETTINGS,
        )
    for source in sorted(ledger.holds.held()):
        yield Standing(
            short=f"the source {source} is held",
            text=f"The source {source} is still held, and nothing of it is replaced. Look at its files; if all is well,"
            f" `replicatord release {source}`.",
            topic=Topic.HOLD,
            subject=source,
        )


def _of_drives(
    settings: Settings, bays: Mapping[str, Bay], totals: Totals, now: datetime
) -> Iterator[Standing]:
    for name, drive in settings.drives.items():
        bay = bays.get(name)
        if bay is None:
            continue
        files, size = totals.get((name, PlacementState.WANTED), (0, 0))
        lacks = f"lacks {counted(files, 'file')}, {size_words(size)}"
        if bay.doubt:
            yield _standing(
                f"{name} is in doubt", f"{name} is in doubt, and its copies count for nothing: {bay.doubt}"
            )
        elif bay.state == "unusable":
            also = f", and {lacks}" if files else ""
            yield _standing(f"{name} cannot be used", f"{name} cannot be used{also}: {bay.reason}")
        elif bay.state == "full" and files and _is_older(bay.changed_at, _SPILLED, now):
            yield _standing(
                f"{name} is full",
                f"{name} is full, and {lacks}. Make room on it, or add a drive: one line in the settings with"
                f" `shelf: {drive.shelf_name}`.",
            )
        elif bay.state == "waiting" and files and _is_older(bay.changed_at, _WAITED, now):
            yield _standing(
                f"{name} is waited for",
                f"{name} has been waited for since yesterday or longer, and {lacks}: {bay.reason}",
            )


def _of_visits(
    ledger: Ledger, settings: Settings, bays: Mapping[str, Bay], now: datetime
) -> Iterator[Standing]:
    since = read_since(ledger)
    for name, drive in settings.drives.items():
        due = find_due(drive, bays.get(name), since=since.get(name, ""), now=now)
        days = None if due is None else due.overdue_days(now)
        if due is not None and days is not None:
            day = f"{due.due_at.astimezone(now.tzinfo):%Y-%m-%d}"
            yield _standing(
                f"the visit of {name} is overdue",
                f"Bring {name} to the studio: its visit was due on {day}, {ago_words(days)}.",
            )


def _of_loads(ledger: Ledger, now: datetime) -> Iterator[Standing]:
    for load in late_loads(ledger, now):
        began = f"{datetime.fromisoformat(load.began_at).astimezone(now.tzinfo):%Y-%m-%d %H:%M}"
        yield _standing(
            f"a load of {load.source} is not cleared",
            f"Load {load.id} of {load.source}, read {began}, {counted(load.files, 'file')}, is NOT cleared after a day:"
            " do not format its card. `replicatord status` says what it lacks.",
            is_pressing=not _is_older(load.last_at, _LOAD_OLD, now),
        )


def _of_troubles(ledger: Ledger, settings: Settings) -> Iterator[Standing]:
    for trouble in ledger.answers.troubles():
        if trouble.bay in settings.drives:
            yield _standing(
                f"files wait for {trouble.bay}",
                f"{counted(trouble.files, 'file')} could not be copied to {trouble.bay}, such as"
                f" {path_text(trouble.path)}: {trouble.trouble}. `replicatord log --problems --drive {trouble.bay}`"
                " tells more.",
            )


def _of_judged(ledger: Ledger, settings: Settings, bays: Mapping[str, Bay]) -> Iterator[Standing]:
    """Look again at the last loads that were called cleared, as `status` does: copies may have gone bad since."""
    judged = 0
    counting = counting_places(settings, bays)
    for load in ledger.loads.latest(_LOADS):
        judged += load.files
        if judged > _JUDGED_FILES_MAX:
            return
        if load.state is not LoadState.CLEARED:
            continue
        verdict = ledger.loads.verdict(load.id, copies=settings.cleared_copies, counting=counting)
        if not verdict.is_cleared:
            yield _standing(
                f"a load of {load.source} is not cleared any more",
                f"Load {load.id} of {load.source} was cleared once and is not now:"
                f" {counted(verdict.short, 'file')} of it with fewer than {settings.cleared_copies} verified copies.",
                is_pressing=False,
            )


def _of_sources(ledger: Ledger, settings: Settings) -> Iterator[Standing]:
    unread = [each for each in ledger.unread.told() if each.source in settings.sources]
    if unread:
        sources = listed(dict.fromkeys(each.source for each in unread))
        yield _standing(
            f"something of {sources} cannot be read",
            f"{counted(len(unread), 'thing')} of {sources} cannot be read, such as {path_text(unread[0].path)}: see"
            " whether you can open it, and format no card that it came from.",
        )


def _of_copies(ledger: Ledger) -> Iterator[Standing]:
    rehearsal = read_last(ledger)
    if rehearsal is not None and rehearsal.failed:
        yield _standing(
            "the last rehearsal failed",
            f"{counted(rehearsal.failed, 'file')} did not come back as they should in the last rehearsal:"
            " `replicatord drill --prove 20` tries again.",
            is_pressing=False,
        )
    aside = ledger.outlook.set_aside()
    if aside:
        yield _standing(
            f"{counted(aside, 'bad copy', 'bad copies')} to look at",
            f"{counted(aside, 'copy', 'copies')} that did not match any more lie in `set-aside/` or `earlier/` of a"
            " drive's hidden folder, for you to look at: `replicatord log --problems` names them.",
            is_pressing=False,
        )


def _of_places(settings: Settings, bays: Mapping[str, Bay]) -> Iterator[Standing]:
    for place, names in one_place(settings, bays).items():
        if place and are_named_apart(names, settings):
            yield _standing(
                f"{listed(names)} are one place",
                f"Mend `disk:` in the settings, which takes nothing apart: {listed(names)} were seen on one disk.",
                is_pressing=False,
            )


def _is_older(at: str, age: timedelta, now: datetime) -> bool:
    """Tell whether an instant lies so far back; one that is still to come was noted while the clock was ahead."""
    return bool(at) and now - datetime.fromisoformat(at) > age
