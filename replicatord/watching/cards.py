"""Cards: finds those that are mounted, and takes each whole, as a source of its own and a load of its own.

May not write to a card, not even its access times. Each card has a thread of its own, so that one whose
reader hangs holds up neither the folders nor the next card (promise I17); the main loop reads the table of
mounts and never touches a card itself.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import tzinfo
from typing import Final

from replicatord.config.card_pattern import Lies, lies, real_pattern
from replicatord.copying.context import Context
from replicatord.drives.identity import IDENTITY_NAME
from replicatord.drives.insertion import insertion_mark, is_medium_there
from replicatord.drives.kernel import Mount, find_mount_of, read_mounts
from replicatord.drives.untouched import open_untouched
from replicatord.ledger.cards import PULLED, STILL_READ, Card
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.seen import Known
from replicatord.model.frames import FileStat, SeenFile
from replicatord.model.settings import Settings, Source
from replicatord.model.unread import Trace, UnreadKind, unread_words
from replicatord.rules.paths import DCF_FOLDER, HIDDEN_FOLDER
from replicatord.watching.hints import Gathered, Hints
from replicatord.watching.looker import Looker, Rescan
from replicatord.watching.settling import Spot
from replicatord.watching.taking import end_loads, take_readings
from replicatord.watching.walk import Listing, joined

_SILENT_S: Final = 60.0  # a card that gives nothing for so long does not answer

WakeLanes = Callable[[Mapping[str, int]], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class CardMount:
    """A mount that may be a card's: its place is one that the settings name."""

    source: str
    mount: Mount


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundCard:
    """A mount that is a card's."""

    mark: str
    label: str
    device: int  # st_dev of its file system


class Cards:
    """All cards. The main loop's, but for what is said to be any thread's."""

    def __init__(
        self, context: Context, *, zone: tzinfo, wake_lanes: WakeLanes, is_ahead: Callable[[], bool]
    ) -> None:
        """Begin with none; `keep` finds them. The rest as for `Looker`."""
        self._context, self._zone = context, zone
        self._wake_lanes, self._is_ahead = wake_lanes, is_ahead
        self._lookers: dict[CardMount, CardLooker] = {}  # replaced as a whole: other threads ask
        self._past_changes = 0
        self._is_begun = False
        self._silent: set[CardMount] = set()  # told of

    def keep(self, *, is_changed: bool = True, mounts: list[Mount] | None = None) -> None:
        """Notice cards that came or went: to be called at each turn of the main loop, and touches no card.

        `is_changed` tells that the table of mounts, or the settings, may not be what they were; `mounts` is
        that table, if it was read already.
        """
        if is_changed or not self._is_begun:
            now = card_mounts(self._context.settings, read_mounts() if mounts is None else mounts)
            for gone in [one for one in self._lookers if one not in now]:
                self._drop(gone)
            if not self._is_begun:
                self._is_begun = True
                points = {one.mount.point for one in now}
                self._context.desk.ask(lambda l: forget_pulled(l, self._context, mounted_at=points))
            for came in now:
                if came not in self._lookers:
                    self._begin(came)
        for one, looker in self._lookers.items():
            if looker.is_lost and looker.card is not None:
                self._say_goodbye(looker)
            self._note_silence(one, looker)

    def rescan(self, why: str) -> None:
        """Have all cards looked through again."""
        for looker in self._lookers.values():
            looker.look_through(why)

    def look_again(self, source: str, path: bytes) -> None:
        """Hint at a file of a card; any thread's."""
        for looker in self._lookers.values():
            if looker.card is not None and looker.card.name == source:
                looker.look_at(path)

    @property
    def changes(self) -> int:
        """Count up whenever loads or what is known of cards changed."""
        return self._past_changes + sum(looker.changes for looker in self._lookers.values())

    def is_quiet(self) -> bool:
        """Tell whether no card is being looked through or read; one that does not answer is not waited for."""
        return all(
            looker.wait_idle(0) or self._silence_s(looker) > _SILENT_S
            for looker in tuple(self._lookers.values())
        )

    def find_failure(self) -> BaseException | None:
        """Give what a thread died of, if one did."""
        return next((looker.failure for looker in self._lookers.values() if looker.failure), None)

    def close(self) -> list[threading.Thread]:
        """Have all threads end; gives those that may be waited for."""
        for looker in self._lookers.values():
            looker.leave()
        return list(self._lookers.values())

    def _begin(self, came: CardMount) -> None:
        looker = CardLooker(
            self._context, came, zone=self._zone, wake_lanes=self._wake_lanes, is_ahead=self._is_ahead
        )
        self._lookers = {**self._lookers, came: looker}
        looker.start()

    def _drop(self, gone: CardMount) -> None:
        looker = self._lookers[gone]
        looker.leave()  # before the ledger is asked: what it hands in from now on is refused
        self._say_goodbye(looker)
        self._past_changes += looker.changes
        self._lookers = {one: its for one, its in self._lookers.items() if one != gone}
        self._silent.discard(gone)

    def _say_goodbye(self, looker: CardLooker) -> None:
        """Note that a card is gone, if it was one; in the ledger's thread, as all that concerns `looker.card`."""

        def leave(ledger: Ledger) -> None:
            card, looker.card = looker.card, None
            if card is not None:
                note_gone(ledger, self._context, card)

        self._context.desk.ask(leave)
        self._past_changes += 1

    def _silence_s(self, looker: CardLooker) -> float:
        return self._context.monotonic() - looker.beat_s

    def _note_silence(self, one: CardMount, looker: CardLooker) -> None:
        """Say once of a card that it does not answer; its thread hangs in the kernel and cannot say so itself."""
        if looker.wait_idle(0) or self._silence_s(looker) <= _SILENT_S:
            self._silent.discard(one)
        elif one not in self._silent:
            self._silent.add(one)
            fields = {
                "level": "warning",
                "card": looker.card.name if looker.card else one.source,
                "mount": one.mount.point,
                "reason": f"it has given nothing for {_SILENT_S:.0f} s; take it out and put it in again",
            }
            self._context.desk.ask(lambda l: self._context.say(l, "card_does_not_answer", fields))


class CardLooker(Looker):
    """The one thread that reads a card. What it reads counts only until the card is gone."""

    def __init__(
        self,
        context: Context,
        where: CardMount,
        *,
        zone: tzinfo,
        wake_lanes: WakeLanes,
        is_ahead: Callable[[], bool],
    ) -> None:
        """Begin with a mount that may be a card's."""
        super().__init__(context, Hints(), zone=zone, wake_lanes=wake_lanes, is_ahead=is_ahead)
        self.name = f"looker at {where.mount.point}"
        self._where = where
        self.card: Card | None = None  # set and taken away in the ledger's thread only
        self.is_lost = False  # its medium was taken out, though it is in the table of mounts still
        self._unread: dict[bytes, str] = {}  # what could not be read -> why
        self._is_told = False  # the ledger knows how far the card was read

    def look_through(self, why: str) -> None:
        """Look through all of the card again; any thread's."""
        card = self.card
        if card is not None:
            self._hints.rescan(card.name, why)

    def look_at(self, path: bytes) -> None:
        """Look at one file again; any thread's."""
        card = self.card
        if card is not None:
            self._hints.file(Spot(card.name, *os.path.split(path)), was_closed=False)

    def _prepare(self) -> bool:
        mount = self._where.mount
        try:
            found = find_card(mount)
        except OSError as exc:
            fields = {"level": "warning", "mount": mount.point, "reason": exc.strerror}
            self._context.desk.ask(lambda l: self._context.say(l, "card_not_readable", fields))
            found = None
        if found is not None:
            self._device = found.device
        is_new = self._context.desk.ask(lambda l: self._arrive(l, found))
        self.look_through("a card was put in" if is_new else "it is in the reader still")
        return self.card is not None

    def _arrive(self, ledger: Ledger, found: FoundCard | None) -> bool:
        """Make the card known, and those forgotten that were mounted in its place when last heard of.

        Tells whether it was put in since anybody last looked.
        """
        point, source = self._where.mount.point, self._where.source
        mark = f"{source}: {found.mark}" if found is not None else ""
        for card in ledger.cards.mounted():
            if card.mount == point and card.mark != mark:
                note_gone(ledger, self._context, card)
        if found is None or self._left.is_set():
            return False
        card, is_new = ledger.cards.begin(
            source=source, mark=mark, mount=point, label=found.label, at=self._context.at()
        )
        self.card = card
        itself = Source(name=card.name, folder=point)
        self._context.cards = {**self._context.cards, card.name: itself}
        if is_new:
            fields = {"card": card.name, "mount": point, "label": card.label}
            self._context.say(ledger, "card_found", fields)
        return is_new

    def _is_same(self, known: FileStat, stat: FileStat) -> bool:
        """Leave inodes out: FAT has none, and the kernel makes up new ones once it has forgotten a file."""
        return known._replace(inode=stat.inode) == stat

    # What cannot be read is told at the end, when it is known whether the card is still there.

    def _note(self, gathered: Gathered) -> None:
        if gathered.rescans:
            self._unread.clear()
        self._is_told = self._is_told and not (gathered.rescans or gathered.files)
        super()._note(gathered)

    def _cannot_list(self, source: Source, folder: bytes, rescan: Rescan | None, exc: OSError) -> None:
        self._cannot_read(source.name, folder, exc.strerror or str(exc), UnreadKind.FOLDER)
        if rescan is not None:
            rescan.trouble = (
                "it could not all be looked through"  # keeps what was there from counting as gone
            )

    def _gone(self, source: Source, spot: Spot, known: Known | None) -> None:
        if known is None:
            path = joined(spot.folder, spot.name)
            self._cannot_read(source.name, path, "it was gone before it was read", UnreadKind.FILE)
        super()._gone(source, spot, known)

    # Whether it is the card still, its device tells; that a card went, the main loop notices.

    def _may_look(self, _source: str, _folder: bytes) -> bool:
        return True

    def _note_ground(self, source: Source, folder: bytes, listing: Listing) -> None:
        """Leave it to the device."""

    def _note_missing(self, source: Source, *, is_walked: bool) -> None:
        """Leave it to the main loop."""

    def _is_as_seen(self, _source: Source, _spot: Spot) -> bool:
        return True

    def _leave_former_folders(self) -> None:
        """Leave it to the main loop."""

    def _cannot_read(
        self, _source: str, path: bytes, why: str, _kind: UnreadKind, _trace: Trace | None = None
    ) -> None:
        if self._is_pulled():
            self._lose()
        self._unread[path] = why

    def _tell_rescan(self, rescan: Rescan) -> None:
        if not rescan.trouble:
            super()._tell_rescan(rescan)

    def _is_pulled(self) -> bool:
        try:
            found = os.stat(self._where.mount.point)
        except OSError:
            return True
        return found.st_dev != self._device or not is_medium_there(self._where.mount.device)

    def _lose(self) -> None:
        """End, because the card was taken out; the main loop says so."""
        self.leave()
        self.is_lost = True

    def _take_into(self, ledger: Ledger, batch: list[SeenFile]) -> Mapping[str, int]:
        if self.card is None or self._left.is_set():
            return {}  # it would count as being there, and nobody would note that it went
        ledger.cards.set_unread(self.card.name, STILL_READ)
        return take_readings(ledger, self._context, batch, zone=self._zone)

    def _end_loads(self) -> None:
        """End the load as soon as all of the card was read: nothing more comes."""
        self._last_taken_s.clear()
        if (
            self._rescans
            or self._walks
            or self._later
            or len(self._settling)
            or not self._hints.is_empty()
            or self._is_told
        ):
            return
        if self._is_pulled():
            self._lose()
        if not self._must_stop():
            self._context.desk.ask(self._tell_read)
            self._is_told = True
            self.changes += 1

    def _tell_read(self, ledger: Ledger) -> None:
        card = self.card
        if card is None:
            return
        why = _unread_words(self._unread)
        if why and why != ledger.cards.why_unread(card.name):
            fields = {"level": "error", "card": card.name, "mount": card.mount, "reason": why}
            self._context.say(ledger, "card_not_read_whole", fields)
            ledger.loads.current(card.name, self._context.at())  # also if nothing of it could be read
        ledger.cards.set_unread(card.name, why)
        end_loads(ledger, card.name)


def card_mounts(settings: Settings, mounts: list[Mount]) -> list[CardMount]:
    """Give the mounts whose places the settings name for cards; the first source that names one has it."""
    patterns = [
        (source.name, pattern)
        for source in settings.sources.values()
        if source.card
        for pattern in dict.fromkeys((source.card, real_pattern(source.card)))
    ]
    uppermost = {mount.point: mount for mount in mounts}  # a later mount hides what was mounted there
    found = []
    for point, mount in uppermost.items():
        source = next((name for name, pattern in patterns if lies(point, pattern) is Lies.AT), None)
        if source is not None:
            found.append(CardMount(source=source, mount=mount))
    return found


def find_card(mount: Mount) -> FoundCard | None:
    """Look whether what is mounted is a card: it has a folder DCIM at its root, and is no drive of anybody's.

    None when it is not, or when something else is mounted there by now. Raises OSError when it cannot be told.
    Source: CIPA DC-009 (DCF), the image root directory; FAT does not tell capitals from small letters.
    """
    root = open_untouched(mount.point, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        really = find_mount_of(root)
        if really is None or really.id != mount.id:
            return None
        with os.scandir(root) as entries:
            is_card = any(
                os.fsencode(entry.name).upper() == DCF_FOLDER and entry.is_dir(follow_symlinks=False)
                for entry in entries
            )
        if not is_card or _is_drive(root):
            return None
        label = os.path.basename(mount.point)  # udisks(8) mounts a card at a folder of its label
        return FoundCard(mark=insertion_mark(root, mount), label=label, device=os.fstat(root).st_dev)
    finally:
        os.close(root)


def forget_pulled(ledger: Ledger, context: Context, *, mounted_at: set[str]) -> None:
    """Note the cards that were pulled while nobody looked. Needs a transaction of its caller."""
    for card in ledger.cards.mounted():
        if card.mount not in mounted_at:
            note_gone(ledger, context, card)


def note_gone(ledger: Ledger, context: Context, card: Card) -> None:
    """Note that a card is gone. Needs a transaction of its caller, in the ledger's thread."""
    context.cards = {name: source for name, source in context.cards.items() if name != card.name}
    ledger.cards.leave(card, context.at())
    fields = {"card": card.name, "mount": card.mount, "label": card.label}
    context.say(ledger, "card_gone", fields)
    if ledger.cards.why_unread(card.name) == STILL_READ:
        ledger.loads.current(card.name, context.at())  # also if nothing of it was read yet
        ledger.cards.set_unread(card.name, PULLED)
        reason = "it was pulled before all of it was read, and what was not read is not known; put it back"
        context.say(ledger, "card_pulled_early", {"level": "warning", **fields, "reason": reason})
    end_loads(ledger, card.name)


def _is_drive(root: int) -> bool:
    try:
        os.stat(os.path.join(HIDDEN_FOLDER, IDENTITY_NAME), dir_fd=root, follow_symlinks=False)
    except (FileNotFoundError, NotADirectoryError):
        return False
    return True


def _unread_words(unread: Mapping[bytes, str]) -> str:
    """Say what of a card could not be read; "" when all of it was."""
    if not unread:
        return ""
    path, why = min(unread.items())
    return unread_words(path, why, len(unread))
