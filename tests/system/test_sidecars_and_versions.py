"""Frames that change after they were copied: sidecars, stars, edited files, cards that come again."""

from __future__ import annotations

import hashlib
import os
import random
import time
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.studio import (
    HIDDEN,
    Studio,
    assert_numbered,
    check_sums,
    new_studio,
    photo,
    running,
    sidecar,
    stats,
    until,
)

_BOTH = ("curlew", "dunlin")
_DAY = "2026:01:26 07:30:00"


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path)


@pytest.fixture
def chance() -> random.Random:
    return random.Random(26)


def put(path: Path, content: bytes, *, at: str = "") -> None:
    """Put a file into a source, with its folder; `at` is its file time in UTC."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    if at:
        moment = datetime.fromisoformat(at).replace(tzinfo=UTC).timestamp()
        os.utime(path, (moment, moment))


def once(studio: Studio) -> None:
    """Make a pass that must end well."""
    done = studio.once()
    assert done.status == 0, done.said


def assert_proved(studio: Studio) -> None:
    """Check every drive with the stock utility, and that no copy was logged twice at one place for nothing."""
    for drive, root in studio.drives.items():
        if studio.tree(drive):
            check_sums(root, files=len(studio.tree(drive)))
    assert_numbered(studio)


def test_a_sidecar_that_comes_later_joins_its_raw_and_raises_its_stars(
    studio: Studio, chance: random.Random
) -> None:
    raw, jpeg = chance.randbytes(40_000), photo(chance, _DAY)
    put(studio.favourites / "skerries" / "TIDE0001.DNG", raw)
    put(studio.favourites / "skerries" / "TIDE0001.JPG", jpeg)
    once(studio)
    assert studio.tree("north-cloud") == {}

    # NAME.EXT.xmp belongs to the frame as well as STEM.xmp does.
    put(studio.favourites / "skerries" / "TIDE0001.DNG.xmp", sidecar(4))
    once(studio)

    for drive in _BOTH:
        assert studio.tree(drive) == {
            "2026/01/skerries/TIDE0001.DNG": raw,
            "2026/01/skerries/TIDE0001.JPG": jpeg,
            "2026/01/skerries/TIDE0001.DNG.xmp": sidecar(4),
        }
    assert studio.tree("north-cloud") == {
        "best/dng/2026/TIDE0001.DNG": raw,
        "best/dng/2026/TIDE0001.JPG": jpeg,
        "best/dng/2026/TIDE0001.DNG.xmp": sidecar(4),
    }
    assert_proved(studio)


def test_stars_that_are_lowered_delete_nothing_and_are_told(studio: Studio, chance: random.Random) -> None:
    put(studio.favourites / "TIDE0001.JPG", photo(chance, _DAY))
    put(studio.favourites / "TIDE0001.xmp", sidecar(3))
    once(studio)
    before = studio.tree("north-cloud")
    assert before.keys() == {"best/jpeg/2026/TIDE0001.JPG", "best/jpeg/2026/TIDE0001.xmp"}

    put(studio.favourites / "TIDE0001.xmp", sidecar(0))
    once(studio)

    assert studio.tree("north-cloud") == before
    told = studio.lines("copy_no_longer_asked_for", drive="north-cloud")
    assert {line["path"] for line in told} == before.keys()
    # On the other drives the sidecar is the new one, and the earlier one is kept.
    for drive in _BOTH:
        found = studio.tree(drive)
        assert found.pop("2026/01/TIDE0001.xmp") == sidecar(0)
        (earlier,) = [path for path, content in found.items() if content == sidecar(3)]
        assert earlier.startswith(".replicatord/earlier/")
        assert earlier.endswith("/2026/01/TIDE0001.xmp")
    assert_proved(studio)


def test_a_sidecar_that_comes_before_its_raw_ends_in_the_same_folder(
    studio: Studio, chance: random.Random
) -> None:
    put(studio.cards / "boats" / "TIDE0007.xmp", sidecar(0), at="2026-05-05")
    once(studio)
    assert studio.tree("curlew").keys() == {"2026/05/boats/TIDE0007.xmp"}

    put(studio.cards / "boats" / "TIDE0007.JPG", photo(chance, _DAY))
    once(studio)

    for drive in _BOTH:
        assert studio.tree(drive).keys() == {"2026/01/boats/TIDE0007.xmp", "2026/01/boats/TIDE0007.JPG"}
    assert {line["drive"] for line in studio.lines("copy_refiled")} == set(_BOTH)
    assert_proved(studio)


def test_changed_content_is_copied_anew_and_the_earlier_version_is_kept(
    studio: Studio, chance: random.Random
) -> None:
    versions = [photo(chance, _DAY) for _ in range(3)]
    for version in versions:
        put(studio.cards / "TIDE0001.JPG", version)
        once(studio)
    for drive in _BOTH:
        found = studio.tree(drive)
        assert found.pop("2026/01/TIDE0001.JPG") == versions[2]
        assert sorted(found.values()) == sorted(versions[:2])
        assert all(path.startswith(".replicatord/earlier/") for path in found)
        assert len(studio.lines("earlier_version_kept", drive=drive)) == 2
        assert len(studio.lines("copy_verified", drive=drive)) == 3
    assert_proved(studio)

    put(studio.cards / "TIDE0001.JPG", versions[0])  # back to the first: a version like any other
    once(studio)
    assert studio.tree("curlew")["2026/01/TIDE0001.JPG"] == versions[0]
    assert set(studio.tree("curlew").values()) == set(versions)
    assert_proved(studio)


def test_a_card_that_was_not_formatted_gives_one_copy_of_each_frame(
    studio: Studio, chance: random.Random
) -> None:
    frames = {f"TIDE{number:04d}.JPG": photo(chance, _DAY) for number in range(5)}
    for name, content in frames.items():
        put(studio.cards / "monday" / name, content)
    once(studio)
    before = {drive: studio.tree(drive) for drive in _BOTH}
    for name, content in frames.items():
        put(studio.cards / "tuesday" / name, content)
    new = photo(chance, _DAY)
    put(studio.cards / "tuesday" / "TIDE0005.JPG", new)
    once(studio)
    for drive in _BOTH:
        assert studio.tree(drive) == {**before[drive], "2026/01/tuesday/TIDE0005.JPG": new}
    # Promise: the second load is cleared by the copies of the first.
    assert [line["cleared"] for line in studio.lines("load_ended")] == [True, True]
    assert_proved(studio)


def test_one_name_with_two_contents_gets_the_same_suffix_on_every_drive(
    studio: Studio, chance: random.Random
) -> None:
    """The number of a camera runs over, or two cameras count alike: both frames are kept, each on one stem."""
    first, second, raw = photo(chance, _DAY), photo(chance, _DAY), chance.randbytes(40_000)
    put(studio.cards / "heron" / "TIDE0001.JPG", first)
    once(studio)
    put(studio.favourites / "heron" / "TIDE0001.DNG", raw)
    put(studio.favourites / "heron" / "TIDE0001.JPG", second)
    put(studio.favourites / "heron" / "TIDE0001.xmp", sidecar(0))
    once(studio)
    stem = f"2026/01/heron/TIDE0001-{hashlib.sha256(raw).hexdigest()[:8]}"
    for drive in _BOTH:
        assert studio.tree(drive) == {
            "2026/01/heron/TIDE0001.JPG": first,
            f"{stem}.DNG": raw,
            f"{stem}.JPG": second,
            f"{stem}.xmp": sidecar(0),
        }
    assert_proved(studio)


def test_a_trip_lies_under_the_month_it_set_out(studio: Studio, chance: random.Random) -> None:
    """Common practice, no published source: a trip is filed under the month of departure."""
    studio.more = "trips:\n  - {name: Outer Skerries, from: 2025-12-30, until: 2026-02-04}\n"
    studio.write_settings()
    days = ("2025:12:29", "2025:12:30", "2026:01:01", "2026:02:04", "2026:02:05")
    for number, day in enumerate(days):
        put(studio.cards / "s" / f"TIDE{number:04d}.JPG", photo(chance, f"{day} 23:59:59"))
    once(studio)
    assert studio.tree("dunlin").keys() == {
        *(f"2025/12/s/TIDE{number:04d}.JPG" for number in range(4)),
        "2026/02/s/TIDE0004.JPG",
    }
    assert_proved(studio)


def test_a_frame_without_capture_time_is_filed_by_file_time_and_the_load_says_so(studio: Studio) -> None:
    put(studio.cards / "x" / "TIDE0001.WAV", b"no times in here", at="2024-07-01T12:00:00")
    once(studio)
    assert studio.tree("curlew") == {"2024/07/x/TIDE0001.WAV": b"no times in here"}
    (ended,) = studio.lines("load_ended")
    assert ended["without_capture_time"] == 1
    # The copy keeps the file's own time, to the nanosecond on this file system.
    copy = studio.drives["curlew"] / "2024" / "07" / "x" / "TIDE0001.WAV"
    assert copy.stat().st_mtime_ns == (studio.cards / "x" / "TIDE0001.WAV").stat().st_mtime_ns


def test_a_rule_that_is_removed_deletes_nothing(studio: Studio, chance: random.Random) -> None:
    put(studio.favourites / "TIDE0001.JPG", photo(chance, _DAY))
    put(studio.favourites / "TIDE0001.xmp", sidecar(5))
    once(studio)
    before = stats(studio.drives["north-cloud"] / "best")
    studio.tiers = studio.tiers.split("  best:")[0]
    studio.write_settings()
    once(studio)
    assert stats(studio.drives["north-cloud"] / "best") == before
    assert [line["files"] for line in studio.lines("copies_no_longer_asked_for")] == [2]


def test_raws_whose_jpegs_come_a_moment_later_end_in_one_place(studio: Studio) -> None:
    """Whatever the copying is at when a frame's month changes, no copy is left behind where it first was."""
    seed = random.SystemRandom().randrange(1 << 32)
    print(f"{seed=}")
    chance = random.Random(seed)
    wanted: dict[str, bytes] = {}
    with running(studio) as service:
        for number in range(60):
            raw, jpeg = chance.randbytes(3_000), photo(chance, _DAY)
            put(studio.cards / f"TIDE{number:04d}.DNG", raw)
            wanted[f"2026/01/TIDE{number:04d}.DNG"] = raw
            time.sleep(chance.uniform(0, 0.08))  # so that each raw is at another point when its JPEG comes
            put(studio.cards / f"TIDE{number:04d}.JPG", jpeg)
            wanted[f"2026/01/TIDE{number:04d}.JPG"] = jpeg
        for drive in _BOTH:
            root = studio.drives[drive]
            until(lambda at=root: all((at / path).exists() for path in wanted))  # type: ignore[misc]
        service.stop()
    for drive in _BOTH:
        assert studio.tree(drive) == wanted
    assert_proved(studio)


def test_i8_the_last_earlier_version_is_never_let_go(tmp_path: Path) -> None:
    """What `keep_earlier` is for, and what it never does; a cloud folder counts for nothing."""
    studio = new_studio(tmp_path)
    studio.tiers = '  all: {from: [cards], to: [curlew, dunlin, north-cloud], layout: "{folder}/{name}"}\n'
    studio.write_settings()
    edited = studio.cards / "shore" / "TIDE0001.xmp"
    edited.parent.mkdir()
    contents = [sidecar(stars) for stars in (0, 3, 5)]
    for content in contents:
        edited.write_bytes(content)
        assert studio.once().status == 0
    earlier = {name: _earlier(root) for name, root in studio.drives.items()}
    assert all(sorted(found) == sorted(contents[:2]) for found in earlier.values())
    studio.more = "keep_earlier: 1s\n"
    studio.write_settings()
    until(lambda: studio.once().status == 0 and len(studio.lines("earlier_version_let_go")) == 4)
    for _ in range(2):
        assert studio.once().status == 0
    assert len(studio.lines("earlier_version_let_go")) == 4
    kept = [content for name in ("curlew", "dunlin") for content in _earlier(studio.drives[name])]
    assert sorted(kept) == sorted(contents[:2])
    assert _earlier(studio.drives["north-cloud"]) == []
    for root in studio.drives.values():
        assert (root / "shore" / "TIDE0001.xmp").read_bytes() == contents[2]
        check_sums(root, files=1 + len(_earlier(root)))


_WAYS = ("rotten", "missing", "edited", "one file", "whole")


def replaced(studio: Studio, names: Iterable[str]) -> None:
    """Have files replaced in their source, and wait until what was before is as old as `keep_earlier` says below."""
    (studio.cards / "shore").mkdir()
    for content in (b"before", b"now"):
        for name in names:
            (studio.cards / "shore" / name).write_bytes(content + name.encode())
        assert studio.once().status == 0
    begun_s = time.monotonic()
    until(lambda: time.monotonic() - begun_s > 2)  # an age is told in whole seconds
    studio.more = "keep_earlier: 1s\n"
    studio.write_settings()


def versions(studio: Studio, drive: str) -> dict[str, Path]:
    """Give the earlier versions on a drive by their names."""
    found = (studio.drives[drive] / HIDDEN / "earlier").rglob("*")
    return {path.name: path for path in found if path.is_file()}


def harm(way: str, version: Path, other: Path) -> None:
    at = version.stat()
    if way == "rotten":
        version.write_bytes(b"x" * at.st_size)
        os.utime(version, ns=(at.st_atime_ns, at.st_mtime_ns))
    elif way == "edited":
        version.write_bytes(b"a person's")
    elif way in ("missing", "one file"):
        version.unlink()
    if way == "one file":
        os.link(other, version)


def test_i8_an_earlier_version_stays_unless_another_place_gives_it_now(tmp_path: Path) -> None:
    """The ledger says of each that both drives have it; what is found not to be so is told, and nothing is removed."""
    tiers = '  all: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'
    studio = new_studio(tmp_path, drives=_BOTH, tiers=tiers)
    names = {f"TIDE{drive}{number}.xmp": (drive, way) for drive in _BOTH for number, way in enumerate(_WAYS)}
    replaced(studio, names)
    before = {drive: versions(studio, drive) for drive in _BOTH}
    for name, (drive, way) in names.items():
        (other,) = {*_BOTH} - {drive}
        harm(way, before[drive][name], before[other][name])
    for _ in range(2):
        studio.once()
    left = {drive: versions(studio, drive) for drive in _BOTH}
    for name, (drive, way) in names.items():
        (other,) = {*_BOTH} - {drive}
        good = [left[each][name].read_bytes() for each in _BOTH if name in left[each]]
        assert b"before" + name.encode() in good, way
        if way == "edited":
            assert left[drive][name].read_bytes() == b"a person's"
    gone = [os.path.basename(str(line["path"])) for line in studio.lines("earlier_version_let_go")]
    assert sorted(gone) == [name for name, (_, way) in names.items() if way == "whole"]
    bad = {
        (line["drive"], os.path.basename(str(line["path"])))
        for line in studio.lines("earlier_version_is_bad")
    }
    assert bad == {(drive, name) for name, (drive, way) in names.items() if way in _WAYS[:3]}


def test_i8_an_earlier_version_stays_while_the_other_drive_is_away(tmp_path: Path) -> None:
    tiers = '  all: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'
    studio = new_studio(tmp_path, drives=_BOTH, tiers=tiers)
    replaced(studio, ["TIDE0001.xmp"])
    studio.drives["dunlin"].rename(tmp_path / "elsewhere")
    studio.once()
    assert versions(studio, "curlew")
    (tmp_path / "elsewhere").rename(studio.drives["dunlin"])
    until(lambda: studio.once().status == 0 and studio.lines("earlier_version_let_go"))
    assert len([*versions(studio, "curlew"), *versions(studio, "dunlin")]) == 1


def _earlier(root: Path) -> list[bytes]:
    return [path.read_bytes() for path in (root / HIDDEN / "earlier").rglob("*") if path.is_file()]
