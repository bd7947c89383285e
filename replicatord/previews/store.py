"""Where previews are kept: a folder beside the ledger, one file per content, by its digest.

A file that has its name is whole and durable. May not remove a preview: at the limit no new ones are made.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from contextlib import suppress
from typing import Final

_NEW: Final = "new"  # the folder for what is not whole yet; no digest in hex has this name
_MARK: Final = "mark"  # the file by which the ledger knows that this is the folder that it filled
_MARK_CHARS: Final = 32
_ROOM_BYTES: Final = 4096  # what a file takes is counted in such blocks, as most file systems do


def previews_folder(ledger: str) -> str:
    """Give the folder of a ledger's previews."""
    return os.path.splitext(ledger)[0] + "-previews"


def preview_path(ledger: str, digest: bytes) -> str:
    """Give where the preview of a content is, if there is one: a JPEG of 320 pixels, without metadata."""
    name = digest.hex()
    return os.path.join(previews_folder(ledger), name[:2], name + ".jpg")


def room_of(size_bytes: int) -> int:
    """Give the room that a preview of so many bytes takes."""
    return -(-size_bytes // _ROOM_BYTES) * _ROOM_BYTES


class Store:
    """The previews of one ledger. For one thread; all methods raise OSError."""

    def __init__(self, ledger: str) -> None:
        self._ledger = ledger
        self._folder = previews_folder(ledger)

    def open(self) -> str:
        """Make the folder if it is not there, clear it of what a kill left; give its mark, which no other folder has."""
        new = os.path.join(self._folder, _NEW)
        os.makedirs(new, exist_ok=True)
        for name in os.listdir(new):
            os.unlink(os.path.join(new, name))
        path = os.path.join(self._folder, _MARK)
        mark = _read_mark(path)
        if not mark:
            mark = secrets.token_hex(_MARK_CHARS // 2)
            self._put(path, mark.encode())
            _sync_folder(self._folder)
        return mark

    def find_size(self, digest: bytes) -> int | None:
        """Look whether a content has a preview, whatever the ledger knows; give its size in bytes."""
        try:
            return os.stat(preview_path(self._ledger, digest), follow_symlinks=False).st_size
        except FileNotFoundError:
            return None

    def put(self, previews: Mapping[bytes, bytes]) -> None:
        """Keep previews by the digests of their contents, durably. After an error some may be kept, each of them whole."""
        folders: dict[str, None] = {}
        for digest, jpeg in previews.items():
            path = preview_path(self._ledger, digest)
            folders[os.path.dirname(path)] = None
            os.makedirs(os.path.dirname(path), exist_ok=True)
            self._put(path, jpeg)
        for folder in folders:
            _sync_folder(folder)
        if folders:
            _sync_folder(self._folder)

    def _put(self, path: str, content: bytes) -> None:
        partial = os.path.join(self._folder, _NEW, os.path.basename(path))
        try:
            with open(partial, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())  # before it has its name: a name means that the whole is there
            os.replace(partial, path)
        except OSError:
            with suppress(OSError):
                os.unlink(partial)
            raise


def _read_mark(path: str) -> str:
    try:
        with open(path, "rb") as file:
            found = file.read(_MARK_CHARS + 1)
    except FileNotFoundError:
        return ""
    text = found.decode("ascii", "replace")
    return text if len(text) == _MARK_CHARS and text.isalnum() else ""


def _sync_folder(folder: str) -> None:
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)
