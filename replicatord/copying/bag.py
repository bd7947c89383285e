"""Makes a folder that was brought back a BagIt bag, to be handed to somebody else: what was sent can be checked there.

May not change or remove anything that lies in it as payload, and closes no bag over files that it did not read, nor over
others than were brought back, or other bytes.
Source: RFC 8493, The BagIt File Packaging Format (V1.0).
"""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import Final

from replicatord.drives.kernel import drop_cached
from replicatord.errors import AppError
from replicatord.media.digests import Hasher
from replicatord.rules.paths import path_key

PAYLOAD: Final = "data"  # RFC 8493, 2.1.2
_DECLARATION: Final = "bagit.txt"  # 2.1.1: with it a folder is a bag, so it is written last
_TAGS: Final = (
    "bag-info.txt",
    "manifest-sha256.txt",
    "tagmanifest-sha256.txt",
    _DECLARATION,
)  # as they are written
_TEXT: Final = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_CHUNK_BYTES: Final = 4 << 20
# 2.1.3: only these are written otherwise in a manifest.
_ENCODED: Final = ((b"%", b"%25"), (b"\n", b"%0A"), (b"\r", b"%0D"))
_READ: Final = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC


class NoBagError(AppError):
    """The folder cannot be made a bag; the message says why."""


def check_new(folder: str) -> None:
    """Check that a folder can become a bag: it holds nothing yet but what a killed try left. Raises NoBagError."""
    names = set(os.listdir(folder))
    if _DECLARATION in names:
        raise NoBagError(f"{folder} is a bag already; name an empty folder for another one")
    payload = os.path.join(folder, PAYLOAD)
    # A link may lead to a source, or to a drive (I1).
    is_odd = os.path.lexists(payload) and (os.path.islink(payload) or not os.path.isdir(payload))
    if is_odd or names - {PAYLOAD, *_TAGS, *map(_unfinished, _TAGS)}:
        raise NoBagError(f"{folder} holds other things; a bag wants an empty folder")


def check_names(paths: Iterable[bytes]) -> None:
    """Check that all names can be listed in a bag. Raises NoBagError."""
    for path in paths:
        try:
            path.decode()
        except UnicodeDecodeError as exc:
            raise NoBagError(
                f"{path.decode('utf-8', 'backslashreplace')}: a bag lists its files in UTF-8, and this name is not"
            ) from exc


def close_bag(
    folder: str,
    wanted: Mapping[bytes, bytes],
    new_hasher: Callable[[], Hasher],
    *,
    organization: str,
    today: date,
) -> int:
    """Read all of the payload, list it with its digests, and declare the folder a bag; give how many files it has.

    `wanted` are the files that were brought back, by their paths in the payload, with their digests by `new_hasher`.
    Raises NoBagError when the payload is not that, or a name cannot be listed; OSError.
    """
    paths = list(_payload(os.fsencode(folder)))
    check_names(paths)
    _check_complete(folder, paths, wanted)
    by_key = _by_key(wanted)
    digests, size = {}, 0
    for path in paths:
        inner = path[len(PAYLOAD) + 1 :]
        digest, digests[path], count = _digests(os.path.join(os.fsencode(folder), path), new_hasher())
        if digest not in ({wanted[inner]} if inner in wanted else by_key[path_key(inner)]):
            raise NoBagError(f"{_words(folder, path)} is not any more what was brought back; run it again")
        size += count
    info = f"Bagging-Date: {today.isoformat()}\nPayload-Oxum: {size}.{len(digests)}\n"
    info += f"Source-Organization: {' '.join(organization.split())}\n"
    tags = {
        "bag-info.txt": info.encode(),
        "manifest-sha256.txt": _manifest(digests),
        _DECLARATION: _TEXT,
    }
    tags["tagmanifest-sha256.txt"] = _manifest(
        {name.encode(): hashlib.sha256(text).hexdigest() for name, text in tags.items()}
    )
    for name in _TAGS:
        _write(folder, name, tags[name])
    return len(digests)


def names_alike(paths: Sequence[bytes]) -> list[bytes]:
    """Give the paths that differ from another's in case or composition alone: not every system keeps them apart.

    Source: RFC 8493, 5.2 and 6.2 (to be warned of).
    """
    counts = Counter(path_key(path) for path in paths)
    return [path for path in paths if counts[path_key(path)] > 1]


def _payload(folder: bytes) -> Iterator[bytes]:
    """Give every file below data/, by its path in the bag, in order."""
    for at, folders, names in os.walk(os.path.join(folder, os.fsencode(PAYLOAD)), onerror=_raise):
        folders.sort()
        for name in sorted(names):
            yield os.path.relpath(os.path.join(at, name), folder)


def _raise(exc: OSError) -> None:
    raise exc


def _check_complete(folder: str, paths: Sequence[bytes], wanted: Mapping[bytes, bytes]) -> None:
    """Check that the payload is what was brought back, no more and no less (RFC 8493, 3); names as the system keeps them.

    Not every system keeps case and composition.
    """
    keys = {path_key(path[len(PAYLOAD) + 1 :]): path for path in paths}
    expected = _by_key(wanted)
    for key, path in keys.items():
        if key not in expected:
            raise NoBagError(
                f"{_words(folder, path)} is not of what was brought back; move it away, and run it again"
            )
    if len(paths) < len(wanted):
        raise NoBagError(f"{folder} lacks files that were brought back; run it again")


def _by_key(wanted: Mapping[bytes, bytes]) -> dict[bytes, set[bytes]]:
    found: dict[bytes, set[bytes]] = {}
    for path, digest in wanted.items():
        found.setdefault(path_key(path), set()).add(digest)
    return found


def _words(folder: str, path: bytes) -> str:
    return os.path.join(folder, path.decode("utf-8", "backslashreplace"))


def _manifest(digests: Mapping[bytes, str]) -> bytes:
    lines = []
    for path, digest in digests.items():
        encoded = path
        for plain, code in _ENCODED:
            encoded = encoded.replace(plain, code)
        lines.append(digest.encode() + b"  " + encoded + b"\n")
    return b"".join(lines)


def _digests(path: bytes, hasher: Hasher) -> tuple[bytes, str, int]:
    """Read a file from its medium, as far as the system allows; give its digest by `hasher`, that for the bag, its size."""
    listed, size = hashlib.sha256(), 0
    fd = os.open(path, _READ)
    try:
        drop_cached(fd)
        while chunk := os.read(fd, _CHUNK_BYTES):
            listed.update(chunk)
            hasher.update(chunk)
            size += len(chunk)
    finally:
        os.close(fd)
    return hasher.digest(), listed.hexdigest(), size


def _unfinished(name: str) -> str:
    return f"{name}.new"


def _write(folder: str, name: str, text: bytes) -> None:
    """Write a tag file whole, durably."""
    partial = os.path.join(folder, _unfinished(name))
    with suppress(FileNotFoundError):
        os.unlink(partial)
    with open(partial, "xb") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(partial, os.path.join(folder, name))
    at = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(at)
    finally:
        os.close(at)
