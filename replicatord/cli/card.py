"""`card`: says whether a card, or any folder, is cleared: whether all that is on it is safe elsewhere.

May not write to the card, not even its access times, and asks no drive: what is known of copies is the
ledger's. Whatever cannot be read or told means no; the decision to format stays the person's.
"""

from __future__ import annotations

import json
import os
import stat
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from replicatord.cli.asking import CommandError, ledger_for_asking
from replicatord.cli.show import What, new_show
from replicatord.cli.words import counted, instant_words, shown, shown_path, size_words
from replicatord.drives.buffers import CHUNK_BYTES, aligned_buffer
from replicatord.drives.disks import disk_below, share_a_disk
from replicatord.drives.identity import IDENTITY_NAME
from replicatord.drives.untouched import open_untouched
from replicatord.duties.loads import counting_drives
from replicatord.ledger.cards import Covering
from replicatord.ledger.lock import find_running
from replicatord.log.times import path_fields
from replicatord.log.words import listed
from replicatord.media.digests import new_hasher
from replicatord.media.names import kind_and_format_of_name
from replicatord.media.probe import read_facts
from replicatord.media.sniff import HEAD_BYTES, sniff
from replicatord.model.copies import CopyState, PlacementState
from replicatord.model.frames import Digest, FileStat, Kind
from replicatord.model.settings import DigestAlgorithm, Drive, Settings
from replicatord.rules.paths import HIDDEN_FOLDER
from replicatord.watching.skips import WhySkipped, kind_skipped, name_skipper
from replicatord.watching.walk import joined

if TYPE_CHECKING:
    from replicatord.ledger.bays import Bay
    from replicatord.ledger.ledger import Ledger

_FOLDER_FLAGS: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC
_FILE_FLAGS: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
_FILES: Final = What(one="file", many="files", none="nothing to read")
_EXAMPLES: Final = 10  # names below each reason; `--json` has all
_LINE_EXAMPLES: Final = 3  # names within a line
# What a Mac writes beside a file on a medium of another system: RFC 1740, appendix A, the AppleDouble header.
_APPLE_DOUBLE: Final = b"\x00\x05\x16\x07"
_XMP_STARTS: Final = (b"<?xpacket", b"<x:xmpmeta")  # ISO 16684-1: the packet, and what is serialised in it
_XMP_WITHIN_BYTES: Final = 1024  # a byte order mark, an XML declaration or a comment may come first
_NEVER_READ: Final = "not read by the service yet"

Progress = Callable[[int, int, int, int, str], None]


@dataclass(slots=True)
class Listed:
    """What is on a card, by its path below the card's root."""

    files: dict[bytes, FileStat] = field(default_factory=dict)
    others: dict[bytes, str] = field(default_factory=dict)  # links, FIFOs, devices -> what it is
    unreadable: dict[bytes, str] = field(default_factory=dict)  # folders and entries -> why


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """One file of the card as it was read."""

    digest: Digest
    is_media: bool  # a picture, clip, sound or sidecar; looked at only of names that are never taken


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


def show_card(settings: Settings, path: str, *, as_json: bool) -> int:
    """Print whether a card is cleared; give 0 when every file of it is, else 1.

    Raises CommandError for a path that is no card, LedgerError when there is no ledger.
    """
    root = _root_of(settings, path)
    with ledger_for_asking(settings):
        pass  # before minutes are spent on reading
    why_skipped = name_skipper(settings.never_taken)
    if as_json:
        card, read, troubles = _read_all(root, settings.digest, why_skipped, lambda *_: None)
    else:
        with new_show(_FILES) as show:
            card, read, troubles = _read_all(root, settings.digest, why_skipped, show.progress)
    with ledger_for_asking(settings) as ledger:
        judge = _Judge(ledger, settings, root)
        verdict = judge.judge(root, card, read, troubles, why_skipped)
    if as_json:
        print(json.dumps(_fields(verdict, settings)))
    else:
        for line in _lines(verdict, settings):
            print(shown(line))
    return 0 if verdict.is_cleared else 1


# ---- what is on the card ----


def _root_of(settings: Settings, path: str) -> str:
    """Give the card's root with links followed. Raises CommandError when it cannot be a card."""
    root = os.path.realpath(path)
    if not os.path.isdir(root):
        what = "is not a folder" if os.path.lexists(path) else "does not exist"
        raise CommandError(f"{path} {what}; name the folder where the card is mounted")
    for drive in settings.drives.values():
        place = os.path.realpath(drive.root)
        if os.path.commonpath((place, root)) in (place, root):
            raise CommandError(
                f"{path} and the drive {drive.name} ({drive.root}) share a folder: that is no card,"
                " and its own copies cannot clear it"
            )
    folder = root
    while True:
        if os.path.lexists(os.path.join(os.fsencode(folder), HIDDEN_FOLDER, IDENTITY_NAME)):
            raise CommandError(f"{folder} carries the identity of a drive: that is no card")
        if folder in ("/", ""):
            return root
        folder = os.path.dirname(folder)


def _list_all(root: str) -> Listed:
    """List everything below a folder; links are not followed, and what cannot be listed is told."""
    card = Listed()
    todo = [b""]
    while todo:
        folder = todo.pop()
        try:
            fd = open_untouched(
                os.path.join(os.fsencode(root), folder), _FOLDER_FLAGS | (os.O_NOFOLLOW if folder else 0)
            )
        except OSError as exc:
            card.unreadable[folder] = _reason(exc)
            continue
        try:
            with os.scandir(fd) as entries:
                for entry in entries:
                    path = joined(folder, os.fsencode(entry.name))
                    if _note(card, path, entry):
                        todo.append(path)
        except OSError as exc:
            card.unreadable[folder] = _reason(exc)
        finally:
            os.close(fd)
    return card


def _note(card: Listed, path: bytes, entry: os.DirEntry[str]) -> bool:
    """Note one entry of a folder; tell whether it is a folder itself."""
    try:
        found = entry.stat(follow_symlinks=False)
    except OSError as exc:
        card.unreadable[path] = _reason(exc)
        return False
    if stat.S_ISDIR(found.st_mode):
        return True
    kind = kind_skipped(found.st_mode)
    if kind:
        card.others[path] = kind
    else:
        card.files[path] = FileStat.of(found)
    return False


def _read_all(
    root: str, algorithm: DigestAlgorithm, why_skipped: WhySkipped, progress: Progress
) -> tuple[Listed, dict[bytes, Read], dict[bytes, str]]:
    """Read every file; gives what is there, what was read, and what went wrong by path."""
    card = _list_all(root)
    total_bytes = sum(stat.size_bytes for stat in card.files.values())
    read: dict[bytes, Read] = {}
    troubles = dict(card.unreadable)
    reader = Reader(root, algorithm)
    done_files = done_bytes = 0

    def step(count: int) -> None:
        nonlocal done_bytes
        done_bytes += count
        progress(done_files, done_bytes, len(card.files), total_bytes, "read from the card")

    for path, found in sorted(card.files.items()):
        try:
            is_skipped = bool(_why_left_out(path, why_skipped))
            read[path] = reader.read(path, found, is_skipped=is_skipped, step=step)
        except OSError as exc:
            troubles[path] = _reason(exc)
        done_files += 1
        step(0)
    for path, why in changes_between(card, _list_all(root)):
        troubles.setdefault(path, why)
    return card, read, troubles


def changes_between(before: Listed, after: Listed) -> Iterator[tuple[bytes, str]]:
    """Say what is not as it was when the reading began."""
    yield from after.unreadable.items()
    for path in before.files.keys() | after.files.keys():
        if path not in after.files:
            yield path, "gone while the card was read"
        elif path not in before.files:
            yield path, "it came while the card was read"
        elif _held_still(before.files[path]) != _held_still(after.files[path]):
            yield path, "it changed while the card was read"


def _held_still(found: FileStat) -> tuple[int, int, int]:
    """Give what of a file must stay; not its inode, which some systems make up anew at each look (FUSE)."""
    return found.size_bytes, found.mtime_ns, found.ctime_ns


class Reader:
    """Reads files of a card whole, through one buffer."""

    def __init__(self, root: str, algorithm: DigestAlgorithm) -> None:
        self._root, self._new_hasher = os.fsencode(root), new_hasher(algorithm)
        self._buffer = aligned_buffer()

    def read(self, path: bytes, found: FileStat, *, is_skipped: bool, step: Callable[[int], object]) -> Read:
        """Read one file; `step` hears of every few bytes.

        Raises OSError when it cannot be read, or is not what was found when the card was listed.
        """
        fd = open_untouched(os.path.join(self._root, path), _FILE_FLAGS)
        try:
            before = os.fstat(fd)
            if not stat.S_ISREG(before.st_mode) or _held_still(FileStat.of(before)) != _held_still(found):
                raise OSError(0, "it changed while the card was read")
            digest, size = self._digest(fd, found.size_bytes, step)
            after = _held_still(FileStat.of(os.fstat(fd)))
            if size != found.size_bytes or after != _held_still(found):
                raise OSError(0, "it changed while the card was read")
            name = os.path.basename(path)
            return Read(digest=digest, is_media=is_skipped and is_media(fd, name=name, size_bytes=size))
        finally:
            os.close(fd)

    def _digest(self, fd: int, size: int, step: Callable[[int], object]) -> tuple[Digest, int]:
        if size > CHUNK_BYTES:
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_SEQUENTIAL)
        hasher, offset = self._new_hasher(), 0
        while count := os.preadv(fd, [self._buffer], offset):
            hasher.update(self._buffer[:count])
            offset += count
            step(count)
        return Digest(hasher.digest()), offset


def is_media(fd: int, *, name: bytes, size_bytes: int) -> bool:
    """Tell whether a file whose name is never taken holds a picture, clip, sound or sidecar all the same.

    By its first bytes; for the few formats that cannot be told by those, its name decides, also what is
    left of it without its last extension or a mark in front. Raises OSError.
    """
    head = os.pread(fd, max(HEAD_BYTES, _XMP_WITHIN_BYTES), 0)
    if not head or head.startswith(_APPLE_DOUBLE):
        return False
    seen = sniff(head[:HEAD_BYTES])
    if seen is not None and seen.format != "other":
        return True
    if any(start in head[:_XMP_WITHIN_BYTES] for start in _XMP_STARTS):
        return True
    for named in {name, name.lstrip(b".~_"), name.rpartition(b".")[0], name.rstrip(b"~")}:
        if kind_and_format_of_name(named)[0] not in (Kind.OTHER, Kind.SIDECAR):
            facts = read_facts(fd, name=named, size_bytes=size_bytes)
            if facts.kind is not Kind.OTHER and not facts.problem.startswith("it does not start as"):
                return True
    return False


def _why_left_out(path: bytes, why_skipped: WhySkipped) -> str:
    return next((why for part in path.split(b"/") if (why := why_skipped(part))), "")


def _reason(exc: OSError) -> str:
    text = exc.strerror or str(exc)
    return f"it cannot be read: {text}" if exc.errno else text


# ---- the verdict ----


def count_places(drives: Iterable[tuple[str, str]]) -> int:
    """Count the places that drives are: what is lost at once. Takes (drive, mark of its disk) pairs.

    Drives that have a disk in common are one place, also by way of a third; a drive whose mark is "" is a
    place of its own.
    """
    places: list[list[str]] = []
    for drive, mark in drives:
        its = [mark or f"drive:{drive}"]
        apart = []
        for place in places:
            if any(share_a_disk(one, its[0]) for one in place):
                its += place
            else:
                apart.append(place)
        places = [*apart, its]
    return len(places)


class _Judge:
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
            left_out_why = _why_left_out(path, why_skipped)
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
        away = {name for name, drive in settings.drives.items() if drive.is_away}
        times = sorted(copy.verified_at for copies in cleared for copy in copies)
        sizes = {path: found.size_bytes for path, found in card.files.items()}
        return Verdict(
            path=root,
            files=len(cleared) + len(missing),
            size_bytes=sum(sizes.values()) - sum(sizes[path] for path in left_out),
            copies=settings.cleared_copies,
            missing=tuple(sorted(missing, key=lambda one: one.path)),
            left_out=tuple(sorted(left_out)),
            others=card.others,
            on_drives={name: on_drives[name] for name in settings.drives if on_drives[name]},
            on_away=sum(any(copy.drive in away for copy in copies) for copies in cleared),
            verified_at=(times[0], times[-1]) if times else None,
            is_running=find_running(settings.ledger) is not None,
        )

    def _mark(self, copy: Covering) -> str:
        """Give the mark of the disk that a copy is on: what the settings say now goes before what was found."""
        drive = self._settings.drives[copy.drive]
        return f"named:{drive.disk}" if drive.disk else copy.disk

    def _places(self, copies: Sequence[Covering]) -> int:
        return count_places((copy.drive, self._mark(copy)) for copy in copies)

    def _is_on_card(self, copy: Covering) -> bool:
        """Tell whether a copy lies on the very disk that is to be formatted."""
        return share_a_disk(self._mark(copy), self._own_disk)

    def _why(self, digest: Digest, copies: Sequence[Covering], left_out: str) -> str:
        """Say why a content has not the copies that are asked for, and what would bring them."""
        content = self._ledger.cards.find_content(digest)
        if content is None and left_out:
            return f"it holds a picture, clip, sound or sidecar, but {left_out}"
        if content is None:
            return _NEVER_READ
        drives = listed([copy.drive for copy in copies]) if copies else ""
        parts = [f"verified only on {drives}" if copies else "no verified copy that counts"]
        if self._places(copies) < len(copies):
            parts = [f"{drives} are on one disk, which is one place"]
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
        CopyState.VERIFIED: "does not count: it is in a cloud folder, on the disk that was read, or on no"
        " drive of the settings",
        CopyState.EARLIER: "does not count: it is kept as an earlier version",
        CopyState.SET_ASIDE: "does not count: it failed and was set aside",
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


# ---- for a person ----


def _lines(verdict: Verdict, settings: Settings) -> Iterator[str]:
    if not verdict.files:
        yield f"{verdict.path}: there is nothing on it; is it the right one?"
    elif verdict.is_cleared:
        yield from _cleared_lines(verdict, settings)
    else:
        yield from _missing_lines(verdict)
    if verdict.left_out:
        files = counted(len(verdict.left_out), "file")
        yield f"Left out by `never_take`, with no picture in them: {files} ({_some(verdict.left_out)})."
    if verdict.others:
        count = counted(len(verdict.others), "entry", "entries")
        yield f"Not copied, being no files: {count} ({_some(sorted(verdict.others))})."
    if verdict.files:
        yield "The decision is yours: nothing was changed on the card."


def _cleared_lines(verdict: Verdict, settings: Settings) -> Iterator[str]:
    """Say that it is cleared, and what to do first (common practice, no published source)."""
    each = (
        f"each has at least {verdict.copies} verified copies in different places"
        if verdict.copies > 1
        else "each has at least one verified copy"
    )
    held = ", ".join(f"{count:,} on {name}" for name, count in verdict.on_drives.items())
    all_files = f"All {verdict.files:,} files" if verdict.files > 1 else "The one file"
    are = "are" if verdict.files > 1 else "is"
    yield (
        f"{all_files} on {verdict.path} ({size_words(verdict.size_bytes)}) {are} cleared:"
        f" {each}: {held} ({_when(verdict)})."
    )
    yield "Before you format it:"
    yield f"  - look at a few of these frames on {listed(list(verdict.on_drives))}"
    away = [drive for drive in settings.drives.values() if drive.is_away]
    if away:
        yield f"  - {_away_words(verdict, away)}"
    yield "  - format it in the camera, not here"


def _away_words(verdict: Verdict, away: Sequence[Drive]) -> str:
    names = " or ".join(drive.name for drive in away)
    if verdict.on_away == verdict.files:
        return f"they are on {names} too, whose place is another building: does it lie there?"
    some = f"{verdict.on_away:,}" if verdict.on_away else "none"
    return (
        f"is a copy in the other building yet? {some} of the {counted(verdict.files, 'file')} on {names}:"
        " until then, what burns here is lost"
    )


def _when(verdict: Verdict) -> str:
    if verdict.verified_at is None:
        return "never verified"
    first, last = (instant_words(at) for at in verdict.verified_at)
    return f"verified {first}" if first == last else f"verified from {first} to {last}"


def _missing_lines(verdict: Verdict) -> Iterator[str]:
    files = counted(verdict.files, "file")
    yield f"NOT cleared: {len(verdict.missing):,} of {files} on {verdict.path}. Do not format this card."
    reasons: dict[str, list[bytes]] = {}
    for one in verdict.missing:
        reasons.setdefault(one.why, []).append(one.path)
    for why, paths in reasons.items():
        yield f"  {counted(len(paths), 'file')}: {why}:"
        yield from (f"    {shown_path(path) or verdict.path}" for path in paths[:_EXAMPLES])
        if len(paths) > _EXAMPLES:
            yield f"    and {len(paths) - _EXAMPLES:,} more; --json names them all"
    if not verdict.is_running:
        yield "The service is not running: start it, or run `replicatord once`, then ask again."
    elif _NEVER_READ in reasons:
        yield "What was not read yet: import it into a source, or wait until the service has read it."


def _some(paths: Sequence[bytes]) -> str:
    some = ", ".join(shown_path(path) for path in paths[:_LINE_EXAMPLES])
    return f"{some} and {len(paths) - _LINE_EXAMPLES:,} more" if len(paths) > _LINE_EXAMPLES else some


# ---- for a script ----


def _fields(verdict: Verdict, settings: Settings) -> dict[str, object]:
    first, last = verdict.verified_at or (None, None)
    return {
        "path": verdict.path,
        "cleared": verdict.is_cleared,
        "files": verdict.files,
        "bytes": verdict.size_bytes,
        "copies_asked_for": verdict.copies,
        "drives": [
            {"drive": name, "files": count, "away": settings.drives[name].is_away}
            for name, count in verdict.on_drives.items()
        ],
        "files_away": verdict.on_away,
        "verified_from": first,
        "verified_until": last,
        "missing": [{**path_fields("path", one.path), "why": one.why} for one in verdict.missing],
        "left_out": [path_fields("path", path) for path in verdict.left_out],
        "not_files": [
            {**path_fields("path", path), "what": what} for path, what in sorted(verdict.others.items())
        ],
    }
