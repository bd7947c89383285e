"""Judges a card that was read, by whether each of its files has the verified copies that the settings ask for.

May not read the card or a drive: what was read comes in, and what is known of copies is the ledger's. Whatever cannot
be told means no.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from replicatord.drives.disks import disk_below
from replicatord.drives.untouched import open_untouched
from replicatord.duties.loads import counting_drives
from replicatord.ledger.bays import Bay
from replicatord.ledger.cards import Covering
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.lock import find_running
from replicatord.log.words import listed
from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.frames import Digest
from replicatord.model.settings import Settings
from replicatord.rules.places import count_places, mark_of, share_a_disk
from replicatord.watching.card_reading import Listed, Read, why_left_out
from replicatord.watching.skips import WhySkipped

_UNPROVED: Final = "does not count: it was not read since the ledger was rebuilt"
NEVER_READ: Final = "not read by the service yet"
_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """One file that is not cleared, and why."""

    path: bytes
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What there is to say of a card."""

    path: str
    files: int  # that count
    size_bytes: int
    copies: int  # asked for, in different places
    missing: tuple[Missing, ...]
    odd: tuple[bytes, ...]  # their facts could not be read: perhaps empty, or damaged before they were copied
    left_out: tuple[bytes, ...]  # of no worth by their names and by what is in them
    others: Mapping[bytes, str]
    on_drives: Mapping[str, int]  # drive -> files of the card that it verifiedly holds
    on_away: int  # files on any drive that lives in another building
    verified_at: tuple[str, str] | None  # the oldest and the newest of these verifications
    is_running: bool

    @property
    def is_cleared(self) -> bool:
        """Tell whether the card may be formatted, as far as copies go."""
        return self.files > 0 and not self.missing


class Judge:
    """Judges by the ledger, within one look at it."""

    def __init__(self, ledger: Ledger, settings: Settings, root: str) -> None:
        self._ledger, self._settings = ledger, settings
        self._bays = {bay.name: bay for bay in ledger.bays.all()}
        self._own_disk = _disk_of(root)

    def judge(
        self,
        root: str,
        card: Listed,
        read: Mapping[bytes, Read],
        troubles: Mapping[bytes, str],
        why_skipped: WhySkipped,
    ) -> Verdict:
        """Judge what was read."""
        settings = self._settings
        digests = [one.digest for one in read.values()]
        covered = self._ledger.cards.covered(digests, counting_drives(settings))
        missing = [Missing(path=path, why=why) for path, why in troubles.items()]
        left_out: list[bytes] = []
        cleared: list[Sequence[Covering]] = []
        on_drives: Counter[str] = Counter()
        for path, one in read.items():
            copies = [copy for copy in covered.get(one.digest, ()) if not self._is_on_card(copy)]
            left_out_why = why_left_out(path, why_skipped)
            if path in troubles:
                continue
            if self._places(copies) >= settings.cleared_copies:
                cleared.append(copies)
            elif left_out_why and not one.is_media:
                left_out.append(path)
                continue
            else:
                missing.append(Missing(path=path, why=self._why(one.digest, copies, left_out_why)))
            on_drives.update(copy.drive for copy in copies)
        without_facts = self._ledger.cards.without_facts(digests)
        away = {name for name, drive in settings.drives.items() if drive.is_away}
        times = sorted(copy.verified_at for copies in cleared for copy in copies)
        sizes = {path: found.size_bytes for path, found in card.files.items()}
        return Verdict(
            path=root,
            files=len(cleared) + len(missing),
            size_bytes=sum(sizes.values()) - sum(sizes[path] for path in left_out),
            copies=settings.cleared_copies,
            missing=tuple(sorted(missing, key=lambda one: one.path)),
            odd=tuple(
                sorted(
                    path for path, one in read.items() if one.digest in without_facts and path not in left_out
                )
            ),
            left_out=tuple(sorted(left_out)),
            others=card.others,
            on_drives={name: on_drives[name] for name in settings.drives if on_drives[name]},
            on_away=sum(any(copy.drive in away for copy in copies) for copies in cleared),
            verified_at=(times[0], times[-1]) if times else None,
            is_running=find_running(settings.ledger) is not None,
        )

    def _mark(self, copy: Covering) -> str:
        """Give the mark of the place of a copy, by what the settings say now and what was seen."""
        return mark_of(named=self._settings.drives[copy.drive].named_mark, seen=copy.disk)

    def _places(self, copies: Sequence[Covering]) -> int:
        return count_places(map(self._mark, copies))

    def _is_on_card(self, copy: Covering) -> bool:
        """Tell whether a copy lies on the very disk that is to be formatted."""
        return share_a_disk(self._mark(copy), self._own_disk)

    def _why(self, digest: Digest, copies: Sequence[Covering], left_out: str) -> str:
        """Say why a content has not the copies that are asked for, and what would bring them."""
        content = self._ledger.cards.find_content(digest)
        if content is None and left_out:
            return f"it holds a picture, clip, sound or sidecar, but {left_out}"
        if content is None:
            return NEVER_READ
        drives = listed([copy.drive for copy in copies]) if copies else ""
        parts = [f"verified only on {drives}" if copies else "no verified copy that counts"]
        if self._places(copies) < len(copies):
            is_known = all(self._mark(copy) for copy in copies)
            unknown = "on disks of which nothing can be told" if not is_known else "on one disk"
            parts = [f"{drives} are {unknown}, which is one place"]
        parts += [
            f"its copy on {copy.bay} {_copy_words(copy.state)}"
            for copy in self._ledger.answers.copies_of(content)
            if copy.bay not in {one.drive for one in copies}
        ]
        wishes = [
            wish
            for wish in self._ledger.answers.wishes_of(content)
            if wish.state in (PlacementState.WANTED, PlacementState.REFUSED)
        ]
        for drive in dict.fromkeys(wish.bay for wish in wishes):
            trouble = next((wish.trouble for wish in wishes if wish.bay == drive and wish.trouble), "")
            parts.append(f"waits for {drive}{_waiting_words(self._bays.get(drive), trouble)}")
        if not wishes:
            parts.append("no tier asks for more copies: see `tiers` in the settings")
        return "; ".join(dict.fromkeys(parts))


def _disk_of(root: str) -> str:
    fd = open_untouched(root, _FOLDER_FLAGS)
    try:
        return disk_below(fd)
    finally:
        os.close(fd)


def _copy_words(state: CopyState) -> str:
    return {
        CopyState.VERIFIED: "does not count: it is in a cloud folder, on the disk that was read, on a drive in doubt, or"
        " on no drive of the settings",
        CopyState.EARLIER: "does not count: it is kept as an earlier version",
        CopyState.SET_ASIDE: "does not count: it failed and was set aside",
        CopyState.CHANGED: "does not count: it was changed on the drive by hand",
        CopyState.UNPROVED: _UNPROVED,
        CopyState.UNPROVED_EARLIER: _UNPROVED,
    }.get(state, "does not count: it failed, and is looked at again")


def _waiting_words(bay: Bay | None, trouble: str) -> str:
    if trouble:
        return f": {trouble}"
    if bay is None or bay.state == "here":
        return ", to which it is still to be copied"
    what = {"full": "which is full", "away": "which is away", "waiting": "which cannot be used"}.get(
        bay.state, "which was not looked for yet"
    )
    return f", {what}{f' ({bay.reason})' if bay.reason else ''}"
