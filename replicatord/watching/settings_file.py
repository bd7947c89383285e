"""Notices that the settings file was saved anew, and gives its text once it is whole and holds still.

May not parse the text or decide what follows from it, and may not write. Neither an event nor a time alone
is trusted: a stat says that something changed, the kernel and watchdog say whether somebody is writing it,
and what remains of the text in force when its end is cut off is never given.

What it cannot tell: a text that differs from the one in force from its beginning on, whose writer died half
way. Its file is closed and still. Such a text is given, and it is up to its reader to find it broken.
"""

from __future__ import annotations

import errno
import fcntl
import os
import stat
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeAlias

from watchdog.events import (
    FileClosedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)

from replicatord.config.cut import is_cut_of
from replicatord.config.loader import SIZE_MAX_BYTES
from replicatord.watching.observing import Observing, why_not

SETTLE_S: Final = 0.5  # a file that was seen to change is left alone for so long
SETTLE_DEAF_S: Final = 1.0  # the same where no events come, so that only the stat and the kernel tell
GONE_S: Final = 2.0  # some editors delete and write anew: a file that is away for less is no trouble
STUCK_S: Final = 60.0  # a save takes a moment; one that does not end for so long is said
_LISTEN_AGAIN_S: Final = 30.0  # between two tries to have events where there are none

STILL_WRITTEN: Final = "it is still being written"
CUT_SHORT: Final = (
    "it ends where the settings before went on: it seems to be saved only in part. "
    "If you meant to cut its end off, add a line behind it, a comment will do"
)
_GONE: Final = "it is gone"
_LEADS_NOWHERE: Final = "it is a link to a file that is not there"
_NO_FILE: Final = "it is not a plain file"


@dataclass(frozen=True, slots=True, kw_only=True)
class NewText:
    """The file holds other content than was given before, whole as far as can be told."""

    text: bytes  # at most SIZE_MAX_BYTES + 1 of it, so that its reader sees that it is too much


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """The file cannot be used as it is; what was in force stays so."""

    reason: str  # half a sentence about the file: "it is gone"


Answer: TypeAlias = NewText | Trouble | None


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stamp:
    """What changes when a file's content does."""

    mtime_ns: int
    ctime_ns: int
    size_bytes: int
    inode: int
    device: int

    @classmethod
    def of(cls, found: os.stat_result) -> _Stamp:
        return cls(
            mtime_ns=found.st_mtime_ns,
            ctime_ns=found.st_ctime_ns,
            size_bytes=found.st_size,
            inode=found.st_ino,
            device=found.st_dev,
        )

    def is_of_same_file(self, other: _Stamp | str | None) -> bool:
        return isinstance(other, _Stamp) and (self.inode, self.device) == (other.inode, other.device)


@dataclass(slots=True)
class _Waiting:
    """A change that was seen and not yet accounted for. Monotonic seconds."""

    since_s: float
    changed_s: float  # when it was last seen to change


class SettingsFile:
    """The settings file, looked at by the main loop. One thread's, except that watchdog's thread hints at it.

    Needs SIGIO to be ignored: a writer that opens the file in the instant in which the kernel is asked about
    writers would otherwise end the process (fcntl(2), F_SETLEASE).
    """

    def __init__(
        self, path: str, *, monotonic: Callable[[], float], wake: Callable[[], None] = lambda: None
    ) -> None:
        """`monotonic` is the clock of the instants that `look` is given, in seconds; any thread calls it.

        `wake` is called by any thread when there is reason to look; it may not raise.
        """
        self._path = path
        self._monotonic = monotonic
        self._ear = _Ear(path, monotonic, wake)
        self._seen: _Stamp | str | None = None  # or why there is none; None before the first look
        self._looked_s = -1.0
        self._waiting: _Waiting | None = None
        self._in_force: bytes | None = None
        self._given: bytes | None = None  # None: whatever is there next is news, because trouble was told
        self._told = ""  # the trouble that was told and is not over

    def start(self) -> None:
        """Begin to hear who writes the file. Where that is not to be had, looking alone goes on."""
        self._ear.listen()

    def stop(self) -> None:
        """End watchdog's threads."""
        self._ear.stop()

    @property
    def why_deaf(self) -> str:
        """Why no events come from the file's folder; "" when they do."""
        return self._ear.why_deaf

    def read(self) -> bytes:
        """Give what the file holds now, settled or not: for a start, which has nothing to go on with.

        Raises OSError.
        """
        fd = self._open()
        try:
            if not stat.S_ISREG(os.fstat(fd).st_mode):
                raise OSError(errno.EINVAL, _NO_FILE, self._path)
            return _read_bounded(fd)
        finally:
            os.close(fd)

    def taken(self, text: bytes) -> None:
        """Hear which text is in force from now on: what was given and accepted, or what a start read."""
        self._in_force = self._given = text
        self._told = ""

    def look_anew(self) -> None:
        """Have what is there given or told again when it holds still, though nothing may have changed."""
        now_s = self._monotonic()
        self._given, self._told = None, ""
        self._waiting = _Waiting(now_s, now_s)

    def look(self, now_s: float) -> Answer:
        """Look at the file, at every turn of the main loop; one stat(2) while nothing changes.

        Gives each settled content once, compared by its bytes, and each trouble once. After a trouble the
        next whole content is given even when it is the one in force: the trouble is over. Raises nothing.
        """
        seen = self._find_stamp()
        heard = self._ear.take()
        self._ear.keep_listening(now_s)
        if seen != self._seen or heard.at_s is not None:
            self._note_change(seen, heard, now_s)
        self._looked_s = now_s
        if self._waiting is None:
            return None
        return self._told_once(self._judge(self._waiting, is_heard_writing=heard.is_writing, now_s=now_s))

    def next_look_s(self) -> float | None:
        """Give the instant at which a look will tell more; None when the main loop's own turn is soon enough."""
        waiting = self._waiting
        if waiting is None:
            return None
        due_s = waiting.changed_s + (GONE_S if isinstance(self._seen, str) else self._settle_s())
        return due_s if due_s > self._looked_s else None

    # ---- what changed ----

    def _find_stamp(self) -> _Stamp | str:
        try:
            found = os.stat(self._path)
        except (FileNotFoundError, NotADirectoryError):
            return _LEADS_NOWHERE if os.path.islink(self._path) else _GONE
        except (OSError, ValueError) as exc:  # ValueError: a NUL in the path
            return _unreadable(exc)
        return _Stamp.of(found) if stat.S_ISREG(found.st_mode) else _NO_FILE

    def _note_change(self, seen: _Stamp | str, heard: _Heard, now_s: float) -> None:
        is_same_file = isinstance(seen, _Stamp) and seen.is_of_same_file(self._seen)
        changed_s = now_s
        if is_same_file and heard.at_s is not None and not heard.is_writing:
            # Its writer closed it since the last look, and watchdog says when.
            changed_s = min(max(heard.at_s, self._looked_s), now_s)
        if not is_same_file:
            if heard.at_s is None:
                self._ear.forget_writer()  # whoever was writing had another file in hand
            self._ear.follow()  # a link may lead elsewhere now, or a folder may have been replaced
        if self._waiting is None:
            self._waiting = _Waiting(changed_s, changed_s)
        self._waiting.changed_s = changed_s
        self._seen = seen

    def _settle_s(self) -> float:
        return SETTLE_DEAF_S if self._ear.why_deaf else SETTLE_S

    # ---- what it means ----

    def _judge(self, waiting: _Waiting, *, is_heard_writing: bool, now_s: float) -> Answer:
        """Say what a change came to; None when it is not yet known."""
        still_s = now_s - waiting.changed_s
        if not isinstance(self._seen, _Stamp):
            if still_s < GONE_S:
                return None
            self._waiting = None
            return Trouble(reason=str(self._seen))
        text = None
        if still_s >= self._settle_s():
            try:
                text = self._find_whole(self._seen, is_heard_writing=is_heard_writing)
            except FileNotFoundError:
                return None  # the next look sees that
            except OSError as exc:  # it is tried again at each look: not every cause shows in a stat
                waiting.since_s = now_s
                return Trouble(reason=_unreadable(exc)) if still_s >= GONE_S else None
        if text is None:
            return Trouble(reason=STILL_WRITTEN) if now_s - waiting.since_s >= STUCK_S else None
        self._waiting = None
        if self._in_force is not None and is_cut_of(text, self._in_force):
            return Trouble(reason=CUT_SHORT)
        return NewText(text=text)

    def _find_whole(self, seen: _Stamp, *, is_heard_writing: bool) -> bytes | None:
        """Read the file; None when somebody is writing it. Raises OSError when it cannot be read."""
        fd = self._open()
        try:
            has_writer = _find_writer(fd)
            # Where the kernel tells, it is right: truncate(2) gives an event and has nothing to close.
            if has_writer or (has_writer is None and is_heard_writing):
                return None
            text = _read_bounded(fd)
            is_still = _Stamp.of(os.fstat(fd)) == seen  # else the next look sees that and waits anew
        finally:
            os.close(fd)
        return text if is_still else None

    def _told_once(self, answer: Answer) -> Answer:
        match answer:
            case NewText(text=text):
                if text == self._given:
                    return None
                self._given, self._told = text, ""
            case Trouble(reason=reason):
                if reason == self._told:
                    return None
                self._given, self._told = None, reason
        return answer

    def _open(self) -> int:
        # O_NONBLOCK: opening a FIFO that nobody writes to would wait for ever; open(2).
        return os.open(self._path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)


def _read_bounded(fd: int) -> bytes:
    chunks: list[bytes] = []
    room = SIZE_MAX_BYTES + 1
    while room > 0 and (chunk := os.read(fd, room)):
        chunks.append(chunk)
        room -= len(chunk)
    return b"".join(chunks)


def _find_writer(fd: int) -> bool | None:
    """Ask the kernel whether somebody has the file open for writing; None where it cannot say.

    A read lease is refused with EAGAIN while there is a writer (fcntl(2), F_SETLEASE), and is to be had only
    by the file's owner or with CAP_LEASE. It is given back at once.
    """
    try:
        fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_RDLCK)
    except OSError as exc:
        return True if exc.errno == errno.EAGAIN else None
    fcntl.fcntl(fd, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    return False


def _unreadable(exc: OSError | ValueError) -> str:
    return f"it cannot be read: {getattr(exc, 'strerror', None) or exc}"


# ---- what watchdog hears ----

# A rename is left to the stat: with events of moves in its queue, watchdog keeps all others back for up to
# half a second, and a rename brings no news of a writer. (Read in watchdog 7.1, InotifyMoveEventGrouper.)
_EVENTS: Final[list[type[FileSystemEvent]]] = [FileModifiedEvent, FileClosedEvent, FileMovedEvent]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Heard:
    """What events told."""

    is_writing: bool  # it was modified and its writer has not closed it yet
    at_s: float | None  # when the last event came since the last time of asking; None: none came


class _Ear(FileSystemEventHandler):
    """Listens in the folder where the file really is, to know who is in the midst of writing it.

    The folder of a link to it tells nothing of a writer; that a link was switched, the stat tells.
    """

    def __init__(self, path: str, monotonic: Callable[[], float], wake: Callable[[], None]) -> None:
        self._path, self._monotonic, self._wake = path, monotonic, wake
        self._observing: Observing | None = None
        self._folder: tuple[str, int, int] | None = None  # path, device, inode of where it was last tried
        self._is_wanted = False  # between `listen` and `stop`
        self._tried_s: float | None = None
        self._failure = ""
        self._lock = threading.Lock()  # for what follows: watchdog's thread tells, the main loop asks
        self._target = b""
        self._is_writing = False
        self._at_s: float | None = None

    @property
    def why_deaf(self) -> str:
        """Why no events come; "" when they do."""
        observing = self._observing
        if observing is None:
            return self._failure or "not started"
        return "" if observing.is_alive() else "watchdog's threads ended"

    def on_any_event(self, event: FileSystemEvent) -> None:
        """Note that the file was written or closed. Calls nothing that could raise: that ends the thread."""
        path, target = os.fsencode(event.src_path), os.fsencode(event.dest_path)
        now_s = self._monotonic()
        with self._lock:
            # One that is moved there is seen by its stat: nobody is in the midst of writing it.
            if path == self._target and not isinstance(event, FileMovedEvent):
                self._is_writing = isinstance(event, FileModifiedEvent)
                self._at_s = now_s
            is_of_it = self._target in (path, target)
        if is_of_it:
            self._wake()

    def take(self) -> _Heard:
        """Give what was heard since the last time."""
        with self._lock:
            heard = _Heard(is_writing=self._is_writing, at_s=self._at_s)
            self._at_s = None
        return heard

    def forget_writer(self) -> None:
        """Count the file as not being written until the next event."""
        with self._lock:
            self._is_writing = False

    def listen(self) -> None:
        """Begin to listen, anew if need be; where that fails, `why_deaf` says why."""
        self.stop()
        self._is_wanted, self._folder = True, None
        target = os.path.realpath(self._path)
        folder = os.path.dirname(target)
        with self._lock:
            self._target, self._is_writing = os.fsencode(target), False
        try:
            self._folder = _identity(folder)
            self._observing = Observing()
            self._observing.watch(self, folder, is_recursive=False, events=_EVENTS)
        except (OSError, RuntimeError, ValueError) as exc:  # RuntimeError: no thread can be started
            self._hush()
            self._failure = why_not(exc)

    def follow(self) -> None:
        """Listen elsewhere if the file is now elsewhere."""
        if not self._is_wanted:
            return
        target = os.path.realpath(self._path)
        try:
            folder = _identity(os.path.dirname(target))
        except OSError:
            return  # nobody writes a file in a folder that is not there
        if folder != self._folder or os.fsencode(target) != self._target:
            self.listen()

    def keep_listening(self, now_s: float) -> None:
        """Try again where no events come: at once when they came before, else now and then."""
        if not self._is_wanted or not self.why_deaf:
            return
        # Watchdog ends when the folder is removed; another may be there by now, with the same inode number.
        has_ended = self._observing is not None
        if self._tried_s is None and not has_ended:
            self._tried_s = now_s  # `listen` has just tried
        elif has_ended or self._tried_s is None or now_s - self._tried_s >= _LISTEN_AGAIN_S:
            self._tried_s = now_s
            self.listen()

    def stop(self) -> None:
        """End watchdog's threads."""
        self._is_wanted = False
        self._failure = ""
        self._hush()

    def _hush(self) -> None:
        observing, self._observing = self._observing, None
        if observing is not None:
            observing.stop()


def _identity(folder: str) -> tuple[str, int, int]:
    found = os.stat(folder)
    return folder, found.st_dev, found.st_ino
