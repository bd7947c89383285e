"""A file system in memory that knows what of it is on its medium, so that any state that a power cut may leave can be made.

The model: what was flushed is there (fsync(2) of a file for its bytes and size, of a folder for its names); of what came
after, any part, in any order, bytes torn at a sector. A rename is never half done, as on the file systems with a journal;
exFAT and FAT do not promise that. May not know who uses it, or how it is mounted.
"""

from __future__ import annotations

import errno
import os
import random
import stat
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Final, TypeAlias

ROOT: Final = 1
SECTOR_BYTES: Final = 512
NAME_BYTES_MAX: Final = 255
NO_REPLACE: Final = 1  # renameat2(2), RENAME_NOREPLACE


@dataclass(frozen=True, slots=True, kw_only=True)
class Persona:
    """What a kind of file system can do."""

    ignores_case: bool = False
    mtime_step_ns: int = 1
    forbidden: str = ""
    knows_no_replace: bool = True


# exFAT: the exFAT file system specification, 7.7.3 (names), 7.4.8 (10 ms), and as exfat-fuse was tried (no
# RENAME_NOREPLACE); FAT: 2 s of time (ECMA-107, 11.3), and as the kernel's driver does the rest (from memory).
PERSONAS: Final[MappingProxyType[str, Persona]] = MappingProxyType(
    {
        "posix": Persona(),
        "exfat": Persona(
            ignores_case=True, mtime_step_ns=10_000_000, forbidden='"*:<>?\\|', knows_no_replace=False
        ),
        "fat32": Persona(
            ignores_case=True,
            mtime_step_ns=2_000_000_000,
            forbidden='"*:<>?\\|',
        ),
    }
)


@dataclass(slots=True, kw_only=True)
class Node:
    """A file or a folder."""

    number: int
    mode: int
    owner: tuple[int, int]
    mtime_ns: int
    data: bytearray = field(default_factory=bytearray)
    entries: dict[str, int] = field(default_factory=dict)

    @property
    def is_folder(self) -> bool:
        """Tell which of the two."""
        return stat.S_ISDIR(self.mode)


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """A file or folder got a name that nothing had."""

    at_ns: int
    folder: int
    name: str
    number: int
    mode: int
    owner: tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Renamed:
    """A name was taken away, and given elsewhere unless it was removed."""

    at_ns: int
    number: int  # of what had the name
    folder: int
    name: str
    to_folder: int
    to_name: str  # "": removed


@dataclass(frozen=True, slots=True, kw_only=True)
class Wrote:
    """Bytes were written; or, without any, the size was set to `offset`."""

    at_ns: int
    number: int
    offset: int
    data: bytes | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Timed:
    """The time of modification was set."""

    at_ns: int
    number: int
    mtime_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Flushed:
    """All that was done to a file, or to the names in a folder, is on the medium."""

    at_ns: int
    number: int


Step: TypeAlias = Made | Renamed | Wrote | Timed | Flushed


class Model:
    """The tree as it is now, and each step that led to it since `begin`."""

    def __init__(self, persona: Persona) -> None:
        """Begin with an empty root."""
        folder = stat.S_IFDIR | 0o755
        self.persona = persona
        self.nodes = {ROOT: Node(number=ROOT, mode=folder, owner=(0, 0), mtime_ns=time.time_ns())}
        self.steps: list[Step] | None = None
        self._next = ROOT + 1

    def used_bytes(self) -> int:
        """Give how many bytes all files hold."""
        return sum(len(node.data) for node in self.nodes.values())

    def find(self, path: str) -> Node:
        """Give what is at a path. Raises OSError."""
        node = self.nodes[ROOT]
        for part in filter(None, path.split("/")):
            if not node.is_folder:
                raise OSError(errno.ENOTDIR, path)
            name = self._name_in(node, part)
            if name is None:
                raise OSError(errno.ENOENT, path)
            node = self.nodes[node.entries[name]]
        return node

    def make(self, path: str, mode: int, owner: tuple[int, int]) -> Node:
        """Make a file or a folder. Raises OSError."""
        folder, name = self._parent(path)
        if self._name_in(folder, name) is not None:
            raise OSError(errno.EEXIST, path)
        number, self._next = self._next, self._next + 1
        self.do(Made(at_ns=_now(), folder=folder.number, name=name, number=number, mode=mode, owner=owner))
        return self.nodes[number]

    def rename(self, old: str, new: str, flags: int) -> None:
        """Rename. Raises OSError."""
        if flags and not (flags == NO_REPLACE and self.persona.knows_no_replace):
            raise OSError(errno.EINVAL, new)
        (folder, name), (to_folder, to_name) = self._parent(old), self._parent(new)
        found, there = self._name_in(folder, name), self._name_in(to_folder, to_name)
        if found is None:
            raise OSError(errno.ENOENT, old)
        if there is not None:
            if flags == NO_REPLACE:
                raise OSError(errno.EEXIST, new)
            if self.nodes[to_folder.entries[there]].entries:
                raise OSError(errno.ENOTEMPTY, new)
        self.do(
            Renamed(
                at_ns=_now(),
                number=folder.entries[found],
                folder=folder.number,
                name=found,
                to_folder=to_folder.number,
                to_name=there or to_name,
            )
        )

    def remove(self, path: str) -> None:
        """Take a name away. Raises OSError."""
        folder, name = self._parent(path)
        found = self._name_in(folder, name)
        if found is None:
            raise OSError(errno.ENOENT, path)
        if self.nodes[folder.entries[found]].entries:
            raise OSError(errno.ENOTEMPTY, path)
        number = folder.entries[found]
        self.do(
            Renamed(at_ns=_now(), number=number, folder=folder.number, name=found, to_folder=ROOT, to_name="")
        )

    def write(self, node: Node, offset: int, data: bytes) -> None:
        """Write bytes."""
        self.do(Wrote(at_ns=_now(), number=node.number, offset=offset, data=data))

    def resize(self, node: Node, size: int) -> None:
        """Cut or lengthen a file."""
        self.do(Wrote(at_ns=_now(), number=node.number, offset=size, data=None))

    def set_time(self, node: Node, mtime_ns: int) -> None:
        """Set the time of modification, as exactly as this kind of file system can."""
        step = self.persona.mtime_step_ns
        self.do(Timed(at_ns=_now(), number=node.number, mtime_ns=mtime_ns - mtime_ns % step))

    def flush(self, node: Node) -> None:
        """Have a file, or the names in a folder, on the medium."""
        self.do(Flushed(at_ns=_now(), number=node.number))

    def do(self, step: Step) -> None:
        """Take a step, and remember it."""
        if self.steps is not None:
            self.steps.append(step)
        match step:
            case Made():
                self.make_nameless(step)
                self.nodes[step.folder].entries[step.name] = step.number
            case Renamed():
                self._rename(step)
            case Wrote():
                _write(self.nodes[step.number], step)
            case Timed():
                self.nodes[step.number].mtime_ns = step.mtime_ns
            case Flushed():
                pass

    def dump(self, into: Path) -> None:
        """Write all of it into an empty folder that exists."""
        self._dump(self.nodes[ROOT], into)

    def take(self, root: Path) -> None:
        """Begin with what is in a folder."""
        for folder, folders, names in os.walk(root):
            at = folder.removeprefix(str(root))
            for name in (*folders, *names):
                path = Path(folder, name)
                found = path.stat()
                node = self.make(f"{at}/{name}", found.st_mode, (found.st_uid, found.st_gid))
                node.data += path.read_bytes() if path.is_file() else b""
                node.mtime_ns = found.st_mtime_ns

    def _dump(self, node: Node, path: Path) -> None:
        for name, number in node.entries.items():
            its, at = self.nodes[number], path / name
            if its.is_folder:
                at.mkdir()
                self._dump(its, at)
            else:
                at.write_bytes(its.data)
                os.utime(at, ns=(its.mtime_ns, its.mtime_ns))

    def make_nameless(self, step: Made) -> None:
        """Have what was made without its name: that may be lost, and a later one may not."""
        self.nodes[step.number] = Node(
            number=step.number, mode=step.mode, owner=step.owner, mtime_ns=time.time_ns()
        )

    def _rename(self, step: Renamed) -> None:
        entries = self.nodes[step.folder].entries
        if entries.get(step.name) == step.number:
            del entries[step.name]
        if step.to_name:
            self.nodes[step.to_folder].entries[step.to_name] = step.number

    def _name_in(self, folder: Node, name: str) -> str | None:
        if name in folder.entries or not self.persona.ignores_case:
            return name if name in folder.entries else None
        return next((each for each in folder.entries if each.casefold() == name.casefold()), None)

    def _parent(self, path: str) -> tuple[Node, str]:
        at, _, name = path.rpartition("/")
        if any(each in self.persona.forbidden for each in name):
            raise OSError(errno.EINVAL, path)
        if len(os.fsencode(name)) > NAME_BYTES_MAX:
            raise OSError(errno.ENAMETOOLONG, path)
        folder = self.find(at)
        if not folder.is_folder:
            raise OSError(errno.ENOTDIR, path)
        return folder, name


def cut(before: Model, steps: Sequence[Step], chance: random.Random, *, share: float, is_torn: bool) -> Model:
    """Give what a power cut after some steps may leave: what was flushed, and a share of the rest; `before` is used up."""
    kept = _flushed(steps)
    for place, step in enumerate(steps):
        if isinstance(step, Flushed):
            continue
        if place in kept or chance.random() < share:
            before.do(step if place in kept or not is_torn else _torn(step, chance))
        elif isinstance(step, Made):
            before.make_nameless(step)
    return before


def _flushed(steps: Sequence[Step]) -> set[int]:
    """Give the places of the steps that a later flush covers."""
    kept, covered = set(), set[int]()
    for place in reversed(range(len(steps))):
        match steps[place]:
            case Flushed(number=number):
                covered.add(number)
            case Made(folder=folder):
                kept |= {place} if folder in covered else set()
            case Renamed(folder=folder, to_folder=to_folder, to_name=to_name):
                kept |= {place} if covered & ({folder, to_folder} if to_name else {folder}) else set()
            case Wrote(number=number) | Timed(number=number):
                kept |= {place} if number in covered else set()
    return kept


def _torn(step: Step, chance: random.Random) -> Step:
    """Cut a write short at a sector."""
    if not isinstance(step, Wrote) or not step.data or len(step.data) <= SECTOR_BYTES:
        return step
    sectors = chance.randrange(1, len(step.data) // SECTOR_BYTES + 1)
    return Wrote(
        at_ns=step.at_ns,
        number=step.number,
        offset=step.offset,
        data=step.data[: sectors * SECTOR_BYTES],
    )


def _write(node: Node, step: Wrote) -> None:
    size, data = step.offset, node.data
    if len(data) < size:
        data.extend(bytes(size - len(data)))
    if step.data is None:
        del data[size:]
    else:
        data[size : size + len(step.data)] = step.data


def _now() -> int:
    return time.monotonic_ns()
