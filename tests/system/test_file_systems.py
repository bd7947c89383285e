"""Real file systems: what each can hold, and that copies on it are whole (I2, I3, I4), by loop mounts and FUSE.

What a file system should be able to do comes from its own documents, named beside it; where a driver does less
than the format allows, that is said. Needs root and the tools of Debian's packages that are named below.
"""

from __future__ import annotations

import errno
import hashlib
import os
import random
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import pytest

from replicatord.copying.far import FarReader
from replicatord.copying.files import PARTIAL, DriveFiles
from replicatord.copying.places import Place, open_place
from replicatord.copying.readback import Prover
from replicatord.copying.staging import Stager
from replicatord.drives.abilities import probe
from replicatord.drives.kernel import find_mount_of, flushes_whole
from replicatord.media.names import split_stem
from replicatord.model.abilities import Abilities
from replicatord.model.frames import FileStat
from replicatord.rules.names import fit_path, is_cut, unfit_path
from tests.core_builders import open_folder
from tests.studio import HIDDEN, Line, Studio, adopt, check_sums, make_frame, new_studio, tree

# Microsoft, "exFAT file system specification", 7.7.3, table of invalid characters; the same nine and the control
# characters in ntfs-3g(8), windows_names, and in Microsoft, "Naming Files, Paths, and Namespaces".
_NINE: Final = frozenset(b'"*/:<>?\\|') - frozenset(b"/") | frozenset(range(1, 32))
_ASCII_DEVICES: Final = frozenset(
    name.encode()
    for name in (
        *("con", "prn", "aux", "nul"),
        *(f"com{number}" for number in range(1, 10)),
        *(f"lpt{number}" for number in range(1, 10)),
    )
)
# Microsoft's text counts the superscript digits 1, 2 and 3 as digits.
_DEVICES: Final = _ASCII_DEVICES | {
    f"{port}{digit}".encode() for port in ("com", "lpt") for digit in "\u00b9\u00b2\u00b3"
}
_MIB: Final = 1 << 20
_SECOND_NS: Final = 1_000_000_000


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A file system, how it is made and mounted, and what it should be able to do."""

    make: tuple[str, ...]  # the image comes last
    mount: tuple[str, ...]  # the device and the mount point come last
    package: str  # of Debian
    on_image: bool = False  # the driver takes an image, not a device
    size_bytes: int = 64 * _MIB
    abilities: Abilities
    steps_ns: tuple[int, ...] = (1,)  # steps of modification times that its documents allow


_NTFS: Final = Abilities(
    counts_utf16=True, needs_utf8=True, mtime_step_ns=100, renames_without_replacing=False
)
KINDS: Final = {
    # Linux, Documentation/filesystems/ext4: names of 255 bytes of anything, times in nanoseconds.
    "ext4": Kind(
        make=("mkfs.ext4", "-q", "-F"), mount=("mount",), package="e2fsprogs", abilities=Abilities()
    ),
    # "XFS Algorithms & Data Structures", directories and timestamps: the same.
    "xfs": Kind(
        make=("mkfs.xfs", "-q", "-f"),
        mount=("mount",),
        package="xfsprogs",
        size_bytes=400 * _MIB,  # it makes none below 300 MB
        abilities=Abilities(),
    ),
    # btrfs documentation, "On-disk format": BTRFS_NAME_LEN is 255, times in nanoseconds.
    "btrfs": Kind(
        make=("mkfs.btrfs", "-q", "-f"),
        mount=("mount",),
        package="btrfs-progs",
        size_bytes=200 * _MIB,
        abilities=Abilities(),
    ),
    # The specification: 7.7.3 for characters, 7.6.3 for 255 units, 7.2.5 for the table by which case is folded,
    # 7.4.8 and 7.4.9 for times in steps of 10 ms, of which the driver keeps whole seconds.
    "exfat": Kind(
        make=("mkfs.exfat",),
        mount=("mount.exfat-fuse",),
        package="exfatprogs, exfat-fuse",
        abilities=Abilities(
            forbidden=_NINE,
            refuses_trailing=b". ",
            reserved=_DEVICES,
            counts_utf16=True,
            needs_utf8=True,
            folds_case=True,
            renames_without_replacing=False,
        ),
        steps_ns=(10_000_000, _SECOND_NS, 2 * _SECOND_NS),
    ),
    # Microsoft, "FAT32 File System Specification" 1.03: the same characters, 255 of them, times in steps of 2 s.
    # This driver also refuses DEL and what is not ASCII (measured, fusefat 0.1a).
    "fat16": Kind(
        make=("mkfs.vfat", "-F", "16"),
        mount=("fusefat", "-o", "rw+"),
        package="dosfstools, fusefat",
        on_image=True,
        abilities=Abilities(
            forbidden=_NINE | {127, *range(0xC2, 0xF5)},
            refuses_trailing=b". ",
            reserved=_ASCII_DEVICES,
            needs_utf8=True,
            folds_case=True,
            renames_without_replacing=False,
        ),
        steps_ns=(2 * _SECOND_NS,),
    ),
    # ntfs-3g(8): names in the POSIX name space, case counts; Microsoft, "File Times": steps of 100 ns.
    "ntfs": Kind(
        make=("mkfs.ntfs", "-q", "-f", "-F"),
        mount=("ntfs-3g",),
        package="ntfs-3g",
        abilities=_NTFS,
        steps_ns=(100,),
    ),
    # ntfs-3g(8), windows_names: only what Windows itself would make.
    "ntfs for windows": Kind(
        make=("mkfs.ntfs", "-q", "-f", "-F"),
        mount=("ntfs-3g", "-o", "windows_names"),
        package="ntfs-3g",
        abilities=replace(_NTFS, forbidden=_NINE, refuses_trailing=b". ", reserved=_DEVICES),
        steps_ns=(100,),
    ),
}
# Names that some file system cannot hold, each with what is hard about it. No two are one for any of them.
HOSTILE: Final = (
    b"plain/TIDE0001.CR3",
    b"2026-01-26 07:30/TIDE0002.CR3",
    b'what?/<a>|"b"*c\\d.JPG',
    b"ends with a dot./and so on...",
    b"ends with a space /and so ",
    b"con/AUX.CR3",
    b"nul.tar/lpt1.JPG.xmp",
    b"100%/50%25 %3A %.JPG",
    b"control\x01\t\n\x1f/del\x7f.JPG",
    b"latin-1 \xe9/\xff\xfe.JPG",
    "h\u00e9ron/\u9e9f \U0001f426.JPG".encode(),
    "decomposed/e\u0301tang.JPG".encode(),
    b"long/" + b"n" * 251 + b".CR3",
    b"long/" + b":" * 200 + b".CR3",
    b"long/" + b":" * 200 + b".xmp",
    b"long/" + "\u00e9".encode() * 120 + b".JPG",
    b"  leading blanks/ .hidden.JPG",
    b"-rf/--help.JPG",
)


class NotKnownHere(Exception):  # noqa: N818  no error: the test is skipped
    """The kernel has no such file system."""


class Disk:
    """One file system of a kind, in an image that can be taken out as it is and put in again."""

    def __init__(self, folder: Path, kind: Kind) -> None:
        self.kind, self.image, self.point = kind, folder / "disk.img", folder / "disk"
        self.point.mkdir()
        with self.image.open("wb") as file:
            file.truncate(kind.size_bytes)
        subprocess.run([*kind.make, str(self.image)], check=True, stdout=subprocess.DEVNULL)
        self._device = ""

    def plug(self) -> None:
        """Mount it. Raises NotKnownHere where the kernel has no such file system."""
        if not self.kind.on_image:
            self._device = _said("losetup", "--find", "--show", str(self.image))
        origin = self._device or str(self.image)
        done = subprocess.run(
            [*self.kind.mount, origin, str(self.point)], check=False, stdout=subprocess.DEVNULL
        )
        if done.returncode:
            known = Path("/proc/filesystems").read_text(encoding="ascii").split()
            name = self.kind.make[0].removeprefix("mkfs.")
            assert self.kind.mount == ("mount",), done
            assert name not in known, done
            raise NotKnownHere(f"this kernel has no {name}")

    def unplug(self) -> None:
        """Unmount it."""
        if os.path.ismount(self.point) and subprocess.run(["umount", self.point], check=False).returncode:
            subprocess.run(["umount", "-l", self.point], check=True)
        if self._device:
            subprocess.run(["losetup", "--detach", self._device], check=True)
            self._device = ""

    def cut_power(self) -> None:
        """Go on with what had reached the medium by now; everything else is lost."""
        survived = self.image.with_suffix(".cut")
        subprocess.run(["cp", "--sparse=always", self.image, survived], check=True)
        self.unplug()
        survived.rename(self.image)
        self.plug()


def _said(*command: str) -> str:
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout.strip()


def why_not(kind: Kind) -> str:
    """Say why a file system cannot be tried here; "" when it can."""
    if os.geteuid() != 0:
        return "mounting needs root"
    missing = [tool for tool in (kind.make[0], kind.mount[0], "losetup") if shutil.which(tool) is None]
    if missing:
        return f"{', '.join(missing)} is missing (Debian: {kind.package})"
    devices = ["/dev/loop-control", *(["/dev/fuse"] if kind.mount[0] != "mount" else [])]
    return "".join(f"there is no {device}" for device in devices if not os.path.exists(device))


@contextmanager
def plugged(folder: Path, kind: Kind) -> Iterator[Disk]:
    """Give a new disk that is mounted."""
    disk = Disk(folder, kind)
    try:
        disk.plug()
        yield disk
    finally:
        disk.unplug()


ALL: Final = [
    pytest.param(name, marks=pytest.mark.skipif(bool(why_not(kind)), reason=why_not(kind)))
    for name, kind in KINDS.items()
]


@pytest.fixture(params=ALL)
def disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Disk]:
    with ExitStack() as stack:
        try:
            made = stack.enter_context(plugged(tmp_path, KINDS[request.param]))
        except NotKnownHere as exc:
            pytest.skip(str(exc))
        yield made


@contextmanager
def files_of(disk: Disk) -> Iterator[DriveFiles]:
    with open_folder(disk.point) as root:
        files = DriveFiles(root, tag=b"w")
        try:
            yield files
        finally:
            files.close()


def fit(path: bytes, abilities: Abilities) -> bytes:
    return fit_path(path, abilities, split_stem=split_stem)


def test_what_it_can_hold_is_found_by_trying(disk: Disk) -> None:
    with files_of(disk) as files:
        found = probe(files.probe_folder())
        assert files.clear_partial() == 0
    assert found.mtime_step_ns in disk.kind.steps_ns
    if disk.kind.make[0] == "mkfs.ext4":
        assert found.file_max_bytes  # by its block size; Documentation/filesystems/ext4, "File Size Limit"
        assert 4 << 30 < found.file_max_bytes <= 16 << 40
    else:
        assert found.file_max_bytes is None  # of exabytes, or the driver does not tell the kernel
    expected = replace(
        disk.kind.abilities, mtime_step_ns=found.mtime_step_ns, file_max_bytes=found.file_max_bytes
    )
    assert found == expected


@pytest.mark.skipif(bool(why_not(KINDS["ext4"])), reason=why_not(KINDS["ext4"]))
def test_a_drive_that_is_full_is_not_taken_for_one_that_refuses_names(tmp_path: Path) -> None:
    """No inode is left in the midst of trying: ENOSPC is told, and nothing stays behind."""
    few = replace(KINDS["ext4"], make=("mkfs.ext4", "-q", "-F", "-N", "256"), size_bytes=8 * _MIB)
    with plugged(tmp_path, few) as disk, files_of(disk) as files:
        folder = files.probe_folder()
        held = []
        with suppress(OSError):
            while True:
                held.append(files.new_partial())
                os.close(files.open_new(held[-1]))
        for path in held[-4:-1]:
            files.remove_partial(path)
        before = sorted(os.listdir(disk.point / os.fsdecode(PARTIAL)))
        with pytest.raises(OSError, match="No space left") as caught:
            probe(folder)
        assert caught.value.errno == errno.ENOSPC
        assert sorted(os.listdir(disk.point / os.fsdecode(PARTIAL))) == before
        assert files.clear_partial() == len(before)
        assert probe(folder).name_max == 255


def test_hostile_names_are_held_and_come_back(disk: Disk) -> None:
    with files_of(disk) as files:
        abilities = probe(files.probe_folder())
        written = {fit(path, abilities): path for path in HOSTILE}
        assert len(written) == len(HOSTILE)
        for number, path in enumerate(written):
            partial = files.new_partial()
            fd = files.open_new(partial)
            os.write(fd, b"%d" % number)
            os.close(fd)
            files.rename(partial, path)
        files.sync_folders()
    disk.unplug()
    disk.plug()
    found = _files_below(os.fsencode(disk.point))
    assert found == {path: b"%d" % number for number, path in enumerate(written)}
    for path in found:
        if not is_cut(written[path], abilities, split_stem=split_stem):
            assert unfit_path(path, abilities) == written[path]
    raw, sidecar = (fit(HOSTILE[number], abilities) for number in (13, 14))
    assert raw[:-4] == sidecar[:-4]  # the files of one frame keep one stem


def _files_below(root: bytes) -> dict[bytes, bytes]:
    """Give every file of a drive but those of its hidden folder, by its bytes."""
    found = {}
    for folder, folders, names in os.walk(root):
        folders[:] = [name for name in folders if name not in (os.fsencode(HIDDEN), b"lost+found")]
        for name in names:
            path = os.path.join(folder, name)
            with open(path, "rb") as file:
                found[os.path.relpath(path, root)] = file.read()
    return found


def stage(files: DriveFiles, source: Path, stager: Stager, *, each_synced: bool) -> bytes:
    """Have a file of a card staged."""
    stat = FileStat.of(source.stat())
    place = Place(
        root=str(source.parent), path=os.fsencode(source.name), told_as="it", stat=stat, source="cards"
    )
    opened = open_place(place, stat.size_bytes, lambda _source, _path: None)
    return stager.stage(files, opened, bytes(32), each_synced=each_synced)


def test_a_group_is_staged_read_back_and_published_and_stays_after_a_power_cut(
    disk: Disk, tmp_path: Path
) -> None:
    """As `copying.group` does it: every size, written and read directly as far as that is possible, and not."""
    chance = random.Random(7)
    sizes = (0, 1, 4097, _MIB, 9 * _MIB + 1)
    contents = {
        b"2026/%d/%d.CR3" % (direct, size): chance.randbytes(size) for size in sizes for direct in (0, 1)
    }
    times = {path: 1_769_462_043_123_456_789 + number for number, path in enumerate(contents)}
    provers = [Prover(hashlib.sha256, must_stop=lambda: False) for _ in range(2)]
    stagers = [
        Stager(must_stop=lambda: False, far=FarReader(patience_s=5), new_hasher=hashlib.sha256)
        for _ in range(2)
    ]
    provers[0]._direct = stagers[0]._direct = False
    (tmp_path / "card").mkdir()
    with files_of(disk) as files:
        step_ns = probe(files.probe_folder()).mtime_step_ns
        mount = find_mount_of(files.probe_folder())
        assert mount is not None
        partials = {}
        for path, content in contents.items():
            source = tmp_path / "card" / "TIDE0001.CR3"
            source.write_bytes(content)
            os.utime(source, ns=(times[path], times[path]))
            stager = stagers[path.startswith(b"2026/1/")]
            partials[path] = stage(files, source, stager, each_synced=not flushes_whole(mount.fs_type))
        files.sync_contents()
        for path, partial in partials.items():
            back = provers[path.startswith(b"2026/1/")].read_back(files, partial)
            assert back.digest == hashlib.sha256(contents[path]).digest()
            assert abs(back.mtime_ns - times[path]) < step_ns
            files.rename(partial, path)
        files.sync_folders()
        assert files.append(b".replicatord/SHA256SUMS", b"one\n") == 4
        assert files.rewrite(b".replicatord/SHA256SUMS", iter([b"one\n", b"two\n"])) == 8
    for prover in provers:
        prover.close()
    disk.cut_power()
    assert _files_below(os.fsencode(disk.point)) == contents
    for path, time_ns in times.items():
        after = os.stat(os.path.join(os.fsencode(disk.point), path)).st_mtime_ns
        assert abs(after - time_ns) < step_ns
    assert (disk.point / HIDDEN / "SHA256SUMS").read_bytes() == b"one\ntwo\n"


def test_what_was_flushed_as_a_group_stays_after_a_power_cut(disk: Disk, tmp_path: Path) -> None:
    """Before anything is read back: a direct read would have had it written by itself."""
    source, content = tmp_path / "TIDE0001.CR3", random.Random(7).randbytes(100_000)
    source.write_bytes(content)
    stager = Stager(must_stop=lambda: False, far=FarReader(patience_s=5), new_hasher=hashlib.sha256)
    with files_of(disk) as files:
        mount = find_mount_of(files.probe_folder())
        assert mount is not None
        files.sync_folders()
        partial = stage(files, source, stager, each_synced=not flushes_whole(mount.fs_type))
        files.sync_contents()
    disk.cut_power()
    assert (disk.point / os.fsdecode(partial)).read_bytes() == content


def test_i3_nothing_is_replaced_and_removed_folders_are_noticed(disk: Disk) -> None:
    with files_of(disk) as files:
        for path in (b"2026/A.CR3", b"2026/B.CR3"):
            os.close(files.open_new(path))
        for taken in (b"2026/B.CR3", b"2026"):
            with pytest.raises(FileExistsError):
                files.rename(b"2026/A.CR3", taken)
        with pytest.raises(FileExistsError):
            files.open_new(b"2026/A.CR3")
        files.rename(b"2026/A.CR3", b"2027/01/A.CR3")
        # Somebody removes a folder that is held open, and makes it anew: the old one is of no use.
        shutil.rmtree(disk.point / "2026")
        assert files.find_stat(b"2026/B.CR3") is None
        files.rename(b"2027/01/A.CR3", b"2026/A.CR3")
        files.remove_empty_folders(b"2027/01")
        files.sync_folders()
        assert _files_below(os.fsencode(disk.point)).keys() == {b"2026/A.CR3"}
        assert not (disk.point / "2027").exists()
        assert os.listdir(disk.point / os.fsdecode(PARTIAL)) == []


# The whole program

_TIER: Final = '  everything: {{from: [cards], to: [{}], layout: "{{year}}/{{month}}/{{folder}}/{{name}}"}}\n'
_DAY: Final = "2026:01:26 07:30:00"
_FRAMES: Final = (
    ("shore", "TIDE0001"),
    ("shore", "tide0001"),  # differs in case alone
    ("shore", "h\u00e9ron"),
    ("shore", "he\u0301ron"),  # the same, decomposed
    ("07:30 at the \u201cHard\u201d?", "dusk: 1 < 2"),
    ("ends with a dot.", "and so on.."),
    ("CON", "aux"),
    ("100%41", "50%"),
    ("long", ":" * 120),
)


def studio_on(disks: dict[str, Disk], folder: Path) -> Studio:
    """Give a studio with these disks as its drives, each with all that is on the card, which is still empty."""
    studio = new_studio(folder, drives=(), tiers=_TIER.format(", ".join(disks)))
    studio.more = "cleared_when: {copies: 1}\n"
    for name, disk in disks.items():
        adopt(disk.point, name)
        studio.mounts.add(name)
        studio.add_drive(name, "ssd", root=disk.point, adopted=False)
    return studio


@dataclass(frozen=True, kw_only=True)
class Passed:
    """What two passes of the program over one card did on every file system."""

    studio: Studio
    disks: dict[str, Disk]
    first: dict[str, dict[bytes, bytes]]  # drive -> what was on it after the first pass, mounted anew
    second: dict[str, dict[bytes, bytes]]
    verified: list[Line]  # in the first pass


def is_fusefat_busy(line: Line) -> bool:
    """Tell whether fusefat refused a call, as was seen under load; the drive is visited again and gets all of it."""
    return line["event"] == "drive_waits" and "(Operation not permitted)" in str(line["reason"])


def raw_path(line: Line, key: str) -> bytes:
    """Give a path of a log line: in hex beside the text where the text cannot say it."""
    in_hex = line.get(f"{key}_hex")
    return bytes.fromhex(str(in_hex)) if in_hex else str(line[key]).encode()


def drive_name(kind: str) -> str:
    return kind.replace(" ", "-")


@pytest.fixture(scope="module")
def passed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Passed]:
    """Run the program on all file systems that there are here, at once."""
    with ExitStack() as stack:
        disks: dict[str, Disk] = {}
        for name, kind in KINDS.items():
            if not why_not(kind):
                with suppress(NotKnownHere):
                    folder = tmp_path_factory.mktemp("disk")
                    disks[drive_name(name)] = stack.enter_context(plugged(folder, kind))
        studio = studio_on(disks, tmp_path_factory.mktemp("passes") / "studio")
        chance = random.Random(3)
        for shelf, stem in _FRAMES:
            make_frame(studio.cards / shelf, stem, chance, stars=0, captured=_DAY, raw_bytes=2_000)
        (studio.cards / os.fsdecode(b"latin-\xe9")).mkdir()
        (studio.cards / os.fsdecode(b"latin-\xe9/\xff.DNG")).write_bytes(b"no UTF-8")
        done = studio.once()
        assert done.status == 0, done.said
        verified = studio.lines("copy_verified")
        for disk in disks.values():
            disk.unplug()
            disk.plug()
        first = {name: _files_below(os.fsencode(disk.point)) for name, disk in disks.items()}
        done = studio.once()
        assert done.status == 0, done.said
        second = {name: _files_below(os.fsencode(disk.point)) for name, disk in disks.items()}
        yield Passed(studio=studio, disks=disks, first=first, second=second, verified=verified)


@pytest.mark.parametrize("kind", ALL)
def test_the_program_copies_every_hard_name_and_a_second_pass_copies_nothing(
    passed: Passed, kind: str
) -> None:
    name, studio = drive_name(kind), passed.studio
    if name not in passed.disks:
        pytest.skip(f"this kernel has no {kind}")
    wanted = Counter(tree(studio.cards).values())
    found = passed.first[name]
    assert Counter(found.values()) == wanted
    check_sums(studio.drives[name], files=wanted.total())
    stems = Counter(split_stem(path)[0] for path in found)
    assert sorted(stems.values()) == [1, *[3] * len(_FRAMES)]  # the files of each frame keep one stem
    told = {line["event"] for line in studio.lines() if "level" in line and not is_fusefat_busy(line)}
    assert told == {"facts_not_read", "drives_in_one_place"}  # random raws; disks that are pretended
    assert passed.second[name] == found
    assert len(studio.lines("copy_verified", drive=name)) == wanted.total()
    assert not studio.lines("copy_refiled")


@pytest.mark.parametrize("kind", ALL)
def test_the_log_tells_what_a_copy_would_be_called_elsewhere(passed: Passed, kind: str) -> None:
    name = drive_name(kind)
    if name not in passed.disks:
        pytest.skip(f"this kernel has no {kind}")
    with files_of(passed.disks[name]) as files:
        abilities = probe(files.probe_folder())
    lines = [line for line in passed.verified if line["drive"] == name]
    mapped = {
        raw_path(line, "path"): raw_path(line, "planned_path") for line in lines if "planned_path" in line
    }
    assert bool(mapped) == abilities.maps_names
    for path, planned in mapped.items():
        assert path == fit(planned, abilities)
        if not is_cut(planned, abilities, split_stem=split_stem):
            assert unfit_path(path, abilities) == planned


_WITHOUT: Final = ("exfat", "fat16")  # neither a rename that refuses to replace, nor links


@pytest.mark.parametrize("kind", [param for param in ALL if param.values[0] in _WITHOUT])
def test_what_is_restored_to_it_replaces_nothing_and_goes_on(tmp_path: Path, kind: str) -> None:
    tiers = '  everything: {from: [cards], to: [curlew], layout: "{name}"}\n'
    with plugged(tmp_path, KINDS[kind]) as disk:
        studio = new_studio(tmp_path / "studio", drives=["curlew"], tiers=tiers)
        for number in range(3):
            (studio.cards / f"TIDE{number}.CR3").write_bytes(random.Random(number).randbytes(70_000))
        assert studio.once().status == 0
        wanted = tree(studio.cards)
        words = ("restore", "--all", "--to", str(disk.point), "--go")
        (disk.point / "TIDE0.CR3").write_bytes(b"somebody's")
        for _ in range(2):
            assert studio.ask(*words).returncode == 1
            assert tree(disk.point) == {**wanted, "TIDE0.CR3": b"somebody's"}
            (disk.point / "TIDE1.CR3").unlink()
        (disk.point / "TIDE0.CR3").unlink()
        assert studio.ask(*words).returncode == 0
        assert tree(disk.point) == wanted


def test_a_full_disk_of_fuse_is_told_as_full(tmp_path: Path) -> None:
    """FUSE drivers say in several ways that a disk is full: fusefat says EPERM (measured)."""
    kinds = {name: replace(KINDS[name], size_bytes=20 * _MIB) for name in ("exfat", "fat16", "ntfs")}
    for kind in kinds.values():
        if why_not(kind):
            pytest.skip(why_not(kind))
    with ExitStack() as stack:
        disks = {}
        for name, kind in kinds.items():
            (tmp_path / name).mkdir()
            disks[name] = stack.enter_context(plugged(tmp_path / name, kind))
        studio = studio_on(disks, tmp_path / "studio")
        for number in range(12):
            content = random.Random(number).randbytes(2 * _MIB)
            (studio.cards / f"TIDE{number:04d}.CR3").write_bytes(content)
        studio.once()
        contents = Counter(tree(studio.cards).values())
        for name, disk in disks.items():
            (line,) = studio.lines("drive_waits", drive=name)
            assert "full" in str(line["reason"])
            held = _files_below(os.fsencode(disk.point))
            assert Counter(held.values()) <= contents
            assert 0 < len(held) < 12
            check_sums(disk.point, files=len(held))
