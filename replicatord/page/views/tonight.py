"""Tonight: the one thing to do, what is being copied, the loads of the last days, the month to look through.

May not decide what is important: `duties.status_needs` has its order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from replicatord.duties.board import now_words
from replicatord.duties.loads import load_text
from replicatord.duties.places import pretence_words
from replicatord.duties.status_facts import LoadStatus
from replicatord.ledger.loads import LoadState
from replicatord.log.words import counted, local_time, shown, size_words, source_words
from replicatord.model.settings import Settings
from replicatord.page.facts import Facts
from replicatord.page.ground import Ground, Moving


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One load as it is shown."""

    day: str
    name: str
    verdict: str  # "cleared", "cleared, but PRETENDED", "not cleared", "files still come"
    tone: str  # how the verdict is drawn, besides being said: "good", "bad", "wait"
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lane:
    """One drive as it is just now."""

    name: str
    text: str
    is_copying: bool
    done_percent: int | None


def view(ground: Ground, facts: Facts) -> Mapping[str, object]:
    """Give the values of the template."""
    things, settings = facts.things(), ground.settings()
    status = things.status
    needs = [shown(need) for need in things.needs]
    return {
        "first_need": needs[0] if needs else "",
        "other_needs": needs[1:],
        "pretence": pretence_words(settings),
        "known": f"{counted(status.files, 'file')} in {counted(status.frames, 'frame')}",
        "settings_trouble": [shown(line) for line in status.settings_trouble.splitlines()],
        "loads": [_load(load, settings) for load in status.loads],
        "covered": status.last_covered,
        "rehearsal": status.rehearsal,
        "as_of": status.now,
        **lanes(ground),
        "proposal": facts.proposal(),
    }


def lanes(ground: Ground) -> Mapping[str, object]:
    """Give what is being copied just now."""
    shown_lanes = [_lane(moving) for moving in ground.moving()]
    return {"lanes": shown_lanes, "is_copying": any(lane.is_copying for lane in shown_lanes)}


def _load(each: LoadStatus, settings: Settings) -> Load:
    load = each.load
    began = local_time(load.began_at)
    if load.state is LoadState.OPEN:
        verdict, tone = "files still come", "wait"
        text = f"{counted(load.files, 'file')}, {size_words(load.size_bytes)} so far"
    else:
        verdict, tone = ("cleared", "good") if each.is_cleared else ("not cleared", "bad")
        if each.is_cleared and pretence_words(settings):
            verdict, tone = "cleared, but PRETENDED", "wait"
        text = (
            load_text(load, each.verdict, settings, now=began)
            if each.verdict is not None
            else f"{counted(load.files, 'file')}, {size_words(load.size_bytes)}, when it was last judged"
        )
    return Load(
        day=f"{began:%a} {began.day} {began:%B %Y}",
        name=f"load {load.id}, {source_words(load.source)}",
        verdict=verdict,
        tone=tone,
        text=shown(text),
    )


def _lane(moving: Moving) -> Lane:
    drive = moving.drive
    is_copying = drive.is_visiting and bool(drive.left_files) and drive.state in ("here", "full")
    total = drive.held_bytes + drive.left_bytes
    return Lane(
        name=drive.name,
        text=shown(now_words(drive, moving.bytes_per_s)),
        is_copying=is_copying,
        done_percent=100 * drive.held_bytes // total if is_copying and total else None,
    )
