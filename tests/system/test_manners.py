"""The service beside other work: quiet hours, a limited rate, and the page cache left as it was found."""

from __future__ import annotations

import os
import random
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from replicatord.drives.brought import is_in_cache
from tests.studio import (
    Studio,
    assert_load_is_whole,
    make_load,
    new_studio,
    running,
    small_disk,
    unmount,
    until,
    why_no_small_disk,
)


def hours_around_now() -> tuple[str, str]:
    """Give quiet hours that began an hour ago and last for half a day, in the studio's zone, and their end."""
    now = datetime.now(UTC)
    first, last = (f"{now + timedelta(hours=hours):%H:%M}" for hours in (-1, 12))
    return f'quiet_hours: "{first}-{last}"\n', last


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path)


def test_in_quiet_hours_frames_are_seen_and_no_drive_is_touched(studio: Studio) -> None:
    studio.more, until_then = hours_around_now()
    studio.write_settings()
    with running(studio) as service:
        service.wait_line("quiet_hours_begun", until=until_then)
        make_load(studio, random.Random(5), first=1, frames=3)
        service.wait_line("load_ended", source="cards")
        said = studio.ask("status").stdout
        assert f"Quiet hours: drives are left alone until {until_then}." in said
        assert "NOT cleared" in said
        assert not studio.lines("copy_verified")
        with studio.asking("fixity", "--all") as lines:
            assert next(lines).startswith("The service checks curlew")
            assert next(lines) == f"Quiet hours: drives are left alone until {until_then}.\n"
        studio.more = "# no quiet hours\n"
        studio.write_settings()
        service.wait_line("quiet_hours_over")
        service.wait_line("load_cleared", source="cards")
    assert_load_is_whole(studio)


@pytest.mark.skipif(bool(why_no_small_disk()), reason=why_no_small_disk() or "-")
def test_a_drive_that_comes_and_goes_in_quiet_hours_is_noticed(studio: Studio, tmp_path: Path) -> None:
    studio.more, _ = hours_around_now()
    with small_disk(tmp_path / "disk", size_bytes=32 << 20) as (point, image):
        studio.mounts.add("plover")
        studio.add_drive("plover", "hdd", root=point)
        with running(studio) as service:
            service.wait_line("drive_is_here", drive="plover")
            unmount(point)
            service.wait_line("drive_waits", drive="plover")
            subprocess.run(["mount", "-o", "loop", str(image), str(point)], check=True)
            until(lambda: len(studio.lines("drive_is_here", drive="plover")) == 2)
            assert not studio.lines("copy_verified")


def test_a_pass_that_a_person_asks_for_knows_no_quiet_hours(studio: Studio) -> None:
    studio.more, _ = hours_around_now()
    studio.write_settings()
    make_load(studio, random.Random(5), first=1, frames=3)
    assert studio.once().status == 0
    assert_load_is_whole(studio)


def test_copying_is_no_faster_than_the_settings_say(studio: Studio) -> None:
    studio.more = "limit_rate: {to: 4MB}\n"
    studio.write_settings()
    raw = studio.cards / "shore" / "TIDE0001.CR3"
    raw.parent.mkdir(parents=True)
    raw.write_bytes(random.Random(5).randbytes(12_000_000))
    assert studio.once().status == 0
    told = studio.lines("copy_verified")
    assert {line["drive"] for line in told} == {"curlew", "dunlin"}
    for line in told:
        assert float(str(line["seconds"])) >= 3.0  # 12 MB at 4 MB a second, and what reading back takes


def test_an_import_leaves_the_page_cache_as_it_was(studio: Studio) -> None:
    raws = [studio.cards / "shore" / f"TIDE{number:04}.CR3" for number in range(3)]
    raws[0].parent.mkdir(parents=True)
    for raw in raws:
        raw.write_bytes(os.urandom(3_000_000))
        _forget(raw)
    raws[1].read_bytes()  # an editor has it open
    with running(studio) as service:
        service.wait_copies("cards/shore/TIDE0002.CR3", "curlew", "dunlin")
        until(lambda: [_is_cached(raw) for raw in raws] == [False, True, False])


def _is_cached(path: Path) -> bool:
    fd = os.open(path, os.O_RDONLY)
    try:
        return is_in_cache(fd)
    finally:
        os.close(fd)


def _forget(path: Path) -> None:
    fd = os.open(path, os.O_RDWR)
    try:
        os.fsync(fd)
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        if is_in_cache(fd):
            pytest.skip("nothing can be dropped from the page cache of this file system")
    finally:
        os.close(fd)
