"""Which old month should somebody look through next? How far did they get? Decided here.

May not read a clock or the ledger.

Invariants, one test each:
  R1  what was begun comes before what was not
  R2  else the month that waited longest: one that nobody looked through before all others, of these the oldest
  R3  a month that is still running, or to come, is never proposed
  R4  going back a little takes nothing back; only a month that was through begins anew.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How far somebody looked through a month."""

    month: str  # "2026-01"
    captured: str  # of the last frame that was looked at, as the ledger has it
    frame: int  # its number
    looked_at: str  # RFC 3339, UTC
    through_at: str = ""  # when the whole month was last looked through; "": never
    is_open: bool = True  # begun, and not through


def go_on(before: Look | None, now: Look, *, is_last: bool) -> Look:
    """Give how far somebody is after looking at the frame of `now`; `is_last`: with it the month is through."""
    through_at = "" if before is None else before.through_at
    if is_last:
        return replace(now, through_at=now.looked_at, is_open=False)
    is_back = before is not None and before.is_open and (now.captured, now.frame) < _at(before)
    if before is not None and is_back:
        return replace(before, looked_at=now.looked_at)
    return replace(now, through_at=through_at, is_open=True)


def propose(frames: Mapping[str, int], looks: Mapping[str, Look], *, running: str) -> str | None:
    """Give the month to look through next; None when there is none. `running` is the present month."""
    months = [month for month, count in frames.items() if count and month and month < running]
    begun = [look for look in looks.values() if look.is_open and look.month in months]
    if begun:
        return max(begun, key=lambda look: (look.looked_at, look.month)).month
    return min(months, key=lambda month: (_through(looks.get(month)), month), default=None)


def _through(look: Look | None) -> str:
    return "" if look is None else look.through_at


def _at(look: Look) -> tuple[str, int]:
    return look.captured, look.frame
