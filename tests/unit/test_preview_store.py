"""Where previews are kept, and what the ledger knows of them."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from replicatord.ledger.ledger import Ledger, open_ledger
from replicatord.ledger.previews import SIZE, PreviewOutcome, PreviewState
from replicatord.media.names import split_stem
from replicatord.model.frames import Digest
from replicatord.model.settings import DigestAlgorithm
from replicatord.previews.store import Store, preview_path, previews_folder, room_of
from tests.core_builders import AT

DIGEST = bytes(range(32))


def test_a_preview_lies_beside_the_ledger_by_its_digest() -> None:
    path = preview_path("/var/lib/replicatord/ledger.sqlite", DIGEST)
    assert path == f"/var/lib/replicatord/ledger-previews/00/{DIGEST.hex()}.jpg"
    assert previews_folder("/srv/a.b/ledger") == "/srv/a.b/ledger-previews"


def test_what_is_put_is_there_and_nothing_else(tmp_path: Path) -> None:
    ledger = str(tmp_path / "ledger.sqlite")
    store = Store(ledger)
    mark = store.open()
    assert store.find_size(DIGEST) is None
    store.put({DIGEST: b"whole", DIGEST[::-1]: b"other"})
    assert Path(preview_path(ledger, DIGEST)).read_bytes() == b"whole"
    assert store.find_size(DIGEST) == 5
    left = Path(previews_folder(ledger)) / "new" / "left-by-a-kill"
    left.write_bytes(b"ha")
    assert Store(ledger).open() == mark
    assert not left.exists()
    os.rename(previews_folder(ledger), tmp_path / "elsewhere")
    assert Store(ledger).open() != mark


def test_what_cannot_be_kept_leaves_nothing_half(tmp_path: Path) -> None:
    ledger = str(tmp_path / "ledger.sqlite")
    store = Store(ledger)
    store.open()
    path = Path(preview_path(ledger, DIGEST))
    path.mkdir(parents=True)  # something is in the way
    with pytest.raises(OSError, match="director"):
        store.put({DIGEST: b"whole"})
    assert os.listdir(Path(previews_folder(ledger)) / "new") == []


def test_room_is_counted_in_blocks() -> None:
    assert [room_of(size) for size in (1, 4096, 4097)] == [4096, 4096, 8192]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """Give a ledger in which five contents wait for a preview."""
    found = open_ledger(str(tmp_path / "l.sqlite"), algorithm=DigestAlgorithm.SHA256, split_stem=split_stem)
    with found.transaction():
        for number in range(5):
            found.previews.want([found.seen.content_id(Digest(bytes([number]) * 32), 100 + number)])
    yield found
    found.close()


def waiting(ledger: Ledger, *, before: int = 1000, after: int = 0, limit: int = 1000) -> list[int]:
    return [wanted.id for wanted in ledger.previews.wanted(before=before, after=after, limit=limit)]


def note(ledger: Ledger, number: int, state: PreviewState, room_bytes: int = 0) -> None:
    outcome = PreviewOutcome(id=number, state=state, reason="it is so", room_bytes=room_bytes)
    with ledger.transaction():
        ledger.previews.note([outcome], at=AT)


def test_newest_first_between_two_numbers(ledger: Ledger) -> None:
    assert waiting(ledger) == [5, 4, 3, 2, 1]
    assert waiting(ledger, before=5, after=1, limit=2) == [4, 3]
    assert ledger.previews.newest_wanted() == 5
    (wanted,) = ledger.previews.wanted(before=2, after=0, limit=1)
    assert (wanted.digest, wanted.size_bytes, wanted.tries, wanted.is_raw) == (bytes(32), 100, 0, False)


def test_what_is_wanted_twice_is_one(ledger: Ledger) -> None:
    note(ledger, 5, PreviewState.MADE, 4096)
    with ledger.transaction():
        ledger.previews.want([5])
    assert waiting(ledger) == [4, 3, 2, 1]


def test_outcomes_are_kept_and_their_room_is_summed(ledger: Ledger) -> None:
    note(ledger, 5, PreviewState.MADE, 8192)
    note(ledger, 4, PreviewState.MADE, 4096)
    note(ledger, 3, PreviewState.FAILED)
    note(ledger, 2, PreviewState.WANTED)
    assert ledger.get_meta(SIZE) == "12288"
    assert waiting(ledger) == [2, 1]
    assert [w.tries for w in ledger.previews.wanted(before=3, after=0, limit=9)] == [1, 0]
    assert ledger.previews.failed(limit=10) == 1
    assert ledger.previews.find_state(bytes([2]) * 32) == (PreviewState.FAILED, "it is so")
    assert ledger.previews.find_state(b"\xff" * 32) is None


def test_another_store_has_all_made_again_in_steps(ledger: Ledger) -> None:
    for number in (5, 4, 3):
        note(ledger, number, PreviewState.MADE, 4096)
    note(ledger, 2, PreviewState.NONE)
    with ledger.transaction():
        assert not ledger.previews.want_made_again(limit=2)
        assert ledger.previews.want_made_again(limit=2)
    assert waiting(ledger) == [5, 4, 3, 1]
    assert ledger.get_meta(SIZE) == ""
