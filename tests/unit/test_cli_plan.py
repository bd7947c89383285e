"""`plan`: what would be copied, by the code that plans for the service, and nothing written."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import pytest

from replicatord.cli.asking import CommandError
from replicatord.cli.plan import parse_speed, parse_uplink
from replicatord.cli.plan_facts import DrivePlan
from replicatord.cli.plan_room import KnownFrom, Room
from replicatord.cli.plan_words import bits_words, drive_words
from replicatord.model.copies import Medium
from replicatord.model.settings import Drive
from tests.cli_ground import (
    SHELF_SETTINGS,
    Ground,
    adopt_by_hand,
    hold,
    make_ground,
    printed,
    set_room,
    take,
)

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
    assert ground.run("plan", "--at", "10kB/s") == 0
    told = printed(capsys)
    assert "curlew  3 files, 3.0 MB, about 5 min, room for " in told
    assert "          everything: 3 files, 3.0 MB, about 5 min\n" in told
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
    own = own_bytes(ground, "curlew")  # the drive's identity lies in the folder as well
    limit(ground, "curlew", f"{30 + own}B")
    assert ground.run("plan") == 1
    assert f"PROBLEM: room for 30 B only, 16 B too little (its `limit` is {30 + own} B)" in printed(capsys)


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


# ---- shelves ----


@pytest.fixture
def shelves(tmp_path: Path) -> Ground:
    """Make a studio with a shelf of two drives and a cloud folder, and three frames of 20 kB, 30 kB and 40 kB."""
    ground = make_ground(tmp_path, SHELF_SETTINGS.replace("limit: 15GB", "limit: 15kB"))
    for number, size in enumerate((20_000, 30_000, 40_000)):
        ground.put(f"2026-01-28/TIDE000{number}.DNG", b"%d" % number * size)
    return ground


def drive_of(answer: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = [drive for drive in answer["drives"] if drive["drive"] == name]
    return dict(found)


def limit(ground: Ground, drive: str, size: str) -> None:
    """Give a drive of a plain folder a limit: of all that lies in it, its identity included."""
    text = ground.file.read_text()
    ground.file.write_text(text.replace(f'/{drive}", medium: hdd', f'/{drive}", medium: hdd, limit: {size}'))


def own_bytes(ground: Ground, drive: str) -> int:
    """Give what lies in a drive's folder: its identity, for a drive that nothing was copied to."""
    return sum(path.stat().st_size for path in (ground.root / drive).rglob("*") if path.is_file())


def test_a_shelf_fits_on_its_drives_together(shelves: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    """Of 55 kB, curlew takes the 20 kB and 30 kB; the 40 kB go to snipe, which has 45 kB."""
    limit(shelves, "curlew", f"{55_000 + own_bytes(shelves, 'curlew')}B")
    limit(shelves, "snipe", f"{45_000 + own_bytes(shelves, 'snipe')}B")
    answer = planned(shelves, capsys, "--at", "10kB/s")
    studio = answer["shelves"][0]
    assert [(drive, path[-12:]) for drive, path in copies(answer) if drive in ("curlew", "snipe")] == [
        ("curlew", "TIDE0000.DNG"),
        ("curlew", "TIDE0001.DNG"),
        ("snipe", "TIDE0002.DNG"),
    ]
    assert (studio["files"], studio["bytes"], studio["room_bytes"], studio["short_bytes"]) == (
        *(3, 90_000),
        *(100_000, 0),
    )
    # 50 kB to curlew take 5 s at 10 kB/s, 40 kB to snipe 4 s; they are written side by side.
    assert [drive_of(answer, name)["seconds"] for name in ("curlew", "snipe")] == [5.0, 4.0]
    assert studio["seconds"] == 5.0
    assert studio["tiers"] == {"everything": {"files": 3, "bytes": 90_000}}
    assert shelves.run("plan") == 0
    told = printed(capsys)
    assert (
        "studio, a shelf of 2 drives: 3 files, 90.0 kB, speed not measured yet,"
        " fits: room for 100.0 kB on its drives together\n  everything: 3 files, 90.0 kB\n  curlew       2 files,"
        " 50.0 kB, speed not measured yet, room for 55.0 kB\n" in told
    )


def test_a_shelf_that_is_too_small_says_by_how_much(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of 55 kB and 25 kB: curlew takes 20 kB and 30 kB; no drive has 40 kB left, so snipe is given 15 kB too much."""
    limit(shelves, "curlew", f"{55_000 + own_bytes(shelves, 'curlew')}B")
    limit(shelves, "snipe", f"{25_000 + own_bytes(shelves, 'snipe')}B")
    assert shelves.run("plan") == 1
    told = printed(capsys)
    assert "PROBLEM: its drives together have 15.0 kB too little room" in told
    assert "snipe        1 file, 40.0 kB, speed not measured yet, PROBLEM: room for 25.0 kB only" in told


def test_a_drive_that_is_not_here_has_the_room_that_was_last_seen(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(shelves, "2026-01-28/TIDE0000.DNG")
    set_room(shelves, "plover", 95_000)
    (shelves.root / "snipe").rename(shelves.root / "drawer")
    answer = planned(shelves, capsys)
    plover = drive_of(answer, "plover")
    assert (plover["room_bytes"], plover["room_known_from"], plover["short_bytes"]) == (
        95_000,
        "last look",
        0,
    )
    snipe = drive_of(answer, "snipe")
    assert (snipe["room_bytes"], snipe["room_known_from"]) == (None, "nothing")
    assert shelves.run("plan") == 0
    told = printed(capsys)
    assert (
        "plover       3 files, 90.0 kB, speed not measured yet, room for 95.0 kB when last looked at" in told
    )
    assert "whether it fits cannot be told: the room of snipe is not known" in told
    set_room(shelves, "plover", 70_000)
    assert shelves.run("plan") == 1
    assert "PROBLEM: room for 70.0 kB only, 20.0 kB too little, away: " in printed(capsys)


def test_cards_are_not_looked_at_and_that_is_said(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shelves.file.read_text().replace("sources:\n", "sources:\n  sd: {card: /media/*/*}\n")
    shelves.file.write_text(text.replace("from: [cards]\n    to", "from: [cards, sd]\n    to"))
    assert shelves.run("plan") == 0
    assert "What is on a card (sd) is counted once the service has read it." in printed(capsys)


# ---- the line to the cloud ----


@pytest.mark.parametrize(
    ("text", "bits_per_s", "said"),
    [
        # Prefixes are powers of ten: SI brochure, 9th edition, table 7: kilo 10^3, mega 10^6, giga 10^9.
        ("20Mbit/s", 20_000_000, "20 Mbit/s"),
        ("512 kbit/s", 512_000, "512 kbit/s"),
        ("1Gbit/s", 1_000_000_000, "1 Gbit/s"),
        ("2.5Gbit/s", 2_500_000_000, "2.5 Gbit/s"),
        ("300bit/s", 300, "300 bit/s"),
    ],
)
def test_the_speed_of_a_line_is_in_bits(text: str, bits_per_s: int, said: str) -> None:
    assert parse_uplink(text) == bits_per_s
    assert bits_words(bits_per_s) == said


@pytest.mark.parametrize(
    "text", ["", "20", "20Mbit", "20MB/s", "20Mb/s", "0Mbit/s", "20mbit/s", "-1bit/s", "x"]
)
def test_the_speed_of_a_line_that_means_nothing_is_refused(
    text: str, shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(CommandError, match="write it as 20Mbit/s, in bits"):
        parse_uplink(text)
    assert shelves.run("plan", f"--uplink={text}") == 2
    assert "is no speed of a line" in printed(capsys)


def everything_to_the_cloud(ground: Ground) -> None:
    text = ground.file.read_text()
    ground.file.write_text(text.replace("to: [studio, dunlin, plover]", "to: [studio, north-cloud]"))


def test_everything_to_the_cloud_is_seen_to_be_foolish(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """Worked by hand.

    90,000 bytes of 8 bits (an octet: IEC 80000-13) are 720,000 bits. A line of 90 bit/s needs 720,000 / 90 = 8,000 s
    = 2 h 13.3 min. The limit is 15 kB less the folder's own identity.
    """
    everything_to_the_cloud(shelves)
    answer = planned(shelves, capsys, "--uplink", "90bit/s")
    cloud = drive_of(answer, "north-cloud")
    own = own_bytes(shelves, "north-cloud")
    assert (cloud["upload_seconds"], cloud["limit_bytes"]) == (8000.0, 15_000)
    assert (cloud["room_bytes"], cloud["short_bytes"]) == (15_000 - own, 75_000 + own)
    assert drive_of(answer, "curlew")["upload_seconds"] is None  # no cloud
    assert shelves.run("plan", "--uplink", "90bit/s") == 1
    told = printed(capsys)
    assert "too little (its `limit` is 15.0 kB), its upload at 90 bit/s takes about 2 h 13 min\n" in told
    assert "`--uplink" not in told


def test_worked_example_of_an_archive_on_a_slow_line() -> None:
    """20 TB at 20 Mbit/s: 20 * 10^12 * 8 / (20 * 10^6) = 8 * 10^6 s; of 86,400 s a day: 92.59 days."""
    plan = DrivePlan(
        drive=Drive(name="north-cloud", root="/nowhere", is_mount=False, medium=Medium.CLOUD),
        tiers={"everything": (400_000, 20 * 10**12)},
        bytes_per_s=None,
        room=Room(
            room_bytes=15 * 10**9, known_from=KnownFrom.LIMIT, is_by_limit=True, not_here="not adopted yet"
        ),
        uplink_bits_per_s=parse_uplink("20Mbit/s"),
    )
    assert plan.upload_s == 8_000_000
    assert "its upload at 20 Mbit/s takes about 93 days" in drive_words(plan)
    assert "PROBLEM: room for 15.0 GB only, 20.0 TB too little" in drive_words(plan)


def test_how_to_ask_for_an_upload_is_told_where_there_is_one(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    shelves.run("plan")
    assert "--uplink" not in printed(capsys)  # nothing would go to the cloud
    everything_to_the_cloud(shelves)
    shelves.run("plan")
    assert "north-cloud: some other program uploads it; `--uplink 20Mbit/s` says how long" in printed(capsys)


def test_a_cloud_folder_is_reckoned_before_it_is_adopted_or_made(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    everything_to_the_cloud(shelves)
    (shelves.root / "north-cloud").rename(shelves.root / "gone")
    cloud = drive_of(planned(shelves, capsys, "--uplink", "90bit/s"), "north-cloud")
    assert (cloud["room_bytes"], cloud["room_known_from"], cloud["short_bytes"]) == (15_000, "limit", 75_000)
    (shelves.root / "north-cloud").mkdir()
    cloud = drive_of(planned(shelves, capsys, "--uplink", "90bit/s"), "north-cloud")
    assert (cloud["room_bytes"], cloud["room_known_from"], cloud["upload_seconds"]) == (15_000, "now", 8000.0)
    assert "replicatord adopt north-cloud" in cloud["not_here"]


def test_the_limit_of_a_folder_is_one_of_all_that_lies_in_it(
    shelves: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    own = own_bytes(shelves, "north-cloud")
    (shelves.root / "north-cloud" / "letters.zip").write_bytes(b"x" * 5_000)
    assert drive_of(planned(shelves, capsys), "north-cloud")["room_bytes"] == 10_000 - own
