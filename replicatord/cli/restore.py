"""`restore`: brings files back from drives into a folder; without --go it only says what it would do.

May not write to a source, a drive of ours or the ledger, and may not replace a file.
"""

from __future__ import annotations

import calendar
import json
import os
import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final

from replicatord.cli.asking import CommandError, ledger_for_asking
from replicatord.cli.show import What, new_show
from replicatord.cli.words import counted, shown, shown_path, size_words
from replicatord.config.problem import nearest_of
from replicatord.copying.bag import PAYLOAD, check_names, check_new, close_bag, names_alike
from replicatord.copying.files import EARLIER
from replicatord.copying.restoring import Outcome, Restored, Restorer
from replicatord.ledger.copies import DrivePlace
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.restoring import Wanted
from replicatord.log.times import path_fields
from replicatord.log.words import listed
from replicatord.media.digests import new_hasher
from replicatord.media.names import split_stem
from replicatord.model.copies import CopyState
from replicatord.model.settings import Settings
from replicatord.rules.paths import SUFFIX_HEX_DIGITS, suffixed

_MONTH: Final = re.compile(r"(\d{4})-(\d{2})", re.ASCII)
_DIGEST: Final = re.compile(r"[0-9a-fA-F]{8,64}", re.ASCII)
_DIGEST_DIGITS: Final = 64
_EXAMPLES: Final = 10
# What these hold is, or may be, what it should be: whatever comes back is compared with its digest.
_GOOD: Final = (
    *(CopyState.VERIFIED, CopyState.EARLIER),
    *(CopyState.UNPROVED, CopyState.UNPROVED_EARLIER),
)
_FILES: Final = What(one="file", many="files", none="nothing to restore")


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person wants back, and where to."""

    what: Sequence[str]
    target: str
    months: Sequence[str] = ()
    trips: Sequence[str] = ()
    loads: Sequence[int] = ()
    drives: Sequence[str] = ()  # all that they hold, or held
    is_all: bool = False
    is_earlier: bool = False  # what was replaced since, in place of what is in use
    is_to_go: bool = False
    is_bag: bool = False  # the folder becomes a BagIt bag


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One file, the places that are here, and the drives to fetch when none is."""

    wanted: Wanted
    places: tuple[tuple[DrivePlace, str], ...]  # with the identities of the drives
    to_fetch: tuple[str, ...]
    in_sources: tuple[tuple[str, bytes], ...] = ()  # where it was read first, if that will do as well


def restore(settings: Settings, asked: Asked, *, as_json: bool) -> int:
    """Say what would be brought back, or do it; give 0 when all of it can be or was, else 1.

    Raises CommandError, LedgerError.
    """
    target = target_of(settings, asked.target)
    if asked.is_bag:
        check_new(target)
    with ledger_for_asking(settings) as ledger:
        find = _earlier if asked.is_earlier else _wanted
        wanted = apart(dict.fromkeys(find(ledger, settings, asked)))
        identities = {bay.name: bay.identity for bay in ledger.bays.all()}
        jobs = [job_of(ledger, settings, each, identities) for each in wanted]
    if not jobs:
        if not any((asked.what, asked.months, asked.trips, asked.loads, asked.drives, asked.is_all)):
            raise CommandError(
                "say what to bring back: a path, a digest, --month, --trip, --load, --lost or --all"
            )
        what = "no earlier version" if asked.is_earlier else "nothing that has a verified copy"
        raise CommandError(f"{what} goes by that; `replicatord where` finds a file by its name")
    if asked.is_bag:
        check_names(job.wanted.path for job in jobs)
    place = os.path.join(target, PAYLOAD) if asked.is_bag else target
    done = bring(settings, place, jobs, as_json=as_json) if asked.is_to_go else None
    bagged = _bag(settings, target, done) if asked.is_bag and done is not None else None
    if as_json:
        print(json.dumps({**fields_of(jobs, done), **({} if bagged is None else {"bagged": bagged})}))
    else:
        for line in result_lines(jobs, done, place):
            print(shown(line))
        if asked.is_bag:
            print(shown(_bag_words(target, jobs, bagged)))
    if done is None:
        return 1 if any(not job.places for job in jobs) else 0
    return 1 if any(each.outcome in (Outcome.FAILED, Outcome.OTHER_THERE) for each in done) else 0


def _bag(settings: Settings, target: str, done: Sequence[Restored]) -> int:
    """Close the bag if all is in it; give how many files it has, 0 when it is not closed. Raises CommandError."""
    if any(each.outcome in (Outcome.FAILED, Outcome.OTHER_THERE) for each in done):
        return 0
    try:
        return close_bag(
            target,
            {each.wanted.path: each.wanted.digest for each in done},
            new_hasher(settings.digest),
            organization=settings.studio,
            today=datetime.now().astimezone().date(),
        )
    except OSError as exc:
        raise CommandError(f"{target}: {exc.strerror}; run it again to go on") from exc


def _bag_words(target: str, jobs: Sequence[Job], bagged: int | None) -> str:
    alike = names_alike([job.wanted.path for job in jobs])
    warning = (
        f" {counted(len(alike), 'name')} differ in case or accents alone, such as {shown_path(alike[0])}: not every"
        " system keeps such files apart."
        if alike
        else ""
    )
    if bagged is None:
        return f"{target} would become a BagIt bag (RFC 8493).{warning}"
    if not bagged:
        return (
            f"{target} is NOT a bag yet: not all is in it. Fetch what is missing and run it again.{warning}"
        )
    return f"{target} is a BagIt bag (RFC 8493) of {counted(bagged, 'file')}.{warning}"


def target_of(settings: Settings, target: str) -> str:
    """Give the folder to bring files into, whole. Raises CommandError when it will not do."""
    root = os.path.realpath(target)
    if not os.path.isdir(root):
        raise CommandError(f"{target} is no folder; make it first")
    places = [(f"the source {s.name}", s.folder) for s in settings.sources.values() if s.folder]
    places += [(f"the drive {d.name}", d.root) for d in settings.drives.values()]
    for what, folder in places:
        real = os.path.realpath(folder)
        if os.path.commonpath((real, root)) in (real, root):
            raise CommandError(f"{target} and {what} ({folder}) share a folder; name one apart from it")
    return root


# ---- what is wanted ----


def _wanted(
    ledger: Ledger, settings: Settings, asked: Asked, *, is_lenient: bool = False
) -> Iterator[Wanted]:
    if asked.is_all:
        yield from ledger.restoring.all()
    for month in asked.months:
        yield from ledger.restoring.of_days(*_days(month))
    for name in asked.trips:
        trip = next((trip for trip in settings.trips if trip.name.casefold() == name.casefold()), None)
        if trip is None:
            raise CommandError(
                f"the settings have no trip {name!r}{_hint(name, [t.name for t in settings.trips])}"
            )
        yield from ledger.restoring.of_days(trip.first, trip.last)
    for load in asked.loads:
        yield from ledger.restoring.of_load(load)
    for drive in asked.drives:
        found = ledger.restoring.of_drive(drive)
        if not found:
            raise CommandError(f"nothing is known of a drive {drive!r}{_hint(drive, list(settings.drives))}")
        yield from found
    for what in asked.what:
        yield from _by_words(ledger, settings, what, is_lenient=is_lenient)


def _earlier(ledger: Ledger, settings: Settings, asked: Asked) -> Iterator[Wanted]:
    """Find the earlier versions of what is asked for; each comes back in a folder of the instant it was replaced.

    By its name or the path that it had, or by that of what took its place, on a drive or in its source: what a picture
    was may have been filed under another month. One version that several drives kept counts once.
    """
    below = [
        (drive.name, path)
        for what in asked.what
        for drive in settings.drives.values()
        for path in _below(what, drive.root, drive.name)
    ]
    digests = tuple(what.lower() for what in asked.what if _DIGEST.fullmatch(what))
    now = [] if asked.is_all else list(_wanted(ledger, settings, asked, is_lenient=True))
    paths = {wanted.path for wanted in now}
    paths |= {path for wanted in now for _, path in ledger.restoring.in_sources(wanted.content)}
    tops = [os.fsencode(what.strip("/")) or b"/" for what in asked.what]
    names = {spelt for what in asked.what if "/" not in what for spelt in _spellings(what)}
    seen: set[tuple[int, bytes]] = set()
    for drive, version in ledger.restoring.earlier():
        stamped = version.path[len(EARLIER) + 1 :]
        path = stamped.partition(b"/")[2]
        is_asked = (
            asked.is_all
            or any(end in paths or any(_is_in(end, top) for top in tops) for end in _ends(path))
            or not names.isdisjoint((os.path.basename(path), split_stem(os.path.basename(path))[0]))
            or any(drive == name and _is_in(path, top) for name, top in below)
            or version.digest.hex().startswith(digests or ("-",))
        )
        if is_asked and (version.content, path) not in seen:
            seen.add((version.content, path))
            yield replace(version, path=stamped)


def _ends(path: bytes) -> Iterator[bytes]:
    """Give a path, and what is left of it without its first folders."""
    parts = path.split(b"/")
    return (b"/".join(parts[start:]) for start in range(len(parts)))


def _spellings(name: str) -> Iterable[bytes]:
    """Spell a name as given, in capitals as cameras write, and in small letters."""
    return (os.fsencode(spelt) for spelt in dict.fromkeys((name, name.upper(), name.lower())))


def apart(found: Iterable[Wanted]) -> list[Wanted]:
    """Give each content a path of its own: of several with one path, all but the first get digits of their digests.

    Drives may differ in what they have at a path, as when one of them was away while a file changed.
    """
    wanted = list(found)
    taken = {each.path: each for each in reversed(wanted)}  # whose own path it is: the first one's
    for number, each in enumerate(wanted):
        if taken[each.path] is not each:
            path = next(path for path in _paths_beside(each) if path not in taken)
            wanted[number] = taken[path] = replace(each, path=path)
    return wanted


def _paths_beside(wanted: Wanted) -> Iterator[bytes]:
    folder, name = os.path.split(wanted.path)
    stem, ext = split_stem(name)
    for hex_digits in SUFFIX_HEX_DIGITS:
        other = suffixed(stem, wanted.digest, hex_digits=hex_digits, longest_ext=len(ext))
        yield os.path.join(folder, other + (b"." + ext if ext else b""))


def _is_in(path: bytes, top: bytes) -> bool:
    return not top or path == top or path.startswith(top + b"/")


def _by_words(ledger: Ledger, settings: Settings, what: str, *, is_lenient: bool) -> list[Wanted]:
    """Find by a path in a source or on a drive, whole or with their names first or not, else by a name or a digest.

    Raises CommandError when nothing is found, unless `is_lenient`.
    """
    found: list[Wanted] = []
    for source in settings.sources.values():
        for path in _below(what, source.folder, source.name):
            found += ledger.restoring.of_source(source.name, path)
    for drive in settings.drives.values():
        for path in _below(what, drive.root, drive.name):
            found += ledger.restoring.on_drive(drive.name, path)
    for spelt in () if "/" in what else _spellings(what):
        found = found or ledger.restoring.of_name(spelt)
    if not found and "/" in what:
        path = os.fsencode(what.strip("/")) or b"/"  # which nothing has
        found = [each for name in settings.sources for each in ledger.restoring.of_source(name, path)]
        found += [each for name in settings.drives for each in ledger.restoring.on_drive(name, path)]
    if not found and _DIGEST.fullmatch(what):
        start, end = (bytes.fromhex(what.ljust(_DIGEST_DIGITS, digit)) for digit in "0f")
        found = ledger.restoring.of_digest(start, end)
    if not found and not is_lenient:
        raise CommandError(
            f"no verified copy is known of {what!r}, but for earlier versions perhaps: see --earlier; name a file or"
            " folder in a source or on a drive, as cards/2026-01-28 or curlew/2026/01, a file or a frame by its name,"
            " or a digest"
        )
    return found


def _below(what: str, root: str, name: str) -> Iterator[bytes]:
    for base in dict.fromkeys((root, os.path.realpath(root) if root else "", name)):
        if base and (what.rstrip("/") == base or what.startswith(base.rstrip("/") + "/")):
            yield os.fsencode(what.rstrip("/")[len(base.rstrip("/")) :].lstrip("/"))
            return


def _days(month: str) -> tuple[date, date]:
    match = _MONTH.fullmatch(month)
    try:
        first = date(int(match[1]), int(match[2]), 1) if match else None
    except ValueError:
        first = None
    if first is None:
        raise CommandError(f"--month {month!r} is no month; write it as 2026-01")
    return first, first.replace(day=calendar.monthrange(first.year, first.month)[1])


def _hint(word: str, known: list[str]) -> str:
    nearest = nearest_of(word, known)
    return f"; did you mean {nearest}?" if nearest else f", only {listed(known)}" if known else ""


def job_of(ledger: Ledger, settings: Settings, wanted: Wanted, identities: Mapping[str, str]) -> Job:
    """Give from where a file can be brought, and which drives to fetch when none is here."""
    here = [
        place
        for place in ledger.copies.drive_places(wanted.content, besides="")
        if place.bay in settings.drives
    ]
    known = {copy.bay for copy in ledger.answers.copies_of(wanted.content) if copy.state in _GOOD}
    away = sorted(known, key=lambda name: (name not in settings.drives, _is_away(settings, name), name))
    return Job(
        wanted=wanted,
        places=tuple((place, identities[place.bay]) for place in here),
        to_fetch=() if here else tuple(away),
    )


def _is_away(settings: Settings, name: str) -> bool:
    drive = settings.drives.get(name)
    return drive is not None and drive.is_away


# ---- doing it ----


def bring(settings: Settings, target: str, jobs: Sequence[Job], *, as_json: bool) -> list[Restored]:
    """Bring all of it, and give how each file went. Raises CommandError."""
    total = sum(job.wanted.size_bytes for job in jobs)
    done: list[Restored] = []
    is_there = 0, 0  # files and bytes that are proved
    try:
        restorer = Restorer(settings, target, new_hasher(settings.digest))
        try:
            with new_show(_FILES) as show:
                for job in jobs:
                    done.append(restorer.restore(job.wanted, job.places, in_sources=job.in_sources))
                    if done[-1].outcome in (Outcome.RESTORED, Outcome.THERE):
                        is_there = is_there[0] + 1, is_there[1] + job.wanted.size_bytes
                    if not as_json:
                        show.progress(*is_there, len(jobs), total, "there and proved")
        finally:
            restorer.close()
    except OSError as exc:
        raise CommandError(
            f"{target}: {exc.strerror}, after {counted(len(done), 'file')}; run it again to go on"
        ) from exc
    return done


# ---- for a person ----


def result_lines(jobs: Sequence[Job], done: Sequence[Restored] | None, target: str) -> Iterator[str]:
    """Say what would be brought, or how that went."""
    if done is None:
        yield from _plan_lines(jobs, target)
        return
    outcomes = Counter(each.outcome for each in done)
    yield f"{target}: {counted(outcomes[Outcome.RESTORED], 'file')} restored and read back" + (
        f", {counted(outcomes[Outcome.THERE], 'file')} there already." if outcomes[Outcome.THERE] else "."
    )
    for outcome in (Outcome.OTHER_THERE, Outcome.FAILED):
        some = [each for each in done if each.outcome is outcome]
        if some:
            yield f"PROBLEM: {counted(len(some), 'file')}: {outcome.value}:"
            yield from (
                f"  {shown_path(each.wanted.path)}{f' ({each.why})' if each.why else ''}"
                for each in some[:_EXAMPLES]
            )
            if len(some) > _EXAMPLES:
                yield f"  and {len(some) - _EXAMPLES:,} more; --json names them all"


def _plan_lines(jobs: Sequence[Job], target: str) -> Iterator[str]:
    here = [job for job in jobs if job.places]
    size = sum(job.wanted.size_bytes for job in here)
    yield f"{counted(len(here), 'file')}, {size_words(size)}, can be brought back to {target} now, from drives here:"
    for name, count in sorted(Counter(job.places[0][0].bay for job in here).items()):
        yield f"  {name}: {counted(count, 'file')}"
    lost = [job for job in jobs if not job.places and not job.to_fetch]
    if lost:
        yield f"PROBLEM: of {counted(len(lost), 'file')} no good copy is known anywhere:"
        yield from (f"  {shown_path(job.wanted.path)}" for job in lost[:_EXAMPLES])
        if len(lost) > _EXAMPLES:
            yield f"  and {len(lost) - _EXAMPLES:,} more; --json names them all"
    rest = [job for job in jobs if not job.places and job.to_fetch]
    if rest:
        yield f"PROBLEM: {counted(len(rest), 'file')} lie on no drive that is here. Fetch:"
        for names, count in Counter(job.to_fetch for job in rest).most_common():
            yield f"  {' or '.join(names)}: {counted(count, 'file')}"
    yield "Nothing was restored. The same with --go does it; nothing that is there is replaced."


# ---- for a script ----


def fields_of(jobs: Sequence[Job], done: Sequence[Restored] | None) -> dict[str, object]:
    """Give it as JSON has it."""
    outcomes = None if done is None else [(each.outcome.name.lower(), each.why) for each in done]
    return {
        "files": [
            {
                **path_fields("path", job.wanted.path),
                "bytes": job.wanted.size_bytes,
                "digest": job.wanted.digest.hex(),
                "from": [place.bay for place, _ in job.places],
                "fetch": list(job.to_fetch),
                **({} if outcomes is None else dict(zip(("outcome", "why"), outcomes[number], strict=True))),
            }
            for number, job in enumerate(jobs)
        ],
        "restored": None if outcomes is None else sum(outcome == "restored" for outcome, _ in outcomes),
    }
