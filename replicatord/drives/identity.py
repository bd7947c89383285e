"""The identity that a drive carries: `.replicatord/drive.json`.

May not believe more of a drive than its id: everything else on it is proved by reading bytes.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import unicodedata
import uuid
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from replicatord.drives.kept import write_new
from replicatord.drives.kernel import NO_SUCH_CALL, rename_no_replace
from replicatord.model.copies import DriveId
from replicatord.rules.paths import HIDDEN_FOLDER

IDENTITY_NAME: Final = b"drive.json"
_NEW_NAME: Final = b"drive.json.new"
_FORMAT: Final = 1
_READ_BYTES: Final = 65_536  # ours has a few hundred; a longer one is not ours
_FIELD_MAX_CHARS: Final = (
    1_000  # five times what the settings allow a studio's name; it is told in lines of the log
)
_WHAT_IT_IS: Final = "This drive holds verified copies of a photo studio. Please leave this folder as it is."


@dataclass(frozen=True, slots=True, kw_only=True)
class Identity:
    """Who a drive says that it is."""

    id: DriveId
    name: str
    studio: str
    adopted_at: str  # RFC 3339, UTC


def read_identity(root: int) -> Identity | None:
    """Read the identity of the drive whose root is open as `root`; None when it carries none.

    Raises OSError when it cannot be read, ValueError when it is not one of ours. Reads from the
    medium as far as the system allows, and never through a symbolic link.
    """
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC | os.O_NONBLOCK
    try:
        hidden = os.open(HIDDEN_FOLDER, flags | os.O_DIRECTORY, dir_fd=root)
    except FileNotFoundError:
        return None
    try:
        fd = os.open(IDENTITY_NAME, flags, dir_fd=hidden)
    except FileNotFoundError:
        return None
    finally:
        os.close(hidden)
    try:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode):
            raise ValueError("its drive.json is not a plain file")
        if found.st_dev != os.fstat(root).st_dev:
            raise ValueError("its identity lies on another device")
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        return _parse(os.read(fd, _READ_BYTES))
    finally:
        os.close(fd)


def new_identity(*, name: str, studio: str, at: str) -> Identity:
    """Make up an identity that no other drive has."""
    return Identity(id=DriveId(str(uuid.uuid4())), name=name, studio=studio, adopted_at=at)


def write_identity(root: int, identity: Identity) -> None:
    """Write an identity on a drive that carries none, durably. Raises OSError, FileExistsError if it has one."""
    with suppress(FileExistsError):
        os.mkdir(HIDDEN_FOLDER, 0o755, dir_fd=root)
    hidden = os.open(HIDDEN_FOLDER, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=root)
    try:
        # Under another name first: half an identity would be taken for a damaged one.
        try:
            write_new(hidden, _NEW_NAME, _text(identity))
            _give_name(hidden)
        except OSError:
            with suppress(OSError):
                os.unlink(_NEW_NAME, dir_fd=hidden)
            raise
        os.fsync(hidden)
    finally:
        os.close(hidden)
    os.fsync(root)


def _give_name(hidden: int) -> None:
    """Give the new file its name, unless something has it. Raises OSError, FileExistsError."""
    try:
        rename_no_replace(hidden, _NEW_NAME, hidden, IDENTITY_NAME)
    except OSError as exc:
        if exc.errno not in NO_SUCH_CALL:
            raise
        with suppress(FileNotFoundError):
            os.stat(IDENTITY_NAME, dir_fd=hidden, follow_symlinks=False)
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), "drive.json") from exc
        os.rename(_NEW_NAME, IDENTITY_NAME, src_dir_fd=hidden, dst_dir_fd=hidden)


def _text(identity: Identity) -> bytes:
    fields = {
        "format": _FORMAT,
        "id": identity.id,
        "name": identity.name,
        "studio": identity.studio,
        "adopted_at": identity.adopted_at,
        "what_is_this": _WHAT_IT_IS,
    }
    return (json.dumps(fields, ensure_ascii=False, indent=2) + "\n").encode()


def _parse(data: bytes) -> Identity:
    try:
        fields = json.loads(data)
    except (ValueError, RecursionError) as exc:  # the latter for thousands of brackets
        raise ValueError("its drive.json is damaged") from exc
    if not isinstance(fields, dict) or fields.get("format") != _FORMAT:
        raise ValueError("its drive.json is not of a format that this version knows")
    return Identity(
        id=DriveId(_field(fields, "id")),
        name=_field(fields, "name"),
        studio=_field(fields, "studio"),
        adopted_at=_field(fields, "adopted_at"),
    )


def _field(fields: Mapping[str, object], key: str) -> str:
    value = fields.get(key)
    if not isinstance(value, str) or not value:
        raise ValueError(f"its drive.json has no {key}")
    # Half a surrogate pair, which JSON can spell, fits into no UTF-8: neither the ledger nor the log could hold it.
    if len(value) > _FIELD_MAX_CHARS or any(unicodedata.category(char) in ("Cc", "Cs") for char in value):
        raise ValueError(f"its drive.json has something for its {key} that is no name")
    return value
