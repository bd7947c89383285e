"""Fetches a content for a drive from the best place that has it: a source, else another drive's copy.

May not wait for ever for a place that is silent (I17), and may not keep a finding to itself: a copy that gave an
error or other bytes is told, and counts as none until its own lane has looked at it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from replicatord.copying.apart import WORTH_IT, SmallFiles, ToStage
from replicatord.copying.context import Context
from replicatord.copying.far import FarReader, NotAnswering, close_quietly
from replicatord.copying.files import DriveFiles
from replicatord.copying.pace import Pace
from replicatord.copying.places import Opened, Place, PlaceUnusable, open_place, places
from replicatord.copying.staging import SourceChanged, SourceUnreadable, Stager
from replicatord.drives.identity import read_identity
from replicatord.ledger.copies import DrivePlace, SourcePlace
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.wishes import Wish
from replicatord.log.times import path_fields
from replicatord.media.digests import new_hasher


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """A content that lies, unproved, in the drive's folder for that."""

    partial: bytes
    told_as: str  # the place that it came from
    busy_s: float = 0.0  # what it took before it was asked for


@dataclass(frozen=True, slots=True, kw_only=True)
class Nowhere:
    """No place gave the content."""

    reason: str


class Fetcher:
    """Fetches contents for one drive. One visit's: what was silent once is not asked again in it."""

    def __init__(  # noqa: PLR0913  the parts of a visit, handed over once
        self,
        context: Context,
        files: DriveFiles,
        *,
        bay: str,
        must_stop: Callable[[], bool],
        each_synced: bool,
        small: SmallFiles,
    ) -> None:
        """`bay` is the drive's name. `each_synced`: every file is flushed by itself, since the drive cannot be as a whole."""
        self._context, self._files, self._each_synced = context, files, each_synced
        self._small = small
        self._ahead: dict[int, Fetched] = {}  # wish -> what was fetched before it was asked for
        self._bay, self._must_stop = bay, must_stop
        self._far = FarReader(beat=must_stop)
        self._silent: set[str] = set()  # drives and cards
        self._stager = Stager(
            must_stop=must_stop,
            far=self._far,
            new_hasher=new_hasher(context.settings.digest),
            chunk_bytes=context.chunk_bytes(),
            pace=Pace(
                limit=lambda: context.settings.limit_rate,
                now=context.now,
                monotonic=context.monotonic,
                stop=context.stop,
                beat=must_stop,
            ).wait_after,
        )

    def close(self) -> None:
        """End the thread that reads from far places."""
        self._far.close()

    def fetch_ahead(self, wanted: Iterable[tuple[Wish, Sequence[SourcePlace]]]) -> None:
        """Have small files copied that will be asked for, each from the first place that has it. Raises Interrupted.

        What cannot be had like this is fetched when it is asked for.
        """
        asked: dict[int, ToStage] = {}
        for wish, sources in wanted:
            place = next(places(self._context, sources, lambda: ()), None)
            if place is not None and place.stat is not None and not place.is_far:
                asked[wish.id] = ToStage(
                    root=place.root,
                    path=place.path,
                    told_as=place.told_as,
                    source=place.source,
                    stat=place.stat,
                )
        if len(asked) < WORTH_IT:
            return
        done = self._small.stage(self._files, list(asked.values()), each_synced=self._each_synced)
        for (wish_id, its), staged in zip(asked.items(), done, strict=True):
            if staged is not None:
                self._ahead[wish_id] = Fetched(
                    partial=staged.partial, told_as=its.told_as, busy_s=staged.busy_s
                )

    def drop_ahead(self) -> None:
        """Remove what was fetched ahead and not asked for, as far as the drive is still there."""
        while self._ahead:
            _, fetched = self._ahead.popitem()
            with suppress(OSError):  # partial files are cleared when it comes back
                self._files.remove_partial(fetched.partial)

    def fetch(
        self, wish: Wish, sources: Sequence[SourcePlace], copies: Callable[[], Sequence[DrivePlace]]
    ) -> Fetched | Nowhere:
        """Copy a content from the first place that gives it. Raises OSError (of this drive), Interrupted.

        `copies` is asked only when no source gives it.
        """
        ahead = self._ahead.pop(wish.id, None)
        if ahead is not None:
            return ahead
        reasons: list[str] = []
        for place in places(self._context, sources, copies):
            if place.is_far and (place.bay or place.source) in self._silent:
                reasons.append(f"{place.told_as} does not answer")
                continue
            try:
                partial = self._stage(place, wish)
            except (PlaceUnusable, SourceChanged, SourceUnreadable) as exc:
                reasons.append(self._note(place, exc))
                continue
            return Fetched(partial=partial, told_as=place.told_as)
        return Nowhere(
            reason="; ".join(reasons) or "it is no longer in its source, and on no drive that is here"
        )

    def _stage(self, place: Place, wish: Wish) -> bytes:
        """Copy a content from one place, in turn with whoever else uses its disk or ours."""
        settings = self._context.settings
        with self._context.streams.turn(settings, place.bay, self._bay, beat=self._must_stop):
            opened = self._open(place, wish.placement.size_bytes)
            partial = self._stager.stage(
                self._files, opened, wish.placement.digest, each_synced=self._each_synced
            )
        if place.source and not opened.was_cached:
            self._context.brought.note(opened.path, opened.stat)  # other drives may want it too
        return partial

    def _open(self, place: Place, size: int) -> Opened:
        """Open a place; one that may be silent, with patience. Raises PlaceUnusable."""
        if not place.is_far:
            return open_place(place, size, self._context.look_again)
        try:
            return self._far.do(
                lambda: open_place(place, size, self._context.look_again),
                if_late=lambda opened: close_quietly(opened.fd),
            )
        except NotAnswering as exc:
            raise PlaceUnusable(f"{place.told_as} does not answer") from exc

    def _note(self, place: Place, exc: PlaceUnusable | SourceChanged | SourceUnreadable) -> str:
        """Draw the conclusions from a place that did not give the content; say why it did not."""
        if isinstance(exc.__cause__, NotAnswering):
            self._silent.add(place.bay or place.source)
            return f"{place.told_as} does not answer"
        if isinstance(exc, SourceChanged):
            self._context.look_again(place.source, place.path)
            return f"{place.told_as} changed while it was copied"
        if isinstance(exc, SourceUnreadable) or exc.is_finding:
            self._note_finding(place, str(exc.args[0]))
        return str(exc.args[0])

    def _note_finding(self, place: Place, reason: str) -> None:
        """Note that another drive's copy is not good, if it really is that drive that is there now."""
        if not place.bay or not self._is_drive_of(place):
            return

        def note(ledger: Ledger) -> None:
            if ledger.copies.suspect(place.copy):
                fields = {"level": "error", "drive": place.bay, **path_fields("path", place.path)}
                self._context.say(ledger, "copy_is_suspect", {**fields, "reason": reason})

        self._context.desk.ask(note)
        self._context.wake({place.bay: 0})

    def _is_drive_of(self, place: Place) -> bool:
        expected = self._context.desk.look(lambda l: l.bays.get(place.bay).identity)

        def look() -> bool:
            root = os.open(place.root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            try:
                found = read_identity(root)
            finally:
                os.close(root)
            return found is not None and found.id == expected

        try:
            return self._far.do(look)
        except (OSError, ValueError, NotAnswering):
            return False  # it went away: that says nothing about the copy
