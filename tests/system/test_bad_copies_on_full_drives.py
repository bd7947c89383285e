"""A copy that went bad on a drive that cannot take a good one in its place: its name may not go on saying that it is one."""

from __future__ import annotations

import os
import random
from pathlib import Path

import pytest

from tests.studio import HIDDEN, Studio, check_sums, make_frame, new_studio, tree

_DAY = "2026:01:26 07:30:00"
_TO_LOFT = '  all: {from: [cards], to: [loft], layout: "{year}/{month}/{folder}/{name}"}\n'
_FULL = "125kB"  # three raws of 40 kB, and what belongs to two of them


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Give a studio whose shelf has a drive that has reached its limit, and another that has not."""
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=_TO_LOFT)
    studio.shelves = {"curlew": "loft", "dunlin": "loft"}
    studio.limits["curlew"] = _FULL
    studio.write_settings()
    chance = random.Random(7)
    for number in range(6):
        make_frame(studio.cards / "shore", f"TIDE{number:04d}", chance, stars=0, captured=_DAY)
    done = studio.once()
    assert done.status == 0, done.said
    return studio


def harm_one(studio: Studio) -> Path:
    """Have a raw on the full drive rot, with its time as it was; give where it is."""
    bad = next(path for path in sorted(studio.drives["curlew"].rglob("*.DNG")))
    at = bad.stat()
    bad.write_bytes(bytes(at.st_size))
    os.utime(bad, ns=(at.st_atime_ns, at.st_mtime_ns))
    return bad


def photographs(studio: Studio) -> dict[str, bytes]:
    """Give what the shelf holds, but for the drives' own folders."""
    held = {**tree(studio.drives["curlew"]), **tree(studio.drives["dunlin"])}
    return {path: content for path, content in held.items() if not path.startswith(HIDDEN)}


def wanted(studio: Studio) -> dict[str, bytes]:
    return {f"2026/01/{path}": content for path, content in tree(studio.cards).items()}


def test_a_bad_copy_is_set_aside_where_the_good_one_went_to_the_next_drive(studio: Studio) -> None:
    bad = harm_one(studio)
    held = len(photographs_of(studio, "curlew"))
    assert studio.ask("fixity", "--all").returncode == 1
    done = studio.once()
    assert done.status == 0, done.said
    assert photographs(studio) == wanted(studio)
    assert not bad.exists()
    (aside,) = studio.lines("copy_set_aside", drive="curlew")
    kept = studio.drives["curlew"] / str(aside["set_aside_as"])
    assert set(kept.read_bytes()) == {0}
    check_sums(studio.drives["curlew"], files=held - 1)
    assert studio.ask("fixity", "--all").returncode == 0
    assert "in doubt" not in studio.ask("status").stdout
    shown = studio.ask("where", bad.name).stdout
    assert "dunlin" in shown
    assert "in doubt" not in shown
    assert "no longer asked for" not in shown


def test_a_copy_that_is_gone_from_the_full_drive_is_told_once_and_then_forgotten(studio: Studio) -> None:
    gone = harm_one(studio)
    gone.unlink()
    assert studio.ask("fixity", "--all").returncode == 1
    studio.once()
    assert photographs(studio) == wanted(studio)
    shown = studio.ask("where", gone.name).stdout
    assert f"dunlin (shelf loft): 2026/01/shore/{gone.name}: verified" in shown
    assert "curlew" not in shown
    assert studio.ask("fixity", "--all").returncode == 0
    assert len(studio.lines("fixity_check_failed")) == 1


def test_nothing_is_set_aside_by_what_another_drive_had_before_it_went_bad_too(studio: Studio) -> None:
    """Two drives' copies rot, and one is read before the other: neither is good because the other was."""
    studio.tiers += "  more: {from: [cards], to: [snipe], layout: 'more/{name}'}\n"
    studio.add_drive("snipe", "hdd")
    assert studio.once().status == 0
    first = harm_one(studio)
    second = studio.drives["snipe"] / "more" / first.name
    at = second.stat()
    second.write_bytes(bytes(at.st_size))
    os.utime(second, ns=(at.st_atime_ns, at.st_mtime_ns))
    (studio.cards / "shore" / first.name).unlink()
    assert studio.ask("fixity", "curlew", "--all").returncode == 1
    studio.once()
    assert not studio.lines("copy_set_aside")
    assert first.exists()
    assert second.exists()


def photographs_of(studio: Studio, drive: str) -> list[str]:
    return [path for path in tree(studio.drives[drive]) if not path.startswith(HIDDEN)]


def test_a_copy_that_somebody_edited_there_stays_and_is_told(studio: Studio) -> None:
    bad = harm_one(studio)
    os.utime(bad)
    assert studio.ask("fixity", "--all").returncode == 1
    studio.once()
    assert set(bad.read_bytes()) == {0}
    assert set(wanted(studio).values()) <= set(photographs(studio).values())  # and what it was is there too
    assert "1 copy changed there by hand, left and counted as none" in studio.ask("status").stdout
    again = studio.ask("fixity", "--all")
    assert (again.returncode, "1 file changed by hand before, left as they are" in again.stdout) == (0, True)
    bad.write_bytes((studio.cards / "shore" / bad.name).read_bytes())
    studio.ask("fixity", "--all")
    assert "by hand" not in studio.ask("status").stdout
    assert studio.lines("copy_is_good_again", drive="curlew")


@pytest.mark.parametrize("has_source", [True, False])
def test_good_bytes_that_a_person_put_back_count_again(studio: Studio, *, has_source: bool) -> None:
    """The frame was on the full drive alone; its source is there still, or gone, so that no other good one is known."""
    bad = harm_one(studio)
    good = studio.cards / bad.relative_to(studio.drives["curlew"] / "2026" / "01")
    content = good.read_bytes()
    studio.limits["dunlin"] = "1kB"  # nowhere else to go
    studio.write_settings()
    if not has_source:
        good.unlink()
        studio.once()
    assert studio.ask("fixity", "--all").returncode == 1
    assert not studio.lines("copy_set_aside")  # no other drive has a good one: it stays where it is
    bad.write_bytes(content)
    studio.ask("fixity", "--all")
    studio.once()
    assert bad.read_bytes() == content
    assert "in doubt" not in studio.ask("status").stdout
    assert studio.ask("fixity", "--all").returncode == 0
    files = len(photographs_of(studio, "curlew"))
    check_sums(studio.drives["curlew"], files=files)
