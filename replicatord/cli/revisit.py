"""`revisit`: which old month to look through, what somebody found there worth another look, and bringing that back.

May not write to a source, a drive of ours or the ledger, and may not replace a file.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime

from replicatord.cli.asking import ledger_for_asking
from replicatord.cli.page import address_of, is_served
from replicatord.cli.restore import Job, apart, bring, fields_of, job_of, result_lines, target_of
from replicatord.cli.words import counted, shown, shown_path, source_words
from replicatord.copying.restoring import Outcome, Restored
from replicatord.duties.revisit import Asking, Proposal, count_months, propose_month
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.sheets import SheetCell
from replicatord.log.times import path_fields
from replicatord.model.copies import CopyState
from replicatord.model.settings import Settings
from replicatord.watching.walk import joined


def show_proposal(settings: Settings, *, as_json: bool) -> int:
    """Say which month waits longest, and where to look through it. Gives 0. Raises LedgerError."""
    today = datetime.now().astimezone().date()
    with ledger_for_asking(settings) as ledger:
        look = Asking(ledger)
        frames = count_months(look, settings.trips)
        proposal = propose_month(look, frames, settings.trips, today=today)
        marked = len(ledger.sheets.marked())
    if as_json:
        print(json.dumps(_proposal_fields(proposal, settings, marked)))
    else:
        for line in _proposal_lines(proposal, settings, marked):
            print(shown(line))
    return 0


def _proposal_lines(proposal: Proposal | None, settings: Settings, marked: int) -> Iterator[str]:
    if proposal is None:
        yield "No month waits to be looked through: there is none yet but the one that is running."
    else:
        yield f"Look through {proposal.name}: {proposal.words}."
        address = address_of(settings)
        if address is None:
            yield "The settings serve no page to do that on (`page:`)."
        elif is_served(settings):
            yield f"  {address}/month/{proposal.month}"
        else:
            yield f"  {address}/month/{proposal.month}, once the service runs (`replicatord run`)"
    if marked:
        yield (
            f"{counted(marked, 'frame')} {'is' if marked == 1 else 'are'} worth another look (`revisit --list`);"
            " `revisit --bring FOLDER` brings the originals."
        )


def _proposal_fields(proposal: Proposal | None, settings: Settings, marked: int) -> Mapping[str, object]:
    address = address_of(settings)
    month = None if proposal is None else proposal.month
    look = None if proposal is None else proposal.look
    return {
        "month": month,
        "frames": 0 if proposal is None else proposal.frames,
        "looked_at": 0 if proposal is None else proposal.seen,
        "last_through_at": (look.through_at if look is not None else "") or None,
        "address": f"{address}/month/{month}" if address and month else None,
        "marked": marked,
    }


# ---- what is worth another look ----


def show_marked(settings: Settings, *, as_json: bool) -> int:
    """Print the frames that somebody found worth another look, and which drives have them. Gives 0."""
    with ledger_for_asking(settings) as ledger:
        frames = ledger.sheets.marked()
        cells = _cells(ledger, frames)
        told = [(cell, _drives_with(ledger, cell)) for cell in cells]
    if as_json:
        fields = [
            {"captured": cell.captured, "stars": cell.stars, **path_fields("path", _path(cell)), "on": on}
            for cell, on in told
        ]
        print(json.dumps({"frames": fields}))
        return 0
    for cell, on in told:
        at = cell.captured[:16].replace("T", " ")
        where = ", ".join(on) or "no drive yet"
        print(shown(f"{at}  {shown_path(cell.name)}  {source_words(cell.source)}; on {where}"))
    if not told:
        print("No frame is marked as worth another look; that is done on the page.")
    return 0


def _cells(ledger: Ledger, frames: Sequence[int]) -> list[SheetCell]:
    at_once = 500  # SQLite takes some thousands of values in one question
    cells: dict[int, SheetCell] = {}
    for start in range(0, len(frames), at_once):
        cells |= ledger.sheets.cells(frames[start : start + at_once])
    return [cells[frame] for frame in frames if frame in cells]


def _drives_with(ledger: Ledger, cell: SheetCell) -> list[str]:
    """Name the drives that have a good copy of a frame's main file, and which of them are not here."""
    found = ledger.answers.by_source_path(cell.source, cell.folder, cell.name)
    copies = ledger.answers.copies_of(found[0].content) if found else []
    return list(
        dict.fromkeys(
            copy.bay if copy.bay_state in ("here", "full") else f"{copy.bay} ({copy.bay_state})"
            for copy in copies
            if copy.state is CopyState.VERIFIED
        )
    )


def _path(cell: SheetCell) -> bytes:
    return joined(
        joined(cell.source.encode(), cell.folder) if cell.folder else cell.source.encode(), cell.name
    )


# ---- bringing it back ----


def bring_marked(settings: Settings, folder: str, *, as_json: bool) -> int:
    """Copy the originals of what is marked into a folder, verified; give 0 when all of it is there, else 1.

    Raises CommandError, LedgerError.
    """
    target = target_of(settings, folder)
    with ledger_for_asking(settings) as ledger:
        wanted = apart(dict.fromkeys(ledger.restoring.of_frames(ledger.sheets.marked())))
        identities = {bay.name: bay.identity for bay in ledger.bays.all()}
        jobs = [
            replace(
                job_of(ledger, settings, each, identities),
                in_sources=tuple(_in_sources(ledger, settings, each.content)),
            )
            for each in wanted
        ]
    done = bring(settings, target, jobs, as_json=as_json) if jobs else []
    if as_json:
        print(json.dumps(fields_of(jobs, done)))
    elif not jobs:
        print("No frame is marked as worth another look; that is done on the page.")
    else:
        for line in (*result_lines(jobs, done, target), *_fetch_lines(jobs, done)):
            print(shown(line))
    return 1 if any(each.outcome in (Outcome.FAILED, Outcome.OTHER_THERE) for each in done) else 0


def _in_sources(ledger: Ledger, settings: Settings, content: int) -> Iterator[tuple[str, bytes]]:
    """Give the files of watched folders that had this content when they were last read."""
    for name, path in ledger.restoring.in_sources(content):
        source = settings.sources.get(name)
        if source is not None and source.folder:
            yield name, joined(source.folder.encode("utf-8", "surrogateescape"), path)


def _fetch_lines(jobs: Sequence[Job], done: Sequence[Restored]) -> Iterator[str]:
    """Name the drives to fetch for what could not be brought."""
    lacking = Counter(
        job.to_fetch
        for job, each in zip(jobs, done, strict=True)
        if each.outcome is Outcome.FAILED and job.to_fetch
    )
    if lacking:
        yield "Fetch, and ask again:"
        for names, count in lacking.most_common():
            yield f"  {' or '.join(names)}: {counted(count, 'file')}"
