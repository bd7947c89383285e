"""What takes a watch's sight away, with the real service: nothing is missed for longer than one rescan (I15)."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

import pytest

from tests.faults.mutants import VARIABLE
from tests.studio import TIERS, Line, Service, Studio, new_studio, running, unmount, until

_FILES: Final = 2_000  # that come while nobody listens; tests/soak/watching.py takes more
_SOON_S: Final = 20.0  # where a rescan is due each second
_SET_ANEW: Final = "not all folders were watched, and the watch was set anew"
# What is mounted or unmounted anywhere, by tests beside this one too, has a watch that is not whole set anew.
_MOUNTS: Final = "the watch was set anew"
_MOVED: Final = "another folder is in the place of the one that was watched"
_NO_ROOT: Final = "" if os.geteuid() == 0 else "mounting needs root"
_NO_LIMITS: Final = (
    ""
    if shutil.which("unshare")
    and shutil.which("nsenter")
    and not subprocess.run(
        ["unshare", "--user", "--map-root-user", "test", "-w", "/proc/sys/user/max_inotify_watches"],
        check=False,
        capture_output=True,
    ).returncode
    else "limits of inotify of their own need a user namespace (user_namespaces(7))"
)
needs_root = pytest.mark.skipif(bool(_NO_ROOT), reason=_NO_ROOT)
needs_limits = pytest.mark.skipif(bool(_NO_LIMITS), reason=_NO_LIMITS)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path, drives=["dunlin"], tiers=TIERS.split("  best:")[0].replace("curlew, ", ""))


def rescan_each_second(studio: Studio) -> None:
    studio.more = "rescan_every: 1s\n"
    studio.write_settings()


def limit_inotify(studio: Studio, *, watches: int | None = None, instances: int | None = None) -> None:
    """Have the studio's program have limits of its own: a user namespace counts for itself (namespaces(7)).

    Source of the names: Documentation/admin-guide/sysctl/user.rst of Linux.
    """
    limits = {"max_inotify_watches": watches, "max_inotify_instances": instances}
    set_them = "; ".join(f"echo {n} > /proc/sys/user/{name}" for name, n in limits.items() if n is not None)
    studio.through = ("unshare", "--user", "--map-root-user", "sh", "-c", f'{set_them}; exec "$@"', "sh")


def lift_limits(service: Service) -> None:
    """Have the program's limits be generous from now on."""
    lift = "for limit in /proc/sys/user/max_inotify_*; do echo 10000 > $limit; done"
    command = ["nsenter", "--user", "--preserve-credentials", f"--target={service.process.pid}"]
    subprocess.run([*command, "sh", "-c", lift], check=True)


def wait_rescan(studio: Studio, *whys: str, source: str = "cards") -> Line:
    """Wait until a source was looked through, for one of these reasons."""
    return until(
        lambda: [
            line
            for line in studio.lines("rescan_done", source=source)
            if any(why in str(line["why"]) for why in whys)
        ],
        within_s=_SOON_S,
        why=lambda: (
            f"rescans of {source}: {[line['why'] for line in studio.lines('rescan_done', source=source)]}"
        ),
    )[0]


def drop(service: Service, path: Path, *, within_s: float = _SOON_S) -> None:
    """Put a file in and wait for its copy."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(str(path).encode())
    wait_copy(service, path, within_s=within_s)


def wait_copy(service: Service, path: Path, *, within_s: float = _SOON_S) -> None:
    source = path.relative_to(service.studio.folder)
    until(
        lambda: service.studio.lines("copy_verified", source=str(source)),
        within_s=within_s,
        why=lambda: f"{source} was missed",
    )


@contextmanager
def mounted(point: Path) -> Iterator[None]:
    """Have a file system in memory mounted on a folder (tmpfs(5))."""
    subprocess.run(["mount", "-t", "tmpfs", "none", str(point)], check=True)
    try:
        yield
    finally:
        unmount(point)


# Too much at once


def overflow(studio: Studio, service: Service, files: int) -> None:
    """Have more happen than the kernel keeps for the service, then put files in, all while it is stopped."""
    most = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text())
    names = [studio.cards / "a.xmp", studio.cards / "b.xmp"]
    service.process.send_signal(signal.SIGSTOP)
    until(lambda: Path(f"/proc/{service.process.pid}/stat").read_text().rpartition(")")[2].split()[0] == "T")
    for count in range(most + 1):  # never the same event twice: those would be one (inotify(7))
        names[count % 2].write_bytes(b"")
    (studio.cards / "late").mkdir()
    for number in range(files):
        (studio.cards / "late" / f"TIDE{number:05d}.DNG").write_bytes(b"%d" % number)
    service.process.send_signal(signal.SIGCONT)


def late_copies(studio: Studio) -> int:
    """Count the files that came meanwhile and were copied."""
    return sum(str(line["source"]).startswith("cards/late/") for line in studio.lines("copy_verified"))


def test_i15_files_that_come_when_the_kernel_has_lost_count_are_all_copied(studio: Studio) -> None:
    with running(studio) as service:
        drop(service, studio.cards / "first.jpg")
        overflow(studio, service, _FILES)
        line = wait_rescan(studio, "the watch may have missed something: Inotify queue overflowed")
        assert line["files"] == _FILES + 3
        until(lambda: late_copies(studio) == _FILES, within_s=60)
        drop(service, studio.cards / "late" / "heard" / "last.jpg")  # the watch sees on
        service.stop()


# Limits


def check_without_any_watch(studio: Studio, mutant: str = "", *, within_s: float = _SOON_S) -> None:
    """Run the service where it cannot listen at all; what comes has to be found by rescans."""
    rescan_each_second(studio)
    limit_inotify(studio, instances=0)
    with running(studio, {VARIABLE: mutant}) as service:
        line = service.wait_line("source_not_watched", source="cards")
        assert "inotify instance limit reached; rescans find its files" in str(line["reason"])
        service.wait_line("settings_not_watched")
        drop(service, studio.cards / "deep" / "a.jpg", within_s=within_s)
        lift_limits(service)
        wait_rescan(studio, _SET_ANEW, _MOUNTS)
        drop(service, studio.cards / "deep" / "b.jpg")
        service.stop()


@needs_limits
def test_i15_without_any_watch_rescans_find_all_and_it_is_said(studio: Studio) -> None:
    check_without_any_watch(studio)


@needs_limits
def test_i15_a_program_that_trusts_events_is_caught(studio: Studio) -> None:
    with pytest.raises(AssertionError, match=r"cards/deep/a\.jpg was missed"):
        check_without_any_watch(studio, "events_are_trusted", within_s=5)


@needs_limits
def test_i15_a_source_for_which_no_watch_is_left_is_named(studio: Studio) -> None:
    rescan_each_second(studio)
    limit_inotify(studio, watches=2)  # the settings' folder, and one source
    with running(studio) as service:
        line = service.wait_line("source_not_watched", source="favourites")
        assert "inotify watch limit reached" in str(line["reason"])
        drop(service, studio.favourites / "a.jpg")
        service.stop()


@needs_limits
def test_i15_folders_for_which_no_watch_is_left_are_not_passed_over_in_silence(studio: Studio) -> None:
    """The library leaves them out without a word (read in watchdog 7.1, InotifyWatchGroup._add_callback)."""
    (studio.favourites / "one" / "two" / "three").mkdir(parents=True)
    rescan_each_second(studio)
    limit_inotify(studio, watches=4)  # the settings' folder, both sources, and one folder more
    with running(studio) as service:
        line = service.wait_line("source_not_watched", source="favourites")
        assert "not all of its folders: inotify watch limit reached" in str(line["reason"])
        drop(service, studio.favourites / "one" / "two" / "three" / "a.jpg")
        lift_limits(service)
        until(lambda: is_quiet_for(service, _SET_ANEW), within_s=_SOON_S)
        service.stop()


@needs_limits
def test_i15_folders_that_come_when_no_watch_is_left_are_noticed_by_the_next_rescan(studio: Studio) -> None:
    rescan_each_second(studio)
    limit_inotify(studio, watches=4)
    with running(studio) as service:
        drop(service, studio.cards / "first.jpg")
        assert not studio.lines("source_not_watched")
        drop(service, studio.cards / "one" / "two" / "three" / "a.jpg")
        wait_rescan(studio, _SET_ANEW, _MOUNTS)
        service.wait_line("source_not_watched", source="cards")
        service.stop()


def is_quiet_for(service: Service, why: str) -> bool:
    """Tell whether the watch has not been set anew for four turns of the main loop: a rescan is due each second."""
    before = len(service.studio.lines("rescan_done", why=why))
    service.wait_notice("WATCHDOG=1", times=service.heard.count("WATCHDOG=1") + 4)
    return len(service.studio.lines("rescan_done", why=why)) == before


# Other folders in its place


def test_i15_a_source_that_comes_after_the_service_did(studio: Studio) -> None:
    studio.cards.rmdir()
    rescan_each_second(studio)
    with running(studio) as service:
        service.wait_line(
            "source_not_watched", source="cards", reason="No such file or directory; rescans find its files"
        )
        drop(service, studio.cards / "a.jpg")
        wait_rescan(studio, _SET_ANEW, _MOUNTS)
        drop(service, studio.cards / "b.jpg")
        service.stop()


def test_i15_a_source_that_is_deleted_and_made_again(studio: Studio) -> None:
    rescan_each_second(studio)
    with running(studio) as service:
        drop(service, studio.cards / "a.jpg")
        shutil.rmtree(studio.cards)
        wait_rescan(studio, "the watch had died and was started again", source="favourites")
        drop(service, studio.cards / "deep" / "b.jpg")
        wait_rescan(studio, _SET_ANEW, _MOUNTS, _MOVED)  # whichever look comes first
        drop(service, studio.cards / "deep" / "c.jpg")
        service.stop()


def test_i15_a_source_that_is_renamed_away_and_back(studio: Studio) -> None:
    rescan_each_second(studio)
    aside = studio.folder / "aside"
    with running(studio) as service:
        drop(service, studio.cards / "a.jpg")
        studio.cards.rename(aside)
        service.wait_line("source_not_watched", source="cards")
        (aside / "b.jpg").write_bytes(b"b")
        aside.rename(studio.cards)
        wait_copy(service, studio.cards / "b.jpg")
        drop(service, studio.cards / "c.jpg")
        service.stop()
    assert len(studio.lines("copy_verified")) == 3  # what was there before was not copied again


def test_i15_another_folder_in_the_place_of_a_source(studio: Studio) -> None:
    """The watch goes along with the folder that was renamed (inotify(7)), and hears nothing of the new one."""
    rescan_each_second(studio)
    with running(studio) as service:
        drop(service, studio.cards / "a.jpg")
        studio.cards.rename(studio.folder / "aside")
        studio.cards.mkdir()
        drop(service, studio.cards / "b.jpg")
        wait_rescan(studio, _MOVED)
        service.stop()


def test_i15_a_source_that_is_a_link_is_led_elsewhere(studio: Studio) -> None:
    studio.cards.rename(studio.folder / "one")
    (studio.folder / "two").mkdir()
    (studio.folder / "two" / "b.jpg").write_bytes(b"b")
    studio.cards.symlink_to("one")
    rescan_each_second(studio)
    with running(studio) as service:
        drop(service, studio.cards / "a.jpg")
        (studio.folder / "new").symlink_to("two")
        (studio.folder / "new").rename(studio.cards)
        wait_copy(service, studio.cards / "b.jpg")
        wait_rescan(studio, _MOVED)
        service.stop()


@needs_root
def test_i15_a_source_that_is_mounted_over_and_unmounted(studio: Studio) -> None:
    """Of neither is anything told through inotify; the table of mounts does tell (proc(5))."""
    with running(studio) as service:
        drop(service, studio.favourites / "first.jpg")
        with mounted(studio.cards):
            drop(service, studio.cards / "over.jpg")
        drop(service, studio.cards / "below.jpg")
        wait_rescan(studio, "something was mounted or unmounted there")
        (studio.cards / "deep").mkdir()
        with mounted(studio.cards / "deep"):
            drop(service, studio.cards / "deep" / "er" / "over.jpg")
        service.stop()


@needs_root
def test_i15_a_source_that_is_unmounted_and_at_once_another_in_its_place(studio: Studio) -> None:
    """The kernel gives the second the number of the first (name_to_handle_at(2), mount ids): the table looks the same."""
    rescan_each_second(studio)
    with running(studio) as service:
        for name in ("a.jpg", "b.jpg", "c.jpg"):
            with mounted(studio.cards):
                drop(service, studio.cards / name)
        service.stop()


@needs_root
def test_i15_what_is_put_into_a_source_just_before_it_is_mounted_over(studio: Studio) -> None:
    with running(studio) as service:
        drop(service, studio.favourites / "first.jpg")
        (studio.cards / "hidden.jpg").write_bytes(b"hidden")
        with mounted(studio.cards):
            drop(service, studio.cards / "over.jpg")
        wait_copy(service, studio.cards / "hidden.jpg")
        service.stop()


# Our own fault


def test_i15_an_error_while_an_event_is_heard_ends_no_thread(studio: Studio) -> None:
    with running(studio, {VARIABLE: "an_event_that_nobody_understands"}) as service:
        drop(service, studio.cards / "first.jpg")  # the start's own look is over
        drop(service, studio.cards / "odd.jpg")
        wait_rescan(studio, "the watch may have missed something: an event could not be understood (odd)")
        drop(service, studio.cards / "deep" / "last.jpg")
        service.stop()
    assert not [line for line in studio.lines("rescan_done") if "died" in str(line["why"])]
