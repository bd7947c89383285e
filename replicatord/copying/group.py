"""A group of files on its way onto one drive: flushed together, read back, then named and recorded.

May not give a final name to anything that was not read back from the medium and matched (promises
I2, I4), and may not tell the ledger before names and bytes are durable.
"""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

from replicatord.copying.apart import SMALL_BYTES, WORTH_IT, ReadApart, SmallFiles
from replicatord.copying.context import Context
from replicatord.copying.files import EARLIER, DriveFiles
from replicatord.copying.moves import earlier_path, move_copy, set_aside_path, settle_moves
from replicatord.copying.obstacles import (
    NOT_WHOLE,
    Bad,
    leave_if_edited,
    make_way,
    note_refused,
    note_trouble,
    path_trouble,
    set_bad_aside,
    step_aside,
)
from replicatord.copying.readback import Prover, ReadBack
from replicatord.copying.record import DriveRecord
from replicatord.copying.restoring import IN_MEMORY
from replicatord.drives.room import FULL
from replicatord.errors import InvariantError
from replicatord.ledger.copies import KnownCopy, SourcePlace
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.wishes import Wish
from replicatord.log.times import path_fields, path_text
from replicatord.model.copies import CopyState, Placement

TRIES_MAX: Final = 3  # times that a file whose digest does not match is copied again, one after another
_DROPS_MAX: Final = 5  # times that pages which stay in the cache are dropped again
# What a file system says to one name or one file that it cannot hold; it says it every time.
_CANNOT_HOLD: Final = frozenset({errno.ENAMETOOLONG, errno.EILSEQ, errno.EFBIG})


@dataclass(slots=True, kw_only=True)
class Staged:
    """One piece of work that was begun. `partial` is empty for a file that was found in place."""

    wish: Wish
    partial: bytes = b""
    is_refile: bool = False  # a copy that only gets another path
    must_read: bool = False  # a refile of a copy that is not known to be good
    bad: Bad | None = None  # the bad copy that this one replaces
    fault: OSError | None = None  # what the drive said to a file that was found in place
    told_as: str = ""
    busy_s: float = 0.0
    found: ReadBack | None = None

    @property
    def read_back(self) -> ReadBack:
        """What it held when it was read back. Raises InvariantError when it never was."""
        if self.found is None:
            raise InvariantError("a copy is recorded that was never read back")
        return self.found


@dataclass(slots=True, kw_only=True)
class GroupResult:
    """What became of a group."""

    done: int = 0
    done_bytes: int = 0
    refiled: int = 0
    refused: int = 0  # files that the drive cannot hold
    troubled: list[int] = field(default_factory=list)  # wishes to leave alone for a while
    again: bool = False  # something is to be done in another round of the same visit


class Publisher:
    """Proves and publishes groups on one drive. One thread's, with its own view of the drive's files."""

    def __init__(  # noqa: PLR0913  the parts of a visit, handed over once
        self,
        context: Context,
        files: DriveFiles,
        prover: Prover,
        record: DriveRecord,
        *,
        bay: str,
        drive: int,
        has_medium: bool,
        note_room: Callable[[Ledger], None],
        is_alive: Callable[[], bool],
        beat: Callable[[], object],
        small: SmallFiles,
    ) -> None:
        """`has_medium`: what is read back surely comes from it. `note_room` notes the drive's room in the ledger.

        `is_alive` looks whether the drive still is what it was, so that an error is the fault of one path.
        `beat` is called while the drive's disk is waited for. `small` reads small files apart, while it is there.
        """
        self._context, self._files, self._prover, self._record = context, files, prover, record
        self._bay, self._drive, self._beat = bay, drive, beat
        self._has_medium, self._note_room, self._is_alive = has_medium, note_room, is_alive
        self.moved = False  # the drive's list names paths that are no more
        self._small = small
        self._apart: dict[bytes, ReadApart] = {}  # partial -> what it held, as far as it was read apart
        self._unmatched: dict[int, bytes] = {}  # wish -> the digest that its last copy had instead
        self.bad: dict[int, Bad] = {}  # wish -> the bad copy that is to be replaced
        self._unmoved: set[int] = set()  # wishes whose bad copy could not be moved at the first try

    def finish(self, group: Sequence[Staged], *, since: float) -> GroupResult:
        """Flush, read back, publish and record a group. Raises OSError, Interrupted.

        After an error nothing of the group is recorded that was not observed; what has its final name
        already is found in place by the next visit.
        """
        result = GroupResult()
        self._flush(group)
        self._apart = self._read_apart(group)
        proved = [staged for staged in group if self._is_proved(staged, result)]
        standing = self._still_wanted(proved, result)
        named = self._name_apart(standing)
        published = [s for s in standing if s.partial in named or self._publish(s, result)]
        self._files.sync_folders()
        self._look_at_finals(published)
        if published:
            self._record_all(published, result, since)
        return result

    def _flush(self, group: Iterable[Staged]) -> None:
        """Everything of the group onto the medium; files found in place too, whoever wrote them."""
        self._files.sync_contents()
        for staged in group:
            if not staged.partial and not staged.is_refile:
                self._flush_in_place(staged)

    def _flush_in_place(self, staged: Staged) -> None:
        path = staged.wish.placement.path
        try:
            self._files.sync_file(path)
        except OSError as exc:
            if not self._is_alive():
                raise
            staged.fault = exc  # one file's trouble
        self._files.touch_folders(path)

    def _read_apart(self, group: Sequence[Staged]) -> dict[bytes, ReadApart]:
        """Have small files read back by another process, if it is there: what they are to hold, they must hold."""
        if not self._small.is_ready():
            return {}
        small = [
            each.partial for each in group if each.partial and each.wish.placement.size_bytes <= SMALL_BYTES
        ]
        return self._small.read_back(self._files, small) if len(small) >= WORTH_IT else {}

    def _is_proved(self, staged: Staged, result: GroupResult) -> bool:
        if staged.fault is not None and staged.fault.errno not in NOT_WHOLE:
            self._trouble(staged, result, f"what is there already cannot be read ({staged.fault.strerror})")
            return False
        if staged.is_refile:
            return not staged.must_read or self._is_good_to_move(staged, result)
        placement = staged.wish.placement
        apart = self._apart.pop(staged.partial, None)
        if apart is not None and _is_of(apart.found, placement) and not apart.found.was_cached:
            staged.found = apart.found
            staged.busy_s += apart.busy_s
            return True
        begun = self._context.monotonic()
        found = self._read_back(staged.partial or placement.path, is_old=not staged.partial)
        if not staged.partial and not _is_of(found, placement):
            # One wrong reading is not enough to take what lies there for somebody else's.
            found = self._read_back(placement.path, is_old=True)
        staged.busy_s += self._context.monotonic() - begun
        staged.found = found
        if found.was_cached and self._has_medium:
            self._trouble(staged, result, IN_MEMORY)
            return False
        if _is_of(found, placement):
            return True
        if staged.partial:
            self._set_aside(staged, found, result)
        else:
            self._path_is_taken(staged.wish, result)
        return False

    def _read_back(self, path: bytes, *, is_old: bool) -> ReadBack:
        """Read from the medium; pages that stay cached (still under way to it) are flushed and dropped again.

        An old file whose blocks cannot be read is one that does not match; a new one is the drive's trouble.
        """
        for _ in range(_DROPS_MAX):
            try:
                with self._context.streams.turn(self._context.settings, self._bay, beat=self._beat):
                    found = self._prover.read_back(self._files, path)
            except OSError as exc:
                if is_old and exc.errno in NOT_WHOLE and self._is_alive():
                    return ReadBack(digest=b"", size_bytes=0, mtime_ns=0, inode=0, was_cached=False)
                raise
            if not found.was_cached or not self._has_medium:
                return found
            self._files.sync_file(path)
        return found

    def read_from_medium(self, path: bytes) -> ReadBack | None:
        """Read a file that was there before; None when its pages do not leave memory just now."""
        found = self._read_back(path, is_old=True)
        return None if found.was_cached and self._has_medium else found

    def _is_good_to_move(self, staged: Staged, result: GroupResult) -> bool:
        """Read a copy that is not known to be good before it is moved to where it would count; record that it is."""
        wish, copy = staged.wish, staged.wish.serving
        if copy is None:
            raise InvariantError(f"wish {wish.id} has no copy to refile")
        found = self._read_back(wish.serving_path, is_old=True)
        if found.was_cached and self._has_medium:
            self._trouble(staged, result, IN_MEMORY)
            return False
        if _is_of(found, wish.placement):
            at = self._context.at()
            self._context.desk.ask(lambda l: l.fixity.passed([(copy, found.mtime_ns)], at))
            return True
        known = self._context.desk.look(lambda l: l.copies.find_at(self._drive, wish.serving_path))
        if known is None or not leave_if_edited(self._context, self._files, known):
            self.bad[wish.id] = Bad(copy=copy, path=wish.serving_path)
        result.again = True
        return False

    def _still_wanted(self, proved: Sequence[Staged], result: GroupResult) -> list[Staged]:
        """Leave out what nothing asks for any more, or not like this: settings and stars change meanwhile."""
        as_fetched = self._context.desk.look(
            lambda l: l.wishes.standing(self._bay, (staged.wish for staged in proved))
        )
        standing: list[Staged] = []
        for staged in proved:
            if staged.wish.id in as_fetched:
                standing.append(staged)
            else:
                result.again = True
                if staged.partial:
                    self._files.remove_partial(staged.partial)
        return standing

    def _name_apart(self, standing: Sequence[Staged]) -> set[bytes]:
        """Have another process name small files in whose way nothing is, if it is there; give which have their names."""
        small = {
            staged.partial: staged
            for staged in standing
            if staged.partial
            and staged.bad is None
            and staged.wish.serving is None
            and staged.wish.placement.size_bytes <= SMALL_BYTES
        }
        if len(small) < WORTH_IT or not self._small.is_ready():
            return set()
        paths = {partial: staged.wish.placement.path for partial, staged in small.items()}
        named = self._small.name(self._files, paths)
        # In this order: the new name is to be durable before the old one is gone for good.
        for path in {path.rpartition(b"/")[0]: path for path in paths.values()}.values():
            self._files.touch_folders(path)
        self._files.touch_folders(next(iter(paths)))
        # It may have died between giving a name and saying so.
        return named | {partial for partial in paths.keys() - named if self._is_named(small[partial])}

    def _is_named(self, staged: Staged) -> bool:
        found = self._files.find_stat(staged.wish.placement.path)
        return (
            found is not None
            and self._has_medium
            and found.st_ino == staged.read_back.inode
            and self._files.find_stat(staged.partial) is None
        )

    def _publish(self, staged: Staged, result: GroupResult) -> bool:
        """Give a proved file its final name; tell whether it is to be recorded still."""
        try:
            if staged.is_refile:
                return self._refile(staged, result)
            self._put_in_place(staged)
        except FileExistsError:
            # It came while we copied. Never replaced: the next round looks at what it is.
            result.again = True
        except OSError as exc:
            if exc.errno in FULL or (exc.errno not in _CANNOT_HOLD and not self._is_alive()):
                raise
            self._cannot_publish(staged, result, exc)
        else:
            return True
        if staged.partial:
            self._files.remove_partial(staged.partial)
        return False

    def is_bad_still(self, wish: Wish) -> bool:
        """Tell whether a copy that was found bad still is what a wish has at its path; any thread's of the visit."""
        bad = self.bad.get(wish.id)
        if bad is None:
            return False
        known = self._context.desk.look(lambda l: l.copies.find_at(self._drive, bad.path))
        is_done = known is None or known.state in (CopyState.VERIFIED, CopyState.SET_ASIDE)
        if known is not None and known.id == bad.copy and not is_done:
            return True
        self.bad.pop(wish.id, None)  # another tier with the same path had it made anew
        return False

    def _put_in_place(self, staged: Staged) -> None:
        wish = staged.wish
        if staged.bad is not None and not self.is_bad_still(wish):
            raise FileExistsError(errno.EEXIST, "its bad copy was replaced meanwhile")
        if staged.bad is not None:
            set_bad_aside(
                *(self._context, self._files, staged.bad),
                drive=self._drive,
                bay=self._bay,
                digest=wish.placement.digest,
                why="the copy was made again from another place",
            )
            self.moved = True
            self.bad.pop(wish.id, None)
        if wish.serving is not None and not wish.serving_is_same:
            self._keep_earlier(wish, wish.serving)
        if staged.partial:
            self._files.rename(staged.partial, wish.placement.path)

    def _cannot_publish(self, staged: Staged, result: GroupResult, exc: OSError) -> None:
        """Draw the conclusions from an error that is one path's trouble."""
        wish = staged.wish
        if exc.errno in _CANNOT_HOLD:
            note_refused(self._context, wish, f"the drive's file system cannot hold it ({exc.strerror})")
            result.refused += 1
        elif wish.id in self.bad and self._may_try_again(wish):
            result.again = True  # an error that passes is to leave no trace
        elif self.bad.pop(wish.id, None) is not None and step_aside(self._context, self._files, wish):
            result.again = True  # the bad copy cannot even be moved: the good one goes beside it
        else:
            self._trouble(staged, result, path_trouble(exc))

    def _may_try_again(self, wish: Wish) -> bool:
        """Tell whether a bad copy that could not be moved may be tried once more: it is known where it is."""
        if wish.id in self._unmoved:
            return False
        self._unmoved.add(wish.id)
        with suppress(OSError):
            if settle_moves(self._context.desk, self._files, self._drive):
                self.moved = True
            return True
        return False

    def _refile(self, staged: Staged, result: GroupResult) -> bool:
        wish = staged.wish
        if wish.serving is None:
            raise InvariantError(f"wish {wish.id} has no copy to refile")
        if self._context.desk.look(lambda l: l.copies.find_at(self._drive, wish.placement.path)) is not None:
            # Something of ours is known there, and gone from there: make the copy anew over its record.
            self._context.desk.ask(lambda l: l.wishes.forget_serving(wish.id))
            result.again = True
            return False
        copy = wish.serving
        if self._context.desk.look(lambda l: l.wishes.is_shared(copy, wish.id)):
            result.again = True  # another tier got it meanwhile: this one gets a copy of its own
            return False
        move_copy(
            self._context.desk,
            self._files,
            drive=self._drive,
            copy=copy,
            old=wish.serving_path,
            new=wish.placement.path,
            state=CopyState.VERIFIED,
        )
        self.moved = True
        result.refiled += 1

        def note(ledger: Ledger) -> None:
            ledger.bays.confirm_mark(self._drive)
            # Asked for otherwise since it was moved: the next round has it where it belongs.
            result.again = not ledger.wishes.hold(wish.id, copy) or result.again
            self._context.say(
                ledger,
                "copy_refiled",
                {
                    "drive": self._bay,
                    **path_fields("path", wish.placement.path),
                    **path_fields("from_path", wish.serving_path),
                    "digest": wish.placement.digest.hex(),
                },
            )

        self._context.desk.ask(note)
        return False  # it is recorded already

    def _keep_earlier(self, wish: Wish, copy: int) -> None:
        """Move the copy of the former content out of the way, into earlier/; a bad one is set aside."""
        # Looked up anew: a visit that was interrupted, or another wish of this group that shared it, may have moved it,
        # and what stands at its path then is the new version.
        known = self._context.desk.look(lambda l: l.copies.find_at(self._drive, wish.serving_path))
        if known is None or known.id != copy or wish.serving_path.startswith(EARLIER + b"/"):
            return
        is_shared = self._context.desk.look(lambda l: l.wishes.is_shared(copy, wish.id))
        if is_shared or self._files.find_stat(wish.serving_path) is None:
            return
        stamp = self._context.now().strftime("%Y%m%dT%H%M%S%z").replace("+", "p").replace("-", "m")
        new = earlier_path(wish.serving_path, stamp, lambda path: self._files.find_stat(path) is not None)
        is_good = known.state is CopyState.VERIFIED or self._is_as_it_was(known)
        if not is_good:
            new = set_aside_path(wish.serving_path, at=self._context.at(), number=wish.id)
        move_copy(
            self._context.desk,
            self._files,
            drive=self._drive,
            copy=copy,
            old=wish.serving_path,
            new=new,
            state=CopyState.EARLIER if is_good else CopyState.SET_ASIDE,
        )
        self.moved = True
        self._context.desk.ask(lambda l: self._tell_former(l, wish, known, new, is_good=is_good))

    def _is_as_it_was(self, known: KnownCopy) -> bool:
        """Read a copy that is not known to be good: only then may it count as an earlier version (promise I4)."""
        found = self._read_back(known.path, is_old=True)
        is_of_medium = not (found.was_cached and self._has_medium)
        return is_of_medium and (found.digest, found.size_bytes) == (known.digest, known.size_bytes)

    def _tell_former(
        self, ledger: Ledger, wish: Wish, known: KnownCopy, new: bytes, *, is_good: bool
    ) -> None:
        """Tell where a former version is now."""
        if is_good:
            where = {**path_fields("path", wish.placement.path), **path_fields("kept_as", new)}
            self._context.say(ledger, "earlier_version_kept", {"drive": self._bay, **where})
            return
        told = {
            "level": "error",
            "drive": self._bay,
            **path_fields("path", known.path),
            **path_fields("set_aside_as", new),
            "digest": known.digest.hex(),
            "reason": "it no longer held what it should, and a newer version took its place",
        }
        self._context.say(ledger, "copy_set_aside", told)

    def _look_at_finals(self, published: Sequence[Staged]) -> None:
        """See with our own eyes that the final names hold the files that were read back (a rename can lie)."""
        paths = [staged.wish.placement.path for staged in published]
        are_many = len(paths) >= WORTH_IT and self._small.is_ready()
        seen = self._small.look(self._files, paths) if are_many else {}
        for staged, path in zip(published, paths, strict=True):
            found = seen.get(path) or self._look(path)
            # Inode numbers hold still on local disks; some FUSE and network drives make them up anew.
            is_it = (
                found is not None
                and found[0] == staged.wish.placement.size_bytes
                and (not self._has_medium or (staged.found is not None and found[1] == staged.found.inode))
            )
            if not is_it:
                raise OSError(errno.EIO, "a file is not where it was just put", path_text(path))

    def _look(self, path: bytes) -> tuple[int, int] | None:
        """Give length and inode of what is at a path."""
        found = self._files.find_stat(path)
        return None if found is None else (found.st_size, found.st_ino)

    def _record_all(self, published: Sequence[Staged], result: GroupResult, since: float) -> None:
        size = self._record.add((s.wish.placement.digest, s.wish.placement.path) for s in published)
        result.done = len(published)
        result.done_bytes = sum(s.wish.placement.size_bytes for s in published)
        busy_ms = round((self._context.monotonic() - since) * 1000)

        def note(ledger: Ledger) -> None:
            ledger.bays.confirm_mark(self._drive)
            self._note_room(ledger)
            ledger.bays.grow_sums(self._bay, size)
            ledger.bays.add_speed(self._bay, written_bytes=result.done_bytes, busy_ms=busy_ms)
            as_fetched = ledger.wishes.standing(self._bay, (staged.wish for staged in published))
            mtimes_ns = {s.wish.id: s.read_back.mtime_ns for s in published if s.wish.id in as_fetched}
            ledger.copies.verified_all(self._drive, mtimes_ns, self._context.at())
            ledger.wishes.hold_all(self._drive, mtimes_ns)
            for staged in published:
                if staged.wish.id not in mtimes_ns:
                    self._note_copy(ledger, staged)
            self._context.say_all(ledger, "copy_verified", map(self._told, published))

        self._context.desk.ask(note)

    def _note_copy(self, ledger: Ledger, staged: Staged) -> None:
        """Note a copy of which nobody can say whether it is wanted as it was."""
        wish, placement = staged.wish, staged.wish.placement
        copy = ledger.copies.verified(
            drive=self._drive,
            path=placement.path,
            content=wish.content,
            mtime_ns=staged.read_back.mtime_ns,
            at=self._context.at(),
        )
        now = ledger.wishes.get_wish(self._bay, wish.id)
        if now is not None and now.placement == placement:
            ledger.wishes.hold(wish.id, copy)
        elif now is not None and _is_same_file(now, wish):
            # Planned otherwise since it was published: the copy is moved there, or kept as an earlier version.
            ledger.wishes.serve(wish.id, copy)

    def _told(self, staged: Staged) -> Mapping[str, object]:
        """Give what the log says of a verified copy."""
        wish, placement = staged.wish, staged.wish.placement
        folder = wish.source.encode() + (b"/" + wish.folder if wish.folder else b"")
        return {
            **path_fields("frame", folder + b"/" + wish.stem),
            **path_fields("source", folder + b"/" + placement.name),
            "drive": self._bay,
            **path_fields("path", placement.path),
            "bytes": placement.size_bytes,
            "digest": placement.digest.hex(),
            "seconds": round(staged.busy_s, 3),
            **({} if self._has_medium else {"read_back_from": "perhaps a cache: no local medium"}),
            **({"read_from": staged.told_as} if staged.told_as.startswith("drive ") else {}),
            **({} if staged.partial else {"found_in_place": True}),
            **({} if wish.planned == placement.path else path_fields("planned_path", wish.planned)),
        }

    def _set_aside(self, staged: Staged, found: ReadBack, result: GroupResult) -> None:
        """Keep a file that did not match apart, tell it as an error, and have the copy made again.

        Two that are alike speak against the reading that gave the digest, not against the drive: the source is read
        again, and says what is wanted. What another drive gives was compared with the digest while it was copied.
        """
        wish, at = staged.wish, self._context.at()
        new = set_aside_path(wish.placement.path, at=at, number=wish.id)
        self._files.rename(staged.partial, new)
        is_alike = self._unmatched.get(wish.id) == found.digest and not staged.told_as.startswith("drive ")
        self._unmatched[wish.id] = found.digest
        trouble = (
            f"its digest differed when it was read back, {wish.tries + 1} times;"
            " the drive, its cable or this machine's memory may be failing"
        )

        def note(ledger: Ledger) -> None:
            ledger.copies.put_aside(drive=self._drive, path=new, content=wish.content, at=at)
            ledger.wishes.set_trouble(wish.id, trouble=trouble, is_try=True)
            self._context.say(
                ledger,
                "copy_did_not_match",
                {
                    "level": "error",
                    "drive": self._bay,
                    **path_fields("path", wish.placement.path),
                    "source": staged.told_as,
                    "digest": wish.placement.digest.hex(),
                    "found_digest": found.digest.hex(),
                    **path_fields("set_aside_as", new),
                    "tries": wish.tries + 1,
                },
            )

        self._context.desk.ask(note)
        if is_alike:
            self._have_read_again(wish)
        if wish.tries + 1 < TRIES_MAX and not is_alike:
            result.again = True
        else:
            result.troubled.append(wish.id)

    def _have_read_again(self, wish: Wish) -> None:
        """Have the looker read what a content was read from, since its digest is in doubt."""

        def doubt(ledger: Ledger) -> Sequence[SourcePlace]:
            places = ledger.copies.source_places(wish.content)
            ledger.seen.doubt(wish.content)
            for place in places:
                fields = {"level": "warning", "source": place.source, **path_fields("path", place.path)}
                self._context.say(ledger, "reading_in_doubt", fields)
            return places

        for place in self._context.desk.ask(doubt):
            self._context.look_again(place.source, place.path)

    def _path_is_taken(self, wish: Wish, result: GroupResult) -> None:
        """Give the copy a name of its own beside somebody else's file, which stays as it is.

        A copy of ours that went bad is made again at its path instead, and then set aside.
        """
        way = make_way(self._context, self._files, wish, drive=self._drive)
        if way.bad is not None:
            self.bad[wish.id] = way.bad
        if way.is_open:
            result.again = True
        else:
            result.troubled.append(wish.id)

    def _trouble(self, staged: Staged, result: GroupResult, trouble: str) -> None:
        result.troubled.append(staged.wish.id)
        note_trouble(self._context, staged.wish, trouble)


def _is_of(found: ReadBack, placement: Placement) -> bool:
    return (found.digest, found.size_bytes) == (placement.digest, placement.size_bytes)


def _is_same_file(one: Wish, other: Wish) -> bool:
    """Tell whether two wishes are for the same file of a frame: numbers of wishes that were dropped come again."""
    first, second = one.placement, other.placement
    return (first.frame, first.tier, first.name) == (second.frame, second.tier, second.name)
