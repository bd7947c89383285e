"""One stream at a time on a disk that seeks, and no waiting anywhere else."""

from __future__ import annotations

import threading

from replicatord.copying.streams import Streams
from replicatord.model.settings import Settings
from tests.config_text import VALID, parsed

SETTINGS: Settings = parsed(
    VALID.replace("  dunlin:", "  plover: {mount: /mnt/plover, medium: hdd}\n  dunlin:", 1)
)
HDDS = ("curlew", "plover")


def overlap(first: str, second: str, streams: Streams) -> bool:
    """Tell whether a second stream begins while the first one is under way."""
    inside = threading.Event()

    def other() -> None:
        with streams.turn(SETTINGS, second, beat=lambda: None):
            inside.set()

    thread = threading.Thread(target=other)
    with streams.turn(SETTINGS, first, beat=lambda: None):
        thread.start()
        together = inside.wait(0.2)
    thread.join(10)
    assert inside.is_set()
    return together


def test_two_streams_on_one_disk_that_seeks_take_turns() -> None:
    assert not overlap("curlew", "curlew", Streams())


def test_drives_on_one_disk_share_its_turns_and_others_do_not() -> None:
    streams = Streams()
    for name in HDDS:
        streams.note(name, "serial 1")
    assert not overlap(HDDS[0], HDDS[1], streams)
    streams.note(HDDS[1], "serial 2")
    assert overlap(HDDS[0], HDDS[1], streams)


def test_a_disk_without_an_arm_has_no_turns() -> None:
    assert overlap("dunlin", "dunlin", Streams())
    assert overlap("", "", Streams())  # a source is no drive


def test_two_who_want_the_same_two_disks_both_get_them() -> None:
    streams = Streams()
    done = []

    def take(*bays: str) -> None:
        for _ in range(200):
            with streams.turn(SETTINGS, *bays, beat=lambda: None):
                pass
        done.append(bays)

    threads = [threading.Thread(target=take, args=bays) for bays in ((HDDS[0], HDDS[1]), (HDDS[1], HDDS[0]))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(20)
    assert len(done) == 2
