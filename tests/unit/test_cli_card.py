"""`card`: may it be formatted? Yes only when every file has its copies in different places; anything else is no."""

from __future__ import annotations

import json
import os
import subprocess
from typing import TYPE_CHECKING

import pytest

from replicatord.model.copies import CopyState
from replicatord.model.frames import FileStat
from replicatord.model.settings import DigestAlgorithm
from replicatord.watching.card_reading import Listed, Reader, changes_between, is_media
from tests.cli_ground import Ground, adopt_by_hand, hold, make_ground, printed, set_state, take
from tests.core_builders import digest_of
from tests.studio import small_disk, unreadable, why_no_small_disk

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

RAW = "DCIM/101TIDEW/TIDE0001.DNG"
JPEG = "DCIM/101TIDEW/TIDE0001.JPG"
JPEG_START = b"\xff\xd8\xff\xe1"  # ITU-T T.81, annex B: SOI, then a marker
NO_DISK = why_no_small_disk()


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Make a studio whose source has a frame of two files, and a card with the same two."""
    ground = make_ground(tmp_path)
    for path in (RAW, JPEG):
        ground.put(path, path.encode())
    fill(tmp_path / "card")
    return ground


def fill(card: Path) -> None:
    """Put the frame on a card."""
    for path in (RAW, JPEG):
        place = card / path
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(path.encode())


def ask(ground: Ground, capsys: pytest.CaptureFixture[str], card: Path | None = None) -> Mapping[str, object]:
    """Ask for the answer as a script would; it must agree with its exit status, and with what a person reads."""
    path = str(card or ground.root / "card")
    capsys.readouterr()
    status = ground.run("card", path, "--json")
    answer: dict[str, object] = json.loads(capsys.readouterr().out)
    assert status == (0 if answer["cleared"] else 1)
    assert ground.run("card", path) == status
    assert ("NOT cleared" in printed(capsys)) == bool(answer["missing"])
    return answer


def why(answer: Mapping[str, object]) -> dict[str, str]:
    """Give why each missing file is missing."""
    missing = answer["missing"]
    assert isinstance(missing, list)
    return {one["path"]: one["why"] for one in missing}


def stats(paths: list[str]) -> dict[str, tuple[int, ...]]:
    """Give all times of some files and folders, access times too; looking at them leaves none."""
    found: dict[str, tuple[int, ...]] = {}
    for path in paths:
        at = os.stat(path, follow_symlinks=False)
        found[path] = (at.st_ino, at.st_mode, at.st_size, at.st_atime_ns, at.st_mtime_ns, at.st_ctime_ns)
    return found


def test_a_card_is_cleared_when_every_file_has_its_copies(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    answer = ask(ground, capsys)
    assert (answer["files"], answer["bytes"], answer["missing"]) == (2, len(RAW) + len(JPEG), [])
    assert answer["drives"] == [
        {"drive": "curlew", "files": 2, "away": False},
        {"drive": "dunlin", "files": 2, "away": False},
    ]
    assert (answer["files_away"], answer["verified_from"]) == (0, "2026-02-07T21:14:03.120Z")
    ground.run("card", str(ground.root / "card"))
    text = printed(capsys)
    assert "All 2 files" in text
    assert "2 on curlew, 2 on dunlin" in text
    assert "other building" in text
    assert "none of the 2 files on plover" in text
    assert "The decision is yours" in text


def test_one_file_that_was_not_read_is_enough_for_no(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin", "plover")
    new = ground.root / "card" / "DCIM" / "101TIDEW" / "TIDE0002.DNG"
    new.write_bytes(b"another frame")
    answer = ask(ground, capsys)
    assert why(answer) == {"DCIM/101TIDEW/TIDE0002.DNG": "not read by the service yet"}
    ground.run("card", str(ground.root / "card"))
    text = printed(capsys)
    assert "NOT cleared: 1 of 3 files" in text
    assert "Do not format this card" in text
    assert "TIDE0002.DNG" in text


def test_the_same_name_with_other_bytes_is_another_file(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    (ground.root / "card" / RAW).write_bytes(RAW.lower().encode())  # as long, and not the same
    assert list(why(ask(ground, capsys))) == [RAW]


def test_one_copy_is_not_two(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew")
    set_state(ground, "dunlin", state="away", reason="nothing is mounted there")
    reasons = why(ask(ground, capsys))
    assert reasons.keys() == {RAW, JPEG}
    assert "verified only on curlew" in reasons[RAW]
    assert "waits for dunlin, which is away (nothing is mounted there)" in reasons[RAW]


def test_two_copies_on_one_disk_are_one_place(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    assert ask(ground, capsys)["cleared"] is True
    with ground.open_ledger() as ledger, ledger.transaction():
        for name in ("curlew", "dunlin"):
            ledger.bays.bind(name, f"identity of {name}", disk="ata-1")
    reasons = why(ask(ground, capsys))
    assert "curlew and dunlin are on one disk, which is one place" in reasons[RAW]


def test_two_drives_that_a_person_puts_on_one_disk_are_one_place(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    text = ground.file.read_text()
    for medium in ('curlew", medium: hdd', 'dunlin", medium: ssd'):
        text = text.replace(medium, f"{medium}, disk: server")
    ground.file.write_text(text)
    assert why(ask(ground, capsys)).keys() == {RAW, JPEG}


def test_a_cloud_folder_does_not_count(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    ground.file.write_text(ground.file.read_text().replace("medium: ssd", "medium: cloud"))
    assert "its copy on dunlin does not count" in why(ask(ground, capsys))[RAW]


def test_a_copy_that_failed_is_no_copy(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    with ground.open_ledger() as ledger, ledger.transaction():
        (content,) = {found.content for found in ledger.answers.by_name(b"TIDE0001.DNG", limit=9)}
        number = ledger.bays.get("dunlin").drive
        assert number is not None
        copy = next(copy for copy in ledger.copies.on_drive(number) if copy.content == content)
        assert copy.state is CopyState.VERIFIED
        ledger.copies.suspect(copy.id)
    reasons = why(ask(ground, capsys))
    assert reasons.keys() == {RAW}
    assert "its copy on dunlin does not count: it failed" in reasons[RAW]


def test_a_file_that_no_tier_asks_for(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    ground.file.write_text(
        ground.file.read_text().replace("from: [cards]", "from: [cards]\n    only: {kinds: [video]}")
    )
    take(ground, RAW, JPEG)
    assert "no tier asks for more copies" in why(ask(ground, capsys))[RAW]


def test_what_is_known_from_elsewhere_clears_a_card_of_any_spelling(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    """Content counts, not names: a damaged folder name, or small letters, change nothing."""
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    os.rename(ground.root / "card" / "DCIM", ground.root / "card" / "dcim")
    os.rename(
        os.fsencode(ground.root / "card" / "dcim"),
        os.path.join(os.fsencode(ground.root / "card"), b"D\xff\n"),
    )
    answer = ask(ground, capsys)
    assert (answer["cleared"], answer["files"]) == (True, 2)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        (".TIDE0009.JPG", JPEG_START + b"hidden"),
        ("TIDE0009.JPG.part", JPEG_START + b"half"),
        (".trash/TIDE0009", JPEG_START + b"thrown away"),
        ("TIDE0009.tmp", b"II*\0" + bytes(600)),  # TIFF 6.0, section 2, as raws begin
        (".TIDE0009.MRW", b"\0MRM of a format that first bytes do not tell"),
        ("TIDE0009.xmp.tmp", b'\xef\xbb\xbf<?xpacket begin=""?><x:xmpmeta xmlns:x="adobe:ns:meta/"/>'),
    ],
)
def test_a_picture_that_never_take_leaves_out_is_missing(
    name: str, content: bytes, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    place = ground.root / "card" / "DCIM" / name
    place.parent.mkdir(exist_ok=True)
    place.write_bytes(content)
    reasons = why(ask(ground, capsys))
    assert list(reasons) == [f"DCIM/{name}"]
    assert "`never_take` leaves out" in reasons[f"DCIM/{name}"]


@pytest.mark.parametrize(
    ("name", "content"),
    [
        (".DS_Store", b"\0\0\0\1Bud1"),
        ("._TIDE0001.DNG", b"\x00\x05\x16\x07" + bytes(78)),  # RFC 1740, AppleDouble
        ("System Volume Information/WPSettings.dat", bytes(12)),
        (".TIDE0009.JPG", b""),
        (".TIDE0009.JPG", b"not what a JPEG begins with"),
        ("notes.tmp", b"<note/>"),
    ],
)
def test_what_never_take_leaves_out_and_holds_no_picture_is_counted_apart(
    name: str, content: bytes, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    place = ground.root / "card" / name
    place.parent.mkdir(exist_ok=True)
    place.write_bytes(content)
    answer = ask(ground, capsys)
    assert (answer["cleared"], answer["files"], answer["left_out"]) == (True, 2, [{"path": name}])
    ground.run("card", str(ground.root / "card"))
    assert f"Left out by `never_take`, with no picture in them: 1 file ({name})" in printed(capsys)


def test_links_and_the_like_are_named_and_not_followed(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    (ground.root / "elsewhere").mkdir()
    (ground.root / "elsewhere" / "TIDE0003.DNG").write_bytes(b"not on the card")
    (ground.root / "card" / "link").symlink_to(ground.root / "elsewhere")
    os.mkfifo(ground.root / "card" / "fifo")
    answer = ask(ground, capsys)
    assert (answer["cleared"], answer["files"]) == (True, 2)
    others = answer["not_files"]
    assert isinstance(others, list)
    assert [other["path"] for other in others] == ["fifo", "link"]


def test_a_link_to_the_card_is_the_card(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    (ground.root / "by-label").symlink_to(ground.root / "card")
    assert ask(ground, capsys, ground.root / "by-label")["files"] == 2


@pytest.mark.parametrize("name", [None, ".DS_Store"])
def test_an_empty_card_is_not_cleared(
    name: str | None, ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    (ground.root / "empty" / "DCIM").mkdir(parents=True)
    if name:
        (ground.root / "empty" / name).write_bytes(b"\0")
    answer = ask(ground, capsys, ground.root / "empty")
    assert (answer["cleared"], answer["files"]) == (False, 0)
    ground.run("card", str(ground.root / "empty"))
    assert "is it the right one?" in printed(capsys)


def test_what_cannot_be_read_means_no(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    with unreadable(ground.root / "card" / RAW):
        reasons = why(ask(ground, capsys))
    assert list(reasons) == [RAW]
    assert reasons[RAW].startswith("it cannot be read: ")
    assert ask(ground, capsys)["cleared"] is True


def test_a_card_on_which_something_changes_is_not_cleared() -> None:
    stat = FileStat(size_bytes=7, mtime_ns=1, ctime_ns=1, inode=1)
    before = Listed(files={b"same": stat, b"grew": stat, b"went": stat})
    after = Listed(
        files={b"same": stat._replace(inode=2), b"grew": stat._replace(size_bytes=8), b"came": stat}
    )
    assert dict(changes_between(before, before)) == {}
    assert dict(changes_between(before, after)) == {
        b"grew": "it changed while the card was read",
        b"went": "gone while the card was read",
        b"came": "it came while the card was read",
    }


def test_a_file_that_is_not_as_it_was_listed_is_not_read(tmp_path: Path) -> None:
    (tmp_path / "TIDE0001.DNG").write_bytes(b"heron")
    found = FileStat.of(os.stat(tmp_path / "TIDE0001.DNG"))
    reader = Reader(str(tmp_path), DigestAlgorithm.SHA256)
    read = reader.read(b"TIDE0001.DNG", found, is_skipped=False, step=lambda _: None)
    assert read.digest == digest_of(b"heron")
    with pytest.raises(OSError, match="changed"):
        reader.read(b"TIDE0001.DNG", found._replace(mtime_ns=1), is_skipped=False, step=lambda _: None)


def test_the_wrong_path_is_a_mistake(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    for path, said in (
        ("nowhere", "does not exist"),
        (f"card/{RAW}", "is not a folder"),
        ("curlew", "the drive curlew"),
        ("", "share a folder"),
    ):
        assert ground.run("card", str(ground.root / path)) == 2
        assert said in printed(capsys)


def test_a_drive_that_the_settings_do_not_know_is_no_card(
    ground: Ground, capsys: pytest.CaptureFixture[str]
) -> None:
    take(ground, RAW, JPEG)
    adopt_by_hand(ground.root / "card", name="godwit")
    assert ground.run("card", str(ground.root / "card" / "DCIM")) == 2
    assert "identity of a drive" in printed(capsys)


def test_no_ledger_is_not_an_empty_one(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    assert ground.run("card", str(ground.root / "card")) == 2
    assert "there is no ledger" in printed(capsys)


def test_the_answer_names_at_most_ten_of_a_kind(ground: Ground, capsys: pytest.CaptureFixture[str]) -> None:
    take(ground, RAW, JPEG)
    for number in range(30):
        (ground.root / "card" / f"TIDE{number:04d}.DNG").write_bytes(b"%d" % number)
    assert ground.run("card", str(ground.root / "card")) == 1
    text = printed(capsys)
    assert "30 files: not read by the service yet" in text
    assert "and 20 more" in text
    assert sum("TIDE00" in line for line in text.splitlines() if "101TIDEW" not in line) == 10


def test_what_a_file_holds_is_told_by_its_bytes(tmp_path: Path) -> None:
    (tmp_path / "f").write_bytes(JPEG_START + bytes(20))
    fd = os.open(tmp_path / "f", os.O_RDONLY)
    try:
        assert is_media(fd, name=b".hidden", size_bytes=24)
    finally:
        os.close(fd)


@pytest.mark.skipif(os.geteuid() != 0, reason="access times of others' files are left alone for root only")
@pytest.mark.skipif(bool(NO_DISK), reason=NO_DISK)
def test_nothing_on_a_card_is_touched_and_read_only_will_do(
    ground: Ground, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Mounted so that every reading would leave its time (mount(8), strictatime); then read-only."""
    take(ground, RAW, JPEG)
    hold(ground, "curlew", "dunlin")
    with small_disk(tmp_path / "disk", size_bytes=8 << 20) as (card, _):
        subprocess.run(["mount", "-o", "remount,strictatime", str(card)], check=True)
        fill(card)
        paths = [str(card), *map(str, card.rglob("*"))]
        (card / JPEG).read_bytes()
        before = stats(paths)
        answer = ask(ground, capsys, card)
        assert (answer["cleared"], answer["files"]) == (True, 2)
        assert stats(paths) == before
        (card / JPEG).read_bytes()
        assert stats(paths) != before  # the mount is one on which reading shows
        subprocess.run(["mount", "-o", "remount,ro", str(card)], check=True)
        assert ask(ground, capsys, card)["cleared"] is True
