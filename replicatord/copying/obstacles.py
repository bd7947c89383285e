"""What is in a copy's way on its drive, and copies that cannot be made: one path's trouble, never the drive's.

May not move anything before its replacement was proved, and never the only copy there is (promise I8). Somebody
else's file is left as it is.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from replicatord.copying.context import Context
from replicatord.copying.files import DriveFiles, is_regular
from replicatord.copying.moves import move_copy, set_aside_path
from replicatord.ledger.copies import KnownCopy
from replicatord.ledger.ledger import Ledger, SplitStem
from replicatord.ledger.wishes import Wish
from replicatord.log.times import path_fields, path_text
from replicatord.model.copies import NO_GOOD_COPY, CopyState
from replicatord.rules.paths import SUFFIX_HEX_DIGITS, suffixed

# What is said of a file whose blocks or inode are damaged (EUCLEAN: ext4, xfs; EBADMSG: a wrong checksum).
NOT_WHOLE: Final = frozenset({errno.EIO, errno.EUCLEAN, errno.EBADMSG})


@dataclass(frozen=True, slots=True, kw_only=True)
class Bad:
    """A copy of ours that is not what it should be, to be set aside once its replacement was proved."""

    copy: int
    path: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """Whether a copy can be made now: around what was in its way, or in place of a bad copy."""

    is_open: bool
    bad: Bad | None = None


def step_aside(context: Context, files: DriveFiles, wish: Wish) -> bool:
    """Give a wish another path, because what has its own is another's, or damaged; tell whether there is one."""
    path = _free_path_beside(files, wish, context.desk.look(lambda l: l.split_stem))
    if path is None:
        note_trouble(context, wish, "other files have every name that it could get")
        return False

    def note(ledger: Ledger) -> None:
        ledger.wishes.set_path(wish.id, path)
        context.say(
            ledger,
            "path_was_taken",
            {
                "level": "warning",
                "drive": wish.placement.drive,
                **path_fields("path", wish.placement.path),
                **path_fields("instead", path),
            },
        )

    context.desk.ask(note)
    return True


def make_way(context: Context, files: DriveFiles, wish: Wish, *, drive: int) -> Way:
    """Deal with a file that is in a copy's way and is not what it should be.

    A bad copy of ours is made anew, if another good one is known to make it from (promise I8); the only one there
    is stays where it is, and is told. Somebody else's file stays, as one of ours does that a person edited, and the
    copy goes beside it.
    """
    known = context.desk.look(lambda l: l.copies.find_at(drive, wish.placement.path))
    if known is None or known.state is not CopyState.SUSPECT or known.content != wish.content:
        return Way(is_open=step_aside(context, files, wish))
    bays = tuple(context.settings.drives)
    if not context.desk.look(lambda l: l.copies.may_have_another(wish.content, besides=drive, bays=bays)):
        note_trouble(
            context,
            wish,
            f"{NO_GOOD_COPY}: it is left as it is. Look for the picture on other media before anything else",
            is_last=True,
        )
        return Way(is_open=False)
    if leave_if_edited(context, files, known):
        return Way(is_open=step_aside(context, files, wish))
    return Way(is_open=True, bad=Bad(copy=known.id, path=known.path))


def leave_if_edited(context: Context, files: DriveFiles, copy: KnownCopy) -> bool:
    """Tell whether a copy that does not match was edited on its drive; then it stays, and is no copy any more.

    Whoever edits a file gives it another time, which damage does not.
    """
    found = files.find_stat(copy.path)
    is_edited = found is not None and is_regular(found) and found.st_mtime_ns != copy.mtime_ns
    if is_edited:
        context.desk.ask(lambda l: l.fixity.changed(copy.id))
    return is_edited


def set_bad_aside(  # noqa: PLR0913  each is one fact of the copy
    context: Context, files: DriveFiles, bad: Bad, *, drive: int, bay: str, digest: bytes, why: str
) -> None:
    """Move a bad copy apart, kept for a person to look at. Another that is good was proved before. Raises OSError.

    `drive` is its drive's number in the ledger, `bay` that one's name; `why` ends the sentence that the log says.
    """
    new = set_aside_path(bad.path, at=context.at(), number=bad.copy)
    move_copy(
        context.desk, files, drive=drive, copy=bad.copy, old=bad.path, new=new, state=CopyState.SET_ASIDE
    )

    def note(ledger: Ledger) -> None:
        context.say(
            ledger,
            "copy_set_aside",
            {
                "level": "error",
                "drive": bay,
                **path_fields("path", bad.path),
                **path_fields("set_aside_as", new),
                "digest": digest.hex(),
                "reason": f"it no longer held what it should; {why}",
            },
        )

    context.desk.ask(note)


def _free_path_beside(files: DriveFiles, wish: Wish, split_stem: SplitStem) -> bytes | None:
    """Find a path for a copy whose own is taken: a digest suffix, as for two frames with one name."""
    folder, name = os.path.split(wish.placement.path)
    stem, ext = split_stem(name)
    for hex_digits in SUFFIX_HEX_DIGITS:
        new_stem = suffixed(stem, wish.placement.digest, hex_digits=hex_digits, longest_ext=len(ext))
        path = os.path.join(folder, new_stem + (b"." + ext if ext else b""))
        found = files.find_stat(path)
        if found is None or (is_regular(found) and found.st_size == wish.placement.size_bytes):
            return path
    return None


def path_trouble(exc: OSError) -> str:
    """Say what is wrong with one path of a drive that is all right otherwise."""
    if isinstance(exc, NotADirectoryError):
        return "a file or a link is in the place of a folder of its path"
    return (
        f"its path on the drive gives an error ({exc.strerror}); if that stays so, the drive's file system may be"
        " damaged there: unmount it and have it checked"
    )


def note_trouble(context: Context, wish: Wish, trouble: str, *, is_last: bool = False) -> None:
    """Remember why a copy is still wanted, and tell it once; louder when no good one is known (`is_last`)."""
    _note(
        context,
        wish,
        "copy_waits",
        trouble,
        lambda ledger: ledger.wishes.set_trouble(wish.id, trouble=trouble, is_try=True),
        more={"level": "critical", "other_copy_known": False} if is_last else {},
    )


def note_refused(context: Context, wish: Wish, trouble: str) -> None:
    """Remember that a drive cannot hold a file whatever is tried, and tell it once."""
    _note(context, wish, "copy_refused", trouble, lambda ledger: ledger.wishes.refuse(wish.id, trouble))


def _note(  # noqa: PLR0913  all of it is the caller's own
    context: Context,
    wish: Wish,
    event: str,
    trouble: str,
    is_news: Callable[[Ledger], bool],
    *,
    more: Mapping[str, object] = MappingProxyType({}),
) -> None:
    def note(ledger: Ledger) -> None:
        if is_news(ledger):
            context.say(
                ledger,
                event,
                {
                    "level": "warning",
                    "drive": wish.placement.drive,
                    **path_fields("path", wish.placement.path),
                    "source": path_text(
                        b"/".join(
                            part for part in (wish.source.encode(), wish.folder, wish.placement.name) if part
                        )
                    ),
                    "reason": trouble,
                    **more,
                },
            )

    context.desk.ask(note)
