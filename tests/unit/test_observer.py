"""The watch: one source that cannot be watched does not keep the others from being watched (I15, I17)."""

from __future__ import annotations

from pathlib import Path

from replicatord.model.settings import Source
from replicatord.watching.hints import Gathered, Hints
from replicatord.watching.observer import Watch
from replicatord.watching.settling import Spot


def gather(hints: Hints, spot: Spot) -> Gathered:
    """Wait for hints until one is about a file, ten seconds at most for each."""
    for _ in range(20):
        gathered = hints.wait(10)
        if spot in gathered.files:
            return gathered
    raise AssertionError(spot)


def test_a_source_that_is_not_there_is_named_and_the_others_are_watched(tmp_path: Path) -> None:
    (tmp_path / "cards").mkdir()
    sources = [
        Source(name="gone", folder=str(tmp_path / "gone")),
        Source(name="cards", folder=str(tmp_path / "cards")),
        Source(name="sd", card="/media/*/*"),
    ]
    hints = Hints()
    watch = Watch(sources, hints)
    watch.start()
    try:
        assert watch.unwatched.keys() == {"gone"}
        assert watch.is_alive()
        (tmp_path / "cards" / "A.CR3").write_bytes(b"heron")
        assert gather(hints, Spot("cards", b"", b"A.CR3")).files
        (tmp_path / "gone").mkdir()
        watch.pause()
        watch.start()
        assert watch.unwatched == {}
        (tmp_path / "gone" / "B.CR3").write_bytes(b"gull")
        assert gather(hints, Spot("gone", b"", b"B.CR3")).files
    finally:
        watch.stop()


def test_a_link_that_a_person_names_is_followed(tmp_path: Path) -> None:
    (tmp_path / "really").mkdir()
    (tmp_path / "cards").symlink_to("really")
    hints = Hints()
    watch = Watch([Source(name="cards", folder=str(tmp_path / "cards"))], hints)
    watch.start()
    try:
        (tmp_path / "really" / "A.CR3").write_bytes(b"heron")
        assert gather(hints, Spot("cards", b"", b"A.CR3")).files
    finally:
        watch.stop()
