"""One visit to a drive that is here: group after group until nothing is left that can be done.

May not go on after the drive stopped being what it was: it is looked at again before every group
(promise I7). What an earlier visit left half done is finished or cleaned up before anything new begins (I11).
"""

from __future__ import annotations

import errno
import uuid
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Final

from replicatord.copying.apart import SMALL_BYTES, SmallFiles
from replicatord.copying.checking import CheckAsk, Checked, Checker, find_unknown
from replicatord.copying.context import Context
from replicatord.copying.fetching import Fetcher, Nowhere
from replicatord.copying.files import DriveFiles, is_regular
from replicatord.copying.group import (
    GroupResult,
    Publisher,
    Staged,
)
from replicatord.copying.letting_go import LettingGo
from replicatord.copying.moves import settle_moves
from replicatord.copying.obstacles import (
    NOT_WHOLE,
    make_way,
    note_refused,
    note_trouble,
    path_trouble,
    step_aside,
)
from replicatord.copying.readback import Interrupted, Prover
from replicatord.copying.record import DriveRecord
from replicatord.copying.spares import leave_spare
from replicatord.copying.strays import Strays
from replicatord.drives.abilities import probe
from replicatord.drives.kernel import find_mount_of, flushes_whole, has_local_medium, syncfs_reports_errors
from replicatord.drives.presence import NotUsable, OpenDrive
from replicatord.drives.room import FULL, folder_bytes, free_bytes, room_bytes, size_bytes
from replicatord.ledger.copies import DrivePlace, SourcePlace
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.wishes import Wish
from replicatord.log.words import size_words
from replicatord.media.digests import new_hasher
from replicatord.media.names import split_stem
from replicatord.model.abilities import Abilities
from replicatord.model.copies import CopyState, Medium
from replicatord.rules.names import fit_path
from replicatord.rules.paths import path_key

_WISHES_AT_ONCE: Final = 500  # a question of some 20 ms: nobody else waits long for the ledger
_SMALL_BYTES: Final = 256 << 10
_ROUNDS_MAX: Final = 10  # rounds over what is left, in one visit; each after something was changed for it
_FULL_MARGIN_BYTES: Final = 1 << 20  # the last blocks of a file system go into its own tables


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSize:
    """When a group is full.

    Measured (see DEVELOPERS): disks that seek want fewer turns between writing and reading back,
    others want to overlap the two.
    """

    files: int
    size_bytes: int
    overlap: bool


GROUPS: Final = {
    Medium.HDD: GroupSize(files=2_000, size_bytes=512 << 20, overlap=False),
    Medium.SSD: GroupSize(files=2_000, size_bytes=96 << 20, overlap=True),
    Medium.CLOUD: GroupSize(files=2_000, size_bytes=96 << 20, overlap=False),
    Medium.NETWORK: GroupSize(files=2_000, size_bytes=96 << 20, overlap=False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Work:
    """A wish, and where its content can be read."""

    wish: Wish
    sources: list[SourcePlace]
    copies: list[DrivePlace] | None  # on drives; None: not asked for yet, since a source has it


def _are_small(wishes: Sequence[Wish]) -> bool:
    """Tell whether files are so small that they cost processor, not disk: two threads at them only hinder one another."""
    return sum(wish.placement.size_bytes for wish in wishes) < _SMALL_BYTES * len(wishes)


class Full(Exception):  # noqa: N818  part of normal life
    """The drive has no room for the next file."""


class Visit:
    """An open drive, and what is being done on it. Used by its lane's thread alone."""

    def __init__(  # noqa: PLR0913  what a visit is made of, handed over once
        self,
        context: Context,
        drive: OpenDrive,
        number: int,
        *,
        is_resting: Callable[[int], bool],
        on_group: Callable[[GroupResult], None],
        must_stop: Callable[[], bool],
        find_twin: Callable[[], NotUsable | None],
        abilities: Abilities | None,
        small: SmallFiles,
    ) -> None:
        """Open: `number` is the drive's in the ledger, `is_resting` tells wishes to leave alone for now.

        `must_stop` tells that the service stops; it is asked at every chunk, so it also tells of life.
        `find_twin` tells when another disk with this drive's identity turned up. `abilities` are those that
        were probed since the drive came, None when it just came. `small` stages and reads small files apart.
        Raises OSError when the drive gives way already here.
        """
        self._context, self._drive, self._number = context, drive, number
        self._bay = drive.drive.name
        self._is_resting, self._on_group, self._must_stop = is_resting, on_group, must_stop
        self._find_twin, self._small = find_twin, small
        self._size = GROUPS[drive.drive.medium]
        settings = context.settings
        mount = find_mount_of(drive.root)
        has_medium = mount is not None and has_local_medium(mount.fs_type)
        self._has_medium = has_medium
        self._files = DriveFiles(drive.root, tag=b"w")
        proving_files = DriveFiles(drive.root, tag=b"p")
        self._proving_files = proving_files
        self._prover = Prover(
            new_hasher(settings.digest),
            must_stop=must_stop,
            begin_thread=context.one_core.be_free,  # it reads large files, whoever made it
            chunk_bytes=context.chunk_bytes(),
        )
        self._record = DriveRecord(
            proving_files, context.desk, bay=self._bay, drive=number, algorithm=settings.digest
        )
        self._publisher = Publisher(
            context,
            proving_files,
            self._prover,
            self._record,
            bay=self._bay,
            drive=number,
            has_medium=has_medium,
            note_room=self.note_room,
            is_alive=lambda: drive.recheck() is None,
            beat=must_stop,
            small=small,
        )
        self._fetcher = Fetcher(
            context,
            self._files,
            bay=self._bay,
            must_stop=must_stop,
            each_synced=not syncfs_reports_errors() or mount is None or not flushes_whole(mount.fs_type),
            small=small,
        )
        self._abilities = abilities
        self._held: Collection[str] = ()  # sources of which nothing is replaced
        self._others_bytes = 0  # what others put into a folder that has a limit
        self._behind = ThreadPoolExecutor(max_workers=1, thread_name_prefix=f"prove-{self._bay}")
        self._open_group: Future[GroupResult] | None = None
        self._under_way_bytes = 0  # of groups that the ledger does not count yet
        self._again = False
        self._sit: Callable[[bool], None] = lambda _: None

    def work(self) -> NotUsable | None:
        """Do all that can be done now; give the reason when the drive cannot take more.

        Raises OSError when the drive gave way, Interrupted when the service stops.
        """
        with self._context.one_core.seat() as self._sit:
            for _ in range(_ROUNDS_MAX):
                self._again = False
                why = self._round()
                if why is not None or not self._again:
                    return why
        return None

    def check(self, ask: CheckAsk, must_yield: Callable[[], bool]) -> Checked:
        """Read copies again, until all that is asked for is read or `must_yield` tells of something better to do."""
        checker = Checker(
            self._context,
            self._drive,
            self._proving_files,
            number=self._number,
            has_medium=self._has_medium,
            must_yield=must_yield,
        )
        try:
            checked = checker.check(ask)
        finally:
            checker.close()
        if checked.findings and checked.why is None:
            self._record.write_anew()  # the drive's own list names nothing that is not there as it should be
        return checked

    def see_to_strays(self, *, is_full: bool, also_last: bool) -> None:
        """See to the copies in doubt that `work` does not come by. Raises OSError, Interrupted."""
        strays = Strays(
            *(self._context, self._proving_files),
            drive=self._number,
            bay=self._bay,
            read=self._publisher.read_from_medium,
            must_stop=self._must_stop,
            is_alive=lambda: self._drive.recheck() is None,
        )
        try:
            strays.see_to(is_full=is_full, also_last=also_last)
        finally:
            if strays.has_any:
                self._record.write_anew()

    def has_unproved(self) -> bool:
        """Tell whether there are copies of which only a spare of the ledger says that they are verified."""
        return bool(self._context.desk.look(lambda l: l.fixity.unproved_on(self._bay)))

    def leave_spare(self) -> None:
        """Leave a spare copy of the ledger on the drive if that is due. Raises OSError."""
        leave_spare(self._context, self._proving_files, root=self._drive.root, bay=self._bay)

    def let_go_of_earlier(self, must_yield: Callable[[], bool]) -> bool:
        """Remove earlier versions that are as old as the settings say, if another place gives them too.

        Tells whether all were looked at, before `must_yield` told of something better to do. Raises OSError.
        """
        going = LettingGo(
            self._context, self._proving_files, drive=self._number, bay=self._bay, must_yield=must_yield
        )
        try:
            return going.go()
        finally:
            going.close()
            if going.has_any:
                self._record.write_anew()

    def find_unknown(self) -> tuple[int, list[bytes]]:
        """Count the files that somebody else put on the drive, with some of their paths."""
        return find_unknown(self._context, self._drive, self._number)

    def close(self) -> None:
        """Let go of everything that was opened here; the drive itself stays its lane's."""
        self._behind.shutdown()
        self._prover.close()
        self._fetcher.close()
        for files in (self._files, self._proving_files):
            files.close()

    def begin(self) -> Abilities:
        """Put the drive in order, before `work`, and note what it can take; give what it can hold. Raises OSError.

        Cleans up after an interrupted visit, and makes durable what it left behind.
        """
        self._files.clear_partial()
        is_new = self._abilities is None
        abilities = self._abilities = self._abilities or self._probe()
        self._files.sync_contents()
        if settle_moves(self._context.desk, self._proving_files, self._number):
            self._record.write_anew()
        if self._is_older_ledger():
            self._record.keep_and_write_anew(self._context.now().strftime("%Y%m%dT%H%M%S%f"))
            mark = self._drive.mark
            self._context.desk.ask(lambda l: l.bays.plan_mark(self._number, found=mark, new=mark))
        else:
            self._record.mend()
        self._measure_others()
        self._forget_looked_at()

        def note(ledger: Ledger) -> None:
            # What a file system of other abilities refused is asked for again.
            if is_new and ledger.bays.set_abilities(self._bay, abilities.to_json()):
                ledger.wishes.want_refused(self._bay)
            self.note_room(ledger)

        self._context.desk.ask(note)
        return abilities

    def _forget_looked_at(self) -> None:
        """Forget what was set aside and is not there any more: a person looked at it and removed it."""
        known = self._context.desk.look(lambda l: l.copies.set_aside_on(self._number))
        gone = [copy for copy, path in known if self._files.find_stat(path) is None]
        if gone:
            self._context.desk.ask(lambda l: l.copies.forget_set_aside(gone))

    def _is_older_ledger(self) -> bool:
        """Tell whether the ledger was put back from a spare: the drive carries a mark of which it knows nothing."""
        marks = self._context.desk.look(lambda l: l.bays.find_marks(self._drive.identity.id))
        return bool(self._drive.mark) and marks is not None and not (marks.mark or marks.next_mark)

    def note_room(self, ledger: Ledger) -> None:
        """Note how much room the drive has, inside a transaction."""
        root = self._drive.root
        room = self._room_with(ledger.copies.used_bytes(self._number))
        ledger.bays.set_room(self._bay, room_bytes=room, fs_bytes=size_bytes(root), at=self._context.at())

    def _measure_others(self) -> None:
        """Add up what others put into a folder that has a limit: it is one of all that lies in it."""
        drive = self._drive.drive
        if drive.limit_bytes is not None and not drive.is_mount:
            ours = self._context.desk.look(lambda l: l.copies.used_bytes(self._number))
            self._others_bytes = max(folder_bytes(drive.root) - ours, 0)

    def _round(self) -> NotUsable | None:
        """Go through the wishes once, in order."""
        after, is_first = 0, True
        why: NotUsable | None = None
        while why is None and not self._context.is_quiet():
            if not is_first:
                why = self._drive.recheck() or self._find_twin()
                if why is not None:
                    break
            is_first = False
            begun = self._context.monotonic()
            try:
                group, after, is_end = self._stage_group(after)
            except Full as full:
                group, is_end, why = (
                    full.args[0],
                    True,
                    NotUsable(is_absent=False, is_full=True, reason=full.args[1]),
                )
            if group:
                self._prove(group, begun)
            if is_end:
                break
        self._wait_for_proof()
        if self._publisher.moved:
            self._record.write_anew()
            self._publisher.moved = False
        return why

    def _prove(self, group: list[Staged], begun: float) -> None:
        """Hand a group to the proving thread; where reading back may not, or need not, overlap writing, wait for it."""
        self._wait_for_proof()
        self._leave_mark()
        are_small = _are_small([staged.wish for staged in group])
        self._open_group = self._behind.submit(self._finish, group, begun, are_small=are_small)
        if not self._size.overlap or (are_small and not self._small.is_ready()):
            self._wait_for_proof()

    def _finish(self, group: list[Staged], begun: float, *, are_small: bool) -> GroupResult:
        with self._context.one_core.seat() as sit:
            sit(are_small)
            return self._publisher.finish(group, since=begun)

    def _leave_mark(self) -> None:
        """Mark the drive as changed, before each group, so that an older state of it, or a clone, is known as such."""
        new = uuid.uuid4().hex
        self._context.desk.ask(lambda l: l.bays.plan_mark(self._number, found=self._drive.mark, new=new))
        self._drive.set_mark(new)

    def _wait_for_proof(self) -> None:
        if self._open_group is None:
            return
        future, self._open_group = self._open_group, None
        result = future.result()
        self._under_way_bytes = 0
        self._again = self._again or result.again
        self._on_group(result)

    def _stage_group(self, after: int) -> tuple[list[Staged], int, bool]:
        """Stage wishes until a group is full; give it, the last wish looked at, and whether that was all.

        Raises Full with the group so far and the reason.
        """
        try:
            return self._stage_some(after)
        finally:
            self._fetcher.drop_ahead()

    def _stage_some(self, after: int) -> tuple[list[Staged], int, bool]:
        group: list[Staged] = []
        paths: set[bytes] = set()
        size = 0
        while True:
            works = self._next_wishes(after)
            if not works:
                return group, after, True
            room = self._room() - size
            self._fetch_ahead(works, room)
            for work in (self._fitted(work) for work in works):
                wish = work.wish
                if self._must_stop():
                    raise Interrupted
                if wish.placement.path in paths:
                    self._again = True  # two tiers want one path: the second finds the first's copy there
                elif not self._must_leave(wish):
                    paths.add(wish.placement.path)
                    staged = self._begin(work, room, group)
                    if staged is not None:
                        group.append(staged)
                        if staged.partial:
                            size += wish.placement.size_bytes
                            room -= wish.placement.size_bytes
                after = wish.id
                if len(group) >= self._size.files or size >= self._size.size_bytes:
                    self._under_way_bytes += size
                    return group, after, False

    def _fetch_ahead(self, works: Sequence[_Work], room: int) -> None:
        """Have another process stage what is small, if it is there; have it begin while many small ones wait.

        A disk that seeks is what small files wait for, and a rate is kept to file by file.
        """
        are_small = _are_small([work.wish for work in works])
        is_for_it = (
            are_small and self._drive.drive.medium is Medium.SSD and self._context.settings.limit_rate is None
        )
        if is_for_it and len(works) == _WISHES_AT_ONCE and self._small.pid is None:
            self._sit(False)  # it is to be free
            self._small.begin()
        self._sit(are_small)
        if is_for_it and self._small.is_ready():
            self._fetcher.fetch_ahead(self._plain(works, room))

    def _plain(self, works: Sequence[_Work], room: int) -> Iterator[tuple[Wish, Sequence[SourcePlace]]]:
        """Give small files that are wanted for the first time, as far as there is room for them."""
        for work in works:
            wish, size = work.wish, work.wish.placement.size_bytes
            is_first = wish.serving is None and not wish.tries and not self._must_leave(wish)
            if work.sources and size <= SMALL_BYTES and is_first and size <= room:
                room -= size
                yield wish, work.sources

    def _must_leave(self, wish: Wish) -> bool:
        """Tell whether a wish is left alone for now: it rests, or its source is held until a person says so."""
        if wish.tries and self._is_resting(wish.id):  # what is asked for anew has no tries
            return True
        # A bad copy is made anew all the same.
        is_as_it_was = wish.serving_is_same and wish.serving_path == wish.placement.path
        return wish.source in self._held and wish.serving is not None and not is_as_it_was

    def _next_wishes(self, after: int) -> list[_Work]:
        """Fetch wishes with the places of their contents: one question for many files."""

        def look(ledger: Ledger) -> list[_Work]:
            self._held = ledger.holds.held().keys()
            works: list[_Work] = []
            wishes = ledger.wishes.next_wishes(self._bay, after=after, limit=_WISHES_AT_ONCE)
            places = ledger.copies.source_places_of(wish.content for wish in wishes)
            for wish in wishes:
                sources = places.get(wish.content, [])
                copies = None if sources else self._copies(ledger, wish)
                works.append(_Work(wish=wish, sources=sources, copies=copies))
            return works

        return self._context.desk.look(look)

    def _copies(self, ledger: Ledger, wish: Wish) -> list[DrivePlace]:
        """Give the copies of a content from which it may be copied."""
        return [
            *ledger.copies.drive_places(wish.content, besides=self._bay),
            *self._own_copy(ledger, wish),
        ]

    def _own_copy(self, ledger: Ledger, wish: Wish) -> list[DrivePlace]:
        """Give the copy that this drive has of the content already, for another tier that wants it elsewhere."""
        if wish.serving is None or not wish.serving_is_same or wish.serving_path == wish.placement.path:
            return []
        if ledger.copies.state_of(wish.serving) is not CopyState.VERIFIED:
            return []
        return [DrivePlace(id=wish.serving, bay=self._bay, path=wish.serving_path)]

    def _fitted(self, work: _Work) -> _Work:
        """Have a copy lie under a name that this drive can hold; the ledger keeps the planned one beside it."""
        wish = work.wish
        if wish.placement.path != wish.planned or self._abilities is None:
            return work
        path = fit_path(wish.planned, self._abilities, split_stem=split_stem)
        if path == wish.planned:
            return work
        self._context.desk.ask(lambda l: l.wishes.set_path(wish.id, path))
        return replace(work, wish=replace(wish, placement=replace(wish.placement, path=path)))

    def _limit_bytes(self) -> int | None:
        """Give the drive's limit as the settings have it now; they may change in a long visit."""
        return self._context.settings.drives.get(self._bay, self._drive.drive).limit_bytes

    def _room(self) -> int:
        used = 0
        if self._limit_bytes() is not None:
            used = self._context.desk.look(lambda l: l.copies.used_bytes(self._number))
        return self._room_with(used + self._under_way_bytes)

    def _room_with(self, used_by_us: int) -> int:
        return room_bytes(
            free=free_bytes(self._drive.root),
            keep_free=self._context.settings.keep_free_bytes,
            used_by_us=used_by_us + self._others_bytes,
            limit=self._limit_bytes(),
        )

    def _begin(self, work: _Work, room: int, group: list[Staged]) -> Staged | None:
        """Begin one piece of work: refile, find in place, or copy. None when there is nothing to prove."""
        wish = work.wish
        if wish.serving_was_surveyed and wish.serving is not None:
            self._leave_surveyed(wish, wish.serving)
            return None
        if not self._publisher.is_bad_still(wish):
            try:
                is_to_copy, staged = self._look_in_place(wish)
            except OSError as exc:
                if self._drive.recheck() is not None:
                    raise
                self._blame_path(wish, exc)
                return None
            if not is_to_copy:
                return staged
        if wish.placement.size_bytes > room:
            raise Full(group, self._full_reason())
        return self._copy(work, group)

    def _blame_path(self, wish: Wish, exc: OSError) -> None:
        """Note that one path gives an error, which is not the drive's trouble: everything else can be copied.

        Where its entry is damaged, the copy goes beside it.
        """
        if exc.errno in NOT_WHOLE and not wish.tries:
            try:
                if step_aside(self._context, self._files, wish):
                    self._again = True
                    return
            except OSError:
                pass  # the whole folder is damaged
        note_trouble(self._context, wish, path_trouble(exc))
        self._on_group(GroupResult(troubled=[wish.id]))

    def _look_in_place(self, wish: Wish) -> tuple[bool, Staged | None]:
        """Tell whether a copy is to be made, and if not, what is there to be proved. Raises OSError."""
        found = self._files.find_stat(wish.placement.path)
        if found is not None and self._is_same_name(wish):
            return False, None
        if wish.serving is not None and wish.serving_is_same and found is None:
            if self._is_shared(wish, wish.serving):
                return True, None  # another tier has it where it is
            return False, self._begin_refile(wish, wish.serving)
        replaces = wish.serving is not None and not wish.serving_is_same
        if found is None or (replaces and wish.serving_path == wish.placement.path):
            return True, None
        if self._serves_already(wish, found.st_mtime_ns):
            return False, None
        if is_regular(found) and found.st_size == wish.placement.size_bytes:
            return False, Staged(wish=wish, told_as="found in place")
        way = make_way(self._context, self._files, wish, drive=self._number)
        if way.bad is not None:
            self._publisher.bad[wish.id] = way.bad
            return True, None
        if way.is_open:
            self._again = True
        else:
            self._on_group(GroupResult(troubled=[wish.id]))
        return False, None

    def _leave_surveyed(self, wish: Wish, copy: int) -> None:
        """Hold a wish by what was on the drive before we were; if that will not do, have a copy made beside it."""

        def leave(ledger: Ledger) -> None:
            if wish.serving_is_same and ledger.copies.state_of(copy) is CopyState.VERIFIED:
                ledger.wishes.hold(wish.id, copy)
            else:
                ledger.wishes.forget_serving(wish.id)

        self._context.desk.ask(leave)
        self._again = True

    def _is_shared(self, wish: Wish, copy: int) -> bool:
        return self._context.desk.look(lambda l: l.wishes.is_shared(copy, wish.id))

    def _begin_refile(self, wish: Wish, copy: int) -> Staged | None:
        """Begin to move a copy to the path that is asked for now; it is read first if it is not known to be good."""
        try:
            is_there = self._files.find_stat(wish.serving_path) is not None
        except OSError as exc:
            if exc.errno not in NOT_WHOLE or self._drive.recheck() is not None:
                raise
            is_there = False  # its entry is damaged: what cannot be looked at cannot be moved
        if is_there:
            state = self._context.desk.look(lambda l: l.copies.state_of(copy))
            return Staged(wish=wish, is_refile=True, must_read=state is not CopyState.VERIFIED)
        self._context.desk.ask(lambda l: l.wishes.forget_serving(wish.id))
        self._again = True  # it is wanted as it would be had there never been a copy
        return None

    def _is_same_name(self, wish: Wish) -> bool:
        """Keep the spelling that a copy has where a file system takes the new one for the same name."""
        abilities, path = self._abilities, wish.placement.path
        if wish.serving is None or not wish.serving_is_same or wish.serving_path == path:
            return False
        if abilities is None or not abilities.folds_case or path_key(path) != path_key(wish.serving_path):
            return False
        copy = wish.serving

        def keep(ledger: Ledger) -> bool:
            if ledger.wishes.get_wish(self._bay, wish.id) == wish:
                ledger.wishes.set_path(wish.id, wish.serving_path)
            return ledger.wishes.hold(wish.id, copy)

        if not self._context.desk.ask(keep):
            self._again = True  # asked for otherwise by now, or it is to be read first
        return True

    def _serves_already(self, wish: Wish, mtime_ns: int) -> bool:
        """Hold a wish by the copy that another tier has at the same path; it was proved and told already."""

        def hold(ledger: Ledger) -> bool:
            copy = ledger.copies.find_at(self._number, wish.placement.path)
            serves = copy is not None and (copy.content, copy.state, copy.mtime_ns) == (
                wish.content,
                CopyState.VERIFIED,
                mtime_ns,
            )
            if serves and copy is not None:
                ledger.wishes.hold(wish.id, copy.id)
            return serves

        return self._context.desk.ask(hold)

    def _copy(self, work: _Work, group: list[Staged]) -> Staged | None:
        """Copy a content from the first place that gives it."""
        wish, begun = work.wish, self._context.monotonic()
        try:
            fetched = self._fetcher.fetch(wish, work.sources, lambda: self._copies_of(work))
        except OSError as exc:
            if exc.errno in FULL or (exc.errno == errno.EPERM and not self._has_room_for(wish)):
                raise Full(group, self._full_reason()) from exc
            if exc.errno == errno.EFBIG:
                self._learn_file_max(wish.placement.size_bytes - 1)
                self._refuse(wish, "it is too large for the drive's file system")
                return None
            raise
        if isinstance(fetched, Nowhere):
            note_trouble(self._context, wish, fetched.reason)
            self._on_group(GroupResult(troubled=[wish.id]))
            return None
        busy = self._context.monotonic() - begun + fetched.busy_s
        bad = self._publisher.bad.get(wish.id)
        return Staged(wish=wish, partial=fetched.partial, told_as=fetched.told_as, busy_s=busy, bad=bad)

    def _copies_of(self, work: _Work) -> list[DrivePlace]:
        if work.copies is not None:
            return work.copies
        return self._context.desk.look(lambda l: self._copies(l, work.wish))

    def _learn_file_max(self, size_bytes: int) -> None:
        """Note that no larger file is taken, where that could not be told by trying it out (FUSE)."""
        if self._abilities is None:
            return
        known = self._abilities.file_max_bytes
        if known is None or known > size_bytes:
            abilities = self._abilities = replace(self._abilities, file_max_bytes=size_bytes)
            self._context.desk.ask(lambda l: l.bays.set_abilities(self._bay, abilities.to_json()))

    def _probe(self) -> Abilities:
        """Try out what the file system can hold; what was learnt besides about the same one stays known."""
        abilities = probe(self._files.probe_folder())
        known = Abilities.from_json(self._context.desk.look(lambda l: l.bays.find_abilities(self._bay)))
        is_same = known is not None and replace(known, file_max_bytes=abilities.file_max_bytes) == abilities
        return known if known is not None and is_same and abilities.file_max_bytes is None else abilities

    def _refuse(self, wish: Wish, trouble: str) -> None:
        note_refused(self._context, wish, trouble)
        self._on_group(GroupResult(refused=1))

    def _has_room_for(self, wish: Wish) -> bool:
        """Look again after an error that some file systems give for a full disk (FAT by FUSE: EPERM)."""
        return free_bytes(self._drive.root) > wish.placement.size_bytes + _FULL_MARGIN_BYTES

    def _full_reason(self) -> str:
        settings, limit = self._context.settings, self._limit_bytes()
        free = free_bytes(self._drive.root)
        if limit is not None and free > settings.keep_free_bytes:
            return f"it has reached its limit of {size_words(limit)}"
        return f"it is full: {size_words(free)} free, {size_words(settings.keep_free_bytes)} are to stay free"
