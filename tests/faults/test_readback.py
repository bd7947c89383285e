"""Bytes that changed on the medium between writing and reading back are never called verified (I2, I4).

The program is held still (SIGSTOP) while a file lies in partial/, so that the change falls between the two.
"""

from __future__ import annotations

import hashlib
import mmap
import os
import random
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from replicatord.copying.files import DriveFiles
from replicatord.copying.readback import Prover
from replicatord.media.digests import new_hasher
from replicatord.model.settings import DigestAlgorithm
from tests.studio import (
    HIDDEN,
    TIERS,
    Studio,
    adopt,
    check_sums,
    new_studio,
    small_disk,
    until,
    why_no_small_disk,
)

_NO_DISK = why_no_small_disk()
_FIRST_BYTES = 60_000  # small enough to be written through the page cache, where a blind reader would find it
_OTHERS = 20
_OTHER_BYTES = 2_000_000  # so many bytes of the group come behind it that there is time to hold the program


def spoil_in_partial(studio: Studio, content: bytes, spoil: Callable[[Path], None]) -> None:
    """Run a pass onto curlew; when `content` lies in partial/, hold the program, spoil the file, go on."""
    partial = studio.drives["curlew"] / HIDDEN / "partial"
    process = studio.start(service=False)

    def find() -> Path | None:
        if not partial.is_dir():
            return None
        return next((p for p in partial.iterdir() if p.stat().st_size == len(content)), None)

    try:
        until(find)
        process.send_signal(signal.SIGSTOP)
        # Read its bytes only now: it may have been half written when it was found.
        found = find()
        assert found is not None, "it was proved before it could be spoiled"
        assert found.read_bytes() == content
        spoil(found)
        process.send_signal(signal.SIGCONT)
        assert process.wait(timeout=60) == 0, (studio.folder / "said.txt").read_text()
    finally:
        process.kill()
        process.wait()


def wanting_studio(folder: Path) -> tuple[Studio, dict[str, bytes]]:
    """Give a studio whose ledger wants some files on a drive that is not adopted yet: one whole group."""
    studio = new_studio(
        folder, drives=[], tiers=TIERS.split("  best:")[0].replace("[curlew, dunlin]", "[curlew]")
    )
    chance = random.Random(9)
    files = {"A.jpg": chance.randbytes(_FIRST_BYTES)}
    files |= {f"B{number:02d}.jpg": chance.randbytes(_OTHER_BYTES) for number in range(_OTHERS)}
    for name, content in files.items():
        (studio.cards / name).write_bytes(content)
    return studio, files


def assert_found_out_and_made_again(studio: Studio, files: dict[str, bytes]) -> None:
    """Check what must be there after one copy was spoiled once."""
    (line,) = studio.lines("copy_did_not_match")
    assert line["level"] == "error"
    assert line["digest"] == hashlib.sha256(files["A.jpg"]).hexdigest()
    assert line["found_digest"] != line["digest"]
    aside = studio.drives["curlew"] / str(line["set_aside_as"])
    assert aside.stat().st_size == _FIRST_BYTES
    verified = studio.lines("copy_verified")
    assert sorted(str(v["source"]) for v in verified) == sorted(f"cards/{name}" for name in files)
    (of_first,) = [v for v in verified if v["source"] == "cards/A.jpg"]
    assert int(str(of_first["seq"])) > int(str(line["seq"]))
    check_sums(studio.drives["curlew"], files=len(files))
    found = studio.tree("curlew")
    assert found.pop(str(line["set_aside_as"])) != files["A.jpg"]
    assert sorted(c for path, c in found.items() if path.startswith("2026")) == sorted(files.values())


def test_a_copy_that_another_program_changed_is_set_aside_and_made_again(tmp_path: Path) -> None:
    studio, files = wanting_studio(tmp_path)
    root = studio.add_drive("curlew", "hdd", adopted=False)
    root.mkdir(parents=True)
    assert studio.once().status == 0
    adopt(root, "curlew")

    def spoil(path: Path) -> None:
        with path.open("r+b") as file:
            file.seek(30_000)
            file.write(bytes([files["A.jpg"][30_000] ^ 1]))
            file.flush()
            os.fsync(file.fileno())

    spoil_in_partial(studio, files["A.jpg"], spoil)
    assert_found_out_and_made_again(studio, files)


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_a_copy_that_rotted_behind_the_cache_is_set_aside_and_made_again(tmp_path: Path) -> None:
    """The bit is changed in the disk's image, below the file system: its page cache still has the good bytes.

    A program that reads back from the cache would call this copy verified.
    """
    studio, files = wanting_studio(tmp_path)
    with small_disk(tmp_path / "disk", size_bytes=128 << 20) as (root, image):
        studio.mounts.add("curlew")
        studio.add_drive("curlew", "hdd", root=root, adopted=False)
        assert studio.once().status == 0
        adopt(root, "curlew")

        def spoil(path: Path) -> None:
            sync_disk(path)
            flip_bit(image, files["A.jpg"][28_000:32_000])
            assert path.read_bytes() == files["A.jpg"], "the cache does not hide the change"

        spoil_in_partial(studio, files["A.jpg"], spoil)
        assert_found_out_and_made_again(studio, files)


@pytest.mark.skipif(bool(_NO_DISK), reason=_NO_DISK)
def test_the_prover_sees_the_medium_where_a_plain_reader_sees_the_cache(tmp_path: Path) -> None:
    content = random.Random(10).randbytes(_FIRST_BYTES)
    with small_disk(tmp_path / "disk", size_bytes=16 << 20) as (root, image):
        path = root / "A.jpg"
        path.write_bytes(content)
        sync_disk(path)
        flip_bit(image, content[28_000:32_000])
        assert path.read_bytes() == content  # the plain reader is blind
        fd = os.open(root, os.O_RDONLY | os.O_DIRECTORY)
        files = DriveFiles(fd, tag=b"t")
        prover = Prover(new_hasher(DigestAlgorithm.SHA256), must_stop=lambda: False)
        try:
            found = prover.read_back(files, b"A.jpg")
        finally:
            prover.close()
            files.close()
            os.close(fd)
        assert not found.was_cached
        assert found.digest != hashlib.sha256(content).digest()


def sync_disk(path: Path) -> None:
    """Flush the file system of a file, so that its bytes are in the image."""
    subprocess.run(["sync", "--file-system", str(path)], check=True)


def flip_bit(image: Path, piece: bytes) -> None:
    """Change one bit of the only place in an image that holds `piece`."""
    with image.open("r+b") as file, mmap.mmap(file.fileno(), 0) as disk:
        at = disk.find(piece)
        assert at >= 0
        assert disk.find(piece, at + 1) < 0
        disk[at] ^= 1
        disk.flush()
