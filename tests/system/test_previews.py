"""The service makes a preview of each photograph, once, and keeps it beside the ledger.

What is in the store is read with another library; what is not to be made again is known by its inode.
"""

from __future__ import annotations

import io
import os
import random
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from hashlib import sha256
from pathlib import Path

import pytest
from PIL import Image

from replicatord.previews.store import preview_path, previews_folder
from tests.mailbox import free_port
from tests.pages import fetch, is_served, load, serve_at
from tests.studio import Studio, new_studio, running, until

SIDE = 320


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Give a studio with two drives and nothing in it."""
    return new_studio(tmp_path, drives=("curlew", "dunlin"), tiers=TIERS)


TIERS = '  everything: {from: [cards, favourites], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'


def picture(chance: random.Random, *, orientation: int = 1, size: tuple[int, int] = (960, 640)) -> bytes:
    """Give a JPEG that nobody else has, with its orientation in Exif."""
    small = Image.frombytes("RGB", (12, 8), chance.randbytes(288))
    exif = Image.Exif()
    exif[0x0112] = orientation  # CIPA DC-008, Orientation
    content = io.BytesIO()
    small.resize(size, Image.Resampling.BICUBIC).save(content, "JPEG", exif=exif)
    return content.getvalue()


def take(studio: Studio, chance: random.Random, names: list[str], *, orientation: int = 1) -> list[bytes]:
    """Put pictures into the cards' folder; give them."""
    folder = studio.cards / "100TIDEW"
    folder.mkdir(exist_ok=True)
    contents = [picture(chance, orientation=orientation) for _ in names]
    for name, content in zip(names, contents, strict=True):
        (folder / name).write_bytes(content)
    return contents


def ledger_of(studio: Studio) -> str:
    return str(studio.log.parent / "ledger.sqlite")


def place(studio: Studio, content: bytes) -> Path:
    return Path(preview_path(ledger_of(studio), sha256(content).digest()))


def are_made(studio: Studio, contents: list[bytes]) -> bool:
    """Tell whether all have a preview, and the ledger knows it."""
    if not all(place(studio, content).exists() for content in contents):
        return False
    with closing(sqlite3.connect(f"file:{ledger_of(studio)}?mode=ro", uri=True)) as ledger:
        made = ledger.execute("SELECT count(*) FROM preview WHERE state = 1").fetchone()[0]
    return bool(made >= len(contents))


def test_each_photo_gets_a_preview_that_is_upright_and_small(studio: Studio) -> None:
    chance = random.Random(1)
    lying = take(studio, chance, [f"TIDE{n:04d}.JPG" for n in range(3)])
    standing = take(studio, chance, [f"TIDE{n:04d}.JPG" for n in range(10, 12)], orientation=6)
    (studio.cards / "100TIDEW" / "TIDE0001.xmp").write_text("<x/>")
    (studio.cards / "100TIDEW" / "TIDE0050.WAV").write_bytes(b"RIFF\4\0\0\0WAVE")
    with running(studio):
        until(lambda: are_made(studio, lying + standing))
    shown = [Image.open(io.BytesIO(place(studio, content).read_bytes())) for content in lying + standing]
    sizes = [preview.size for preview in shown]
    assert sizes == [(SIDE, 213)] * 3 + [(213, SIDE)] * 2
    assert not any(preview.getexif() for preview in shown)
    files = [path for path in Path(previews_folder(ledger_of(studio))).rglob("*.jpg") if path.is_file()]
    assert len(files) == 5  # of photographs alone
    assert "previews" not in studio.ask("status").stdout.lower()


def test_a_kill_loses_none_and_none_is_made_twice(studio: Studio) -> None:
    chance = random.Random(2)
    contents = take(studio, chance, [f"TIDE{n:04d}.JPG" for n in range(60)])
    service = studio.start(service=True)
    try:
        until(lambda: any(place(studio, content).exists() for content in contents))
    finally:
        service.send_signal(signal.SIGKILL)
        service.wait()
    before = {c: place(studio, c).stat().st_ino for c in contents if place(studio, c).exists()}
    assert before
    with running(studio):
        until(lambda: are_made(studio, contents))
    after = {c: place(studio, c).stat().st_ino for c in before}
    assert after == before


def test_what_its_source_no_longer_has_is_shown_from_a_drive(studio: Studio) -> None:
    studio.more = "previews: {limit: 0GB}\n"
    studio.write_settings()
    contents = take(studio, random.Random(3), ["TIDE0001.JPG", "TIDE0002.JPG"])
    assert studio.once().status == 0
    for path in (studio.cards / "100TIDEW").iterdir():
        path.unlink()
    assert studio.once().status == 0
    assert not os.path.exists(previews_folder(ledger_of(studio)))
    studio.more = "previews: {limit: 1GB}\n"
    studio.write_settings()
    with running(studio):
        until(lambda: are_made(studio, contents))


def test_a_larger_view_is_made_of_a_file_that_is_here_and_of_nothing_else(studio: Studio) -> None:
    serve_at(studio, free_port())
    studio.write_settings()
    (content,) = take(studio, random.Random(9), ["TIDE0001.JPG"], orientation=6)
    address = f"/larger/{sha256(content).hexdigest()}.jpg"

    def size() -> tuple[int, int]:
        return Image.open(io.BytesIO(fetch(studio, address))).size

    with running(studio) as service:
        service.wait_copies("cards/100TIDEW/TIDE0001.JPG", "curlew", "dunlin")
        until(lambda: is_served(studio) and are_made(studio, [content]))
        assert address in load(studio, "/frame/1")
        assert size() == (640, 960)
        (studio.cards / "100TIDEW" / "TIDE0001.JPG").unlink()
        assert size() == (640, 960)  # of a drive
        for name in ("curlew", "dunlin"):
            studio.drives[name].rename(studio.folder / f"{name} in the cupboard")
        assert b"no such picture" in fetch(studio, address, status=404)
        load(studio, "/larger/" + 64 * "0" + ".jpg", status=404)
        service.stop()


def test_at_the_limit_no_more_are_made_and_the_log_says_so_once(studio: Studio) -> None:
    studio.more = "previews: {limit: 12kB}\n"  # room is counted in blocks of 4096 bytes
    studio.write_settings()
    contents = take(studio, random.Random(4), [f"TIDE{n:04d}.JPG" for n in range(8)])

    def said() -> int:
        return len(studio.lines("previews_not_made"))

    with running(studio) as service:
        until(lambda: said() == 1)
        service.stop()
    left = Path(previews_folder(ledger_of(studio))) / "new" / "left"
    left.touch()
    with running(studio) as service:
        until(lambda: not left.exists())  # it has begun with previews again
        service.stop()
    assert said() == 1
    assert 1 <= len([content for content in contents if place(studio, content).exists()]) < len(contents)
    assert "No previews are made: they have all the room" in studio.ask("status").stdout
    studio.more = "previews: {limit: 1GB}\n"
    studio.write_settings()
    with running(studio):
        until(lambda: are_made(studio, contents))
        until(lambda: "No previews" not in studio.ask("status").stdout)


def test_a_store_that_was_thrown_away_is_filled_again(studio: Studio) -> None:
    contents = take(studio, random.Random(5), ["TIDE0001.JPG", "TIDE0002.JPG"])
    with running(studio):
        until(lambda: are_made(studio, contents))
    folder = Path(previews_folder(ledger_of(studio)))
    folder.rename(folder.with_name("thrown-away"))
    with running(studio):
        until(lambda: are_made(studio, contents))


def test_a_broken_picture_costs_nothing_but_its_own_preview(studio: Studio) -> None:
    chance = random.Random(6)
    (whole, broken) = (picture(chance), picture(chance))
    folder = studio.cards / "100TIDEW"
    folder.mkdir()
    broken = broken[: len(broken) // 2]
    (folder / "TIDE0001.JPG").write_bytes(whole)
    (folder / "TIDE0002.JPG").write_bytes(broken)

    def state_of_broken() -> Iterator[tuple[int, str]]:
        with closing(sqlite3.connect(f"file:{ledger_of(studio)}?mode=ro", uri=True)) as ledger:
            yield from ledger.execute(
                "SELECT state, reason FROM preview JOIN content ON content.id = preview.content WHERE digest = ?",
                (sha256(broken).digest(),),
            )

    with running(studio):
        until(lambda: are_made(studio, [whole]))
        until(lambda: [state for state, _ in state_of_broken()] == [3])
    assert "truncated" in next(state_of_broken())[1]
    assert studio.lines("service_stopped", level="error") == []


def test_a_child_that_hangs_does_not_hold_up_the_stop(studio: Studio) -> None:
    chance = random.Random(7)
    contents = take(studio, chance, ["TIDE0001.JPG"])
    with running(studio) as service:
        until(lambda: are_made(studio, contents))
        (child,) = children(service.process.pid)
        os.kill(child, signal.SIGSTOP)
        take(studio, chance, [f"TIDE{n:04d}.JPG" for n in range(10, 20)])
        service.wait_copies("cards/100TIDEW/TIDE0019.JPG", "curlew", "dunlin")
        assert service.stop() < 5.0
        until(lambda: not os.path.exists(f"/proc/{child}"))


def children(pid: int) -> list[int]:
    """Give the processes that a service has decode pictures (proc(5))."""
    lines = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(word) for line in lines for word in line.read_text().split()]
