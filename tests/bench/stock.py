"""The same jobs with stock utilities: the careful hand routine, the best pipeline of them, and what the disks allow.

Common practice, no published source, for the hand routine. May not call the program.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from tests.bench.disks import forget_caches
from tests.bench.rounds import timed

_BLOCK: Final = "bs=4M"
# Sums of all files below a folder; as many at once as there are cores.
_SUMS: Final = "find . -type f -print0 | xargs -0 -n 16 -P 2 sha256sum | sort -k 2"


def copy_by_hand(source: Path, drives: Sequence[Path]) -> float:
    """Copy to each drive in turn, flush, forget the caches, then compare the sums of source and copies; in seconds."""
    with timed() as seconds:
        for drive in drives:
            _run(f"cp -a {source} {drive}")
        forget_caches()
        wanted = _sums(source)
        for drive in drives:
            assert _sums(drive / source.name) == wanted
    return seconds()


def copy_at_once(source: Path, drives: Sequence[Path]) -> float:
    """Do the same with all drives at once, and all sums at once; in seconds."""
    with tempfile.TemporaryDirectory(prefix="bench-") as folder, timed() as seconds:
        _run(_beside(f"cp -a {source} {drive} && sync -f {drive}" for drive in drives))
        forget_caches()
        copies = [source, *(drive / source.name for drive in drives)]
        told = [Path(folder, f"{number}.sums") for number in range(len(copies))]
        _run(_beside(f"(cd {copy} && {_SUMS}) > {sums}" for copy, sums in zip(copies, told, strict=True)))
        assert len({sums.read_bytes() for sums in told}) == 1
    return seconds()


def copy_each_flushed(source: Path, drives: Sequence[Path]) -> float:
    """Copy to all drives at once, and flush each file by itself, and its name (fsync(2)); sums at once; in seconds."""
    with timed() as seconds:
        one_by_one = 'find . -type f -print0 | xargs -0 -I {{}} sh -c \'cp -a "$1" "$2/$1" && sync "$2/$1" "$2"\' - {{}} {}'
        makes = f"cp -a --attributes-only {source}"
        _run(
            _beside(
                f"{makes} {drive} && cd {source} && {one_by_one.format(drive / source.name)}"
                for drive in drives
            )
        )
        forget_caches()
        wanted = _sums(source)
        for drive in drives:
            assert _sums(drive / source.name) == wanted
    return seconds()


def read_plainly(folder: Path) -> float:
    """Read every file below a folder to nowhere, in the order of their names, cold; in seconds."""
    forget_caches()
    with timed() as seconds:
        _run(f"find {folder} -type f -print0 | sort -z | xargs -0 cat > /dev/null")
    return seconds()


def write_plainly(drive: Path, size_bytes: int) -> float:
    """Write so many bytes into one file past the cache, flushed at the end; in seconds."""
    file = drive / "plain"
    with timed() as seconds:
        _run(
            f"dd if=/dev/zero of={file} {_BLOCK} count={size_bytes} iflag=count_bytes oflag=direct conv=fsync status=none"
        )
    return seconds()


def write_and_read_plainly(drive: Path, size_bytes: int) -> float:
    """Write so many bytes, then read them, both past the cache; in seconds."""
    writing = write_plainly(drive, size_bytes)
    with timed() as seconds:
        _run(f"dd if={drive / 'plain'} of=/dev/null {_BLOCK} iflag=direct status=none")
    return writing + seconds()


def _sums(folder: Path) -> bytes:
    return _run(f"cd {folder} && {_SUMS}")


def _beside(commands: Iterable[str]) -> str:
    """Give a command that runs several at once, and fails when one of them does."""
    started = " ".join(f'({command}) & all="$all $!";' for command in commands)
    return f'all=""; {started} for each in $all; do wait "$each"; done'


def _run(command: str) -> bytes:
    return subprocess.run(["bash", "-euo", "pipefail", "-c", command], check=True, capture_output=True).stdout
