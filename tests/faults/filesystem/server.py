"""Mounts a `Model` on FUSE, and lets it fail. A program of its own.

    python -m tests.faults.filesystem.server MOUNT_POINT CONTROL_SOCKET PERSONA FOLDER

It begins with what is in FOLDER. Lines come in over the socket, and each is answered by one: `begin` remembers each step
from here on; `save FILE` leaves the state before, and the steps; `vanish N` has nothing answer any more from the Nth call
on, as when a cable is pulled; `back` has it answer again; `room BYTES` is what it can hold, `late BYTES` what it can hold
though it says so only when a file is flushed, and `gone` tells whether it is that already.
"""

from __future__ import annotations

import errno
import os
import pickle
import socket
import stat
import sys
import threading
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, Final

os.environ.setdefault("FUSE_LIBRARY_NAME", "fuse3")
import mfusepy

from tests.faults.filesystem.model import PERSONAS, Model, Node

_BLOCK_BYTES: Final = 4096
_ALL: Final = 1 << 40


def _counted(call: Callable[..., Any]) -> Callable[..., Any]:
    """Count a call, and have it fail if it is time. Errors go out as the library wants them."""

    @wraps(call)
    def counted(server: Server, *arguments: Any, **named: Any) -> Any:
        server.calls += 1
        if server.vanish_at and server.calls >= server.vanish_at:
            raise mfusepy.FuseOSError(errno.EIO)
        try:
            return call(server, *arguments, **named)
        except OSError as exc:
            raise mfusepy.FuseOSError(exc.errno) from exc

    return counted


class Mount(mfusepy.FUSE):  # type: ignore[misc]  # it ships no types
    """Passes on the flags of a rename, which the library drops (mfusepy 3.1)."""

    def rename_fuse_3(self, old: bytes, new: bytes, flags: int) -> int:
        """Rename."""
        decoded = (each.decode(self.encoding, self.errors) for each in (old, new))
        self.operations.rename(*decoded, flags)
        return 0


class Server(mfusepy.Operations):  # type: ignore[misc]  # it ships no types
    """The calls of FUSE, on a model. One at a time."""

    use_ns = True

    def __init__(self, model: Model) -> None:
        self.model = model
        self.before = b""  # the model when its steps began, pickled
        self.calls = 0
        self.vanish_at = 0
        self.room_bytes = self.late_bytes = _ALL
        self.handles: dict[int, Node] = {}
        self.flushed = {number: bytes(node.data) for number, node in model.nodes.items()}

    def init_with_config(self, _connection: object, config: Any) -> None:
        """Have the kernel ask each time: nothing of names and sizes may come from its memory."""
        if config is not None:
            config.use_ino = config.hard_remove = 1
            config.entry_timeout = config.attr_timeout = config.negative_timeout = 0.0

    @_counted
    def getattr(self, path: str, handle: int | None = None) -> dict[str, int]:
        """Give what is known of a file or folder."""
        node = self._node(path, handle)
        size = _BLOCK_BYTES if node.is_folder else len(node.data)
        times = dict.fromkeys(("st_mtime", "st_atime", "st_ctime"), node.mtime_ns)
        owner = {"st_uid": node.owner[0], "st_gid": node.owner[1]}
        links = 2 if node.is_folder else 1
        known = {"st_mode": node.mode, "st_ino": node.number, "st_nlink": links, "st_size": size}
        return {**known, "st_blocks": -(-size // 512), **times, **owner}

    @_counted
    def readdir(self, path: str, _handle: int) -> list[Any]:
        """Give the names of a folder, with numbers: those without are passed over by the C library."""
        node = self.model.find(path)
        found = {".": node.number, "..": node.number, **node.entries}
        nodes = self.model.nodes
        return [(name, {"st_ino": n, "st_mode": nodes[n].mode}, 0) for name, n in found.items()]

    @_counted
    def statfs(self, _path: str) -> dict[str, int]:
        """Give the room."""
        free = max(self.room_bytes - self.model.used_bytes(), 0) // _BLOCK_BYTES
        blocks = {"f_blocks": self.room_bytes // _BLOCK_BYTES, "f_bfree": free, "f_bavail": free}
        return {"f_bsize": _BLOCK_BYTES, "f_frsize": _BLOCK_BYTES, "f_namemax": 255, **blocks}

    @_counted
    def create(self, path: str, mode: int, _flags: object = None) -> int:
        """Make a file and open it."""
        return self._open(self.model.make(path, stat.S_IFREG | stat.S_IMODE(mode), _owner()))

    @_counted
    def mkdir(self, path: str, mode: int) -> int:
        """Make a folder."""
        self.model.make(path, stat.S_IFDIR | stat.S_IMODE(mode), _owner())
        return 0

    @_counted
    def open(self, path: str, flags: int) -> int:
        """Open a file."""
        node = self.model.find(path)
        if flags & os.O_TRUNC:
            self.model.resize(node, 0)
        return self._open(node)

    @_counted
    def opendir(self, path: str) -> int:
        """Open a folder."""
        return self._open(self.model.find(path))

    def release(self, _path: str, handle: int) -> int:
        """Close."""
        self.handles.pop(handle, None)
        return 0

    releasedir = release

    def flush(self, _path: str, _handle: int) -> int:
        """Do nothing at a close."""
        return 0

    @_counted
    def read(self, path: str, size: int, offset: int, handle: int) -> bytes:
        """Read."""
        return bytes(self._node(path, handle).data[offset : offset + size])

    @_counted
    def write(self, path: str, data: bytes, offset: int, handle: int) -> int:
        """Write, as far as there is room."""
        node = self._node(path, handle)
        left = self.room_bytes - self.model.used_bytes()
        grows = max(offset + len(data) - len(node.data), 0)
        if grows > left:
            data = data[: len(data) - (grows - max(left, 0))]
            if not data:
                raise OSError(errno.ENOSPC, path)
        self.model.write(node, offset, bytes(data))
        return len(data)

    @_counted
    def truncate(self, path: str, length: int, handle: int | None = None) -> int:
        """Cut or lengthen a file."""
        self.model.resize(self._node(path, handle), length)
        return 0

    @_counted
    def fsync(self, path: str, _is_data_only: int, handle: int) -> int:
        """Flush a file. One that finds no room on the medium loses what is new in it (delayed allocation)."""
        node = self._node(path, handle)
        if self.model.used_bytes() > self.late_bytes:
            before = self.flushed.get(node.number, b"")
            self.model.resize(node, len(before))
            self.model.write(node, 0, before)
            raise OSError(errno.ENOSPC, path)
        self.model.flush(node)
        self.flushed[node.number] = bytes(node.data)
        return 0

    @_counted
    def fsyncdir(self, path: str, _is_data_only: int, handle: int) -> int:
        """Flush the names of a folder."""
        self.model.flush(self._node(path, handle))
        return 0

    @_counted
    def rename(self, old: str, new: str, flags: int = 0) -> int:
        """Rename, as the flags of renameat2(2) say."""
        self.model.rename(old, new, flags)
        return 0

    @_counted
    def unlink(self, path: str) -> int:
        """Remove a file."""
        self.model.remove(path)
        return 0

    @_counted
    def rmdir(self, path: str) -> int:
        """Remove a folder."""
        self.model.remove(path)
        return 0

    @_counted
    def utimens(self, path: str, times: tuple[int, int] | None = None, handle: int | None = None) -> int:
        """Set the time of modification."""
        if times:
            self.model.set_time(self._node(path, handle), times[1])
        return 0

    @_counted
    def chmod(self, path: str, mode: int, handle: int | None = None) -> int:
        """Set the permissions."""
        node = self._node(path, handle)
        node.mode = stat.S_IFMT(node.mode) | stat.S_IMODE(mode)
        return 0

    def obey(self, word: str, rest: str) -> str:
        """Do what a line asks for."""
        match word:
            case "begin":
                self.model.steps = None
                self.before = pickle.dumps(self.model)
                self.model.steps = []
            case "save":
                Path(rest).write_bytes(pickle.dumps((self.before, self.model.steps)))
            case "vanish":
                self.vanish_at = self.calls + int(rest)
            case "back":
                self.vanish_at = 0
            case "room":
                self.room_bytes = self.model.used_bytes() + int(rest)
            case "late":
                self.late_bytes = self.model.used_bytes() + int(rest)
            case "gone":
                return "yes" if self.vanish_at and self.calls >= self.vanish_at else "no"
            case _:
                raise ValueError(word)
        return "done"

    def _open(self, node: Node) -> int:
        handle = max(self.handles, default=0) + 1
        self.handles[handle] = node
        return handle

    def _node(self, path: str, handle: int | None) -> Node:
        return self.handles[handle] if handle and handle in self.handles else self.model.find(path)


def _owner() -> tuple[int, int]:
    uid, gid, _ = mfusepy.fuse_get_context()
    return uid, gid


def _listen(server: Server, path: str) -> None:
    with socket.socket(socket.AF_UNIX) as control:
        control.bind(path)
        control.listen(1)
        connection, _ = control.accept()
        with connection.makefile("rw") as lines:
            for line in lines:
                word, _, rest = line.strip().partition(" ")
                lines.write(server.obey(word, rest) + "\n")
                lines.flush()


def main(point: str, control: str, persona: str, folder: str) -> None:
    """Mount, and serve until it is unmounted."""
    model = Model(PERSONAS[persona])
    model.take(Path(folder))
    its = Server(model)
    threading.Thread(target=_listen, args=(its, control), daemon=True).start()
    Mount(its, point, foreground=True, nothreads=True, fsname="tricky", allow_other=os.geteuid() == 0)


if __name__ == "__main__":
    main(*sys.argv[1:])
