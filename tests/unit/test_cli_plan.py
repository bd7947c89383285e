"""`plan`: what would be copied, by the code that plans for the service, and nothing written."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import pytest

from replicatord.cli.asking import CommandError
from replicatord.cli.plan import parse_speed
from tests.cli_ground import Ground, adopt_by_hand, hold, make_ground, printed, take

if TYPE_CHECKING:
    from pathlib import Path

RAW = "2026-01-28/TIDE0001.DNG"
JPEG = "2026-01-28/TIDE0001.JPG"


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    ground = make_ground(tmp_path)
    for name in (RAW, JPEG):
        ground.put(name, name.encode())
    return ground


def planned(ground: Ground, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    ground.run("plan", "--json", "--list", *words)
    answer: dict[str, Any] = json.loads(capsys.readouterr().out)
    return answer


def copies(answer: dict[str, Any]) -> list[tuple[str, str]]:
    return sorted((copy["drive"], copy["path"]) for copy in answer["copies"])


def state_of(root: Path) -> dict[str, str]:
    return {
        str(path): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        for path in sorted(root.rglob("*"))
    }


def test_without_a_ledger_everything_is_planned_and_nothing_is_written(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    before = state_of(ground.root)
    answer = planned(ground, capsys)
    assert state_of(ground.root) == before
    drives = ("curlew", "dunlin", "plover")
    assert copies(answer) == [(drive, f"2026/01/{name}") for drive in drives for name in (RAW, JPEG)]
    assert (answer["new_files"], answer["new_bytes"]) == (2, len(RAW) + len(JPEG))


def test_only_what_is_not_there_yet_is_planned(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "plover")
    ground.put("2026-01-28/TIDE0002.JPG", b"another")
    before = state_of(ground.root)
    answer = planned(ground, capsys)
    assert state_of(ground.root) == before
    new = "2026/01/2026-01-28/TIDE0002.JPG"
    assert copies(answer) == [
        ("curlew", new),
        ("dunlin", f"2026/01/{RAW}"),
        ("dunlin", f"2026/01/{JPEG}"),
        ("dunlin", new),
        ("plover", new),
    ]


def test_a_changed_file_is_planned_again(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin", "plover")
    assert copies(planned(ground, capsys)) == []
    ground.put(JPEG, b"edited since")
    assert {path for _, path in copies(planned(ground, capsys))} == {f"2026/01/{JPEG}"}


def test_a_tier_that_was_just_added_is_planned_before_the_service_knows_it(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin", "plover")
    tier = '  raws: {from: [cards], only: {formats: [dng]}, to: [dunlin], layout: "raws/{name}"}\n'
    ground.file.write_text(ground.file.read_text().replace("cleared_when", tier + "cleared_when"))
    assert copies(planned(ground, capsys)) == [
        ("dunlin", "raws/TIDE0001.DNG"),
        ("dunlin", "raws/TIDE0001.JPG"),
    ]


def test_a_sidecar_that_gives_stars_brings_its_known_raw_along(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    tier = '  best: {from: [cards], only: {min_stars: 3}, to: [dunlin], layout: "best/{name}"}\n'
    ground.file.write_text(ground.file.read_text().replace("cleared_when", tier + "cleared_when"))
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin", "plover")
    assert copies(planned(ground, capsys)) == []
    xmp = (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        b'<rdf:Description xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="4"/></rdf:RDF></x:xmpmeta>'
    )  # ISO 16684-1, 8.4 and 7.4
    ground.put("2026-01-28/TIDE0001.xmp", xmp)
    best = [path for drive, path in copies(planned(ground, capsys)) if path.startswith("best/")]
    assert best == ["best/TIDE0001.DNG", "best/TIDE0001.JPG", "best/TIDE0001.xmp"]


def test_time_is_told_by_the_speed_that_is_known(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    ground.put("2026-01-28/CLIP0001.MP4", b"x" * 3_000_000)
    assert ground.run("plan") == 0
    told = printed(capsys)
    assert "curlew  3 files, 3.0 MB, speed not measured yet, room for " in told
    assert "plover  3 files, 3.0 MB, speed not measured yet, away: " in told
    assert "At most: files that turn out to be copies of known ones are not copied again." in told
    assert planned(ground, capsys, "--at", "1MB/s")["drives"][0]["seconds"] == pytest.approx(3.000046)
    take(ground, RAW)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.add_speed("curlew", written_bytes=6_000_000, busy_ms=1_000)
    assert planned(ground, capsys)["drives"][0]["bytes_per_s"] == 6_000_000


@pytest.mark.parametrize("text", ["", "300", "300MB", "300/s", "fast", "0MB/s", "300Mb/s"])
def test_a_speed_that_means_nothing_is_refused(text: str) -> None:
    with pytest.raises(CommandError, match="write it as 300MB/s"):
        parse_speed(text)


def test_a_drive_with_too_little_room_is_bad_news(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    text = ground.file.read_text()
    ground.file.write_text(text.replace('curlew", medium: hdd', 'curlew", medium: hdd, limit: 30B'))
    assert ground.run("plan") == 1
    assert "PROBLEM: room for 30 B only, 16 B too little" in printed(capsys)


def test_what_a_drive_is_not_is_told(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    (ground.root / "plover").mkdir()
    assert "run `replicatord adopt plover`" in planned(ground, capsys)["drives"][2]["not_here"]
    adopt_by_hand(ground.root / "plover", name="snipe")
    assert "is snipe of Tidewrack Studio" in planned(ground, capsys)["drives"][2]["not_here"]


def test_a_source_that_cannot_be_read_is_bad_news(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    (ground.root / "cards").rename(ground.root / "moved")
    assert ground.run("plan") == 1
    assert "PROBLEM: cards (" in printed(capsys)


def test_paths_are_listed_when_asked_for(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert ground.run("plan", "--list") == 0
    assert f"curlew  2026/01/{RAW}  23 B\n" in printed(capsys)
