"""The drive's own list, accepted by the stock utility (GNU coreutils manual, 'cksum output modes')."""

from __future__ import annotations

import hashlib
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from replicatord.copying.files import DriveFiles
from replicatord.copying.record import DriveRecord, sums_line
from replicatord.ledger.desk import LedgerDesk
from replicatord.log.replication import ReplicationLog
from replicatord.model.settings import DigestAlgorithm
from tests.core_builders import AT, digest_of, ledger_at, open_folder

SUMS = ".replicatord/SHA256SUMS"
ODD_NAMES = (
    *(
        b"2026/01/TIDE0001.CR3",
        b" a b ",
        b"*star",
        b"-c",
        b"a\nb.CR3",
        b"a\\b.CR3",
        b"\\",
        b"a\\\nb",
        b"\xff\xfe.CR3",
    ),
    *("über/Æbelø.CR3".encode(), b'"quoted"', b"'", b"$(x)", b"#", b"a\tb", b"\x1b[31m"),
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[LedgerDesk]:
    log = ReplicationLog(str(tmp_path / "replication.jsonl"), rotate_bytes=1 << 40)
    opened = LedgerDesk(lambda: ledger_at(tmp_path), log)
    yield opened
    opened.close()
    log.close()


@pytest.fixture
def root(tmp_path: Path) -> Path:
    (tmp_path / "curlew").mkdir()
    return tmp_path / "curlew"


@pytest.fixture
def record(root: Path, desk: LedgerDesk) -> Iterator[DriveRecord]:
    with open_folder(root) as fd:
        files = DriveFiles(fd, tag=b"p")
        yield DriveRecord(files, desk, bay="curlew", drive=1, algorithm=DigestAlgorithm.SHA256)
        files.close()


def stock_check(root: Path) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        ["sha256sum", "--check", "--strict", SUMS], cwd=root, capture_output=True, check=False, timeout=20
    )


def put(root: Path, path: bytes) -> bytes:
    """Write a file whose content is its name, and give its digest."""
    full = os.path.join(os.fsencode(root), path)
    os.makedirs(os.path.dirname(full), exist_ok=True)
    with open(full, "wb") as file:
        file.write(path)
    return hashlib.sha256(path).digest()


def test_the_stock_utility_accepts_odd_names_and_sees_damage(root: Path, record: DriveRecord) -> None:
    for name in ODD_NAMES:
        record.add([(put(root, name), name)])
    done = stock_check(root)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(b": OK\n") == len(ODD_NAMES)
    put(root, b"a\nb.CR3")
    with open(os.path.join(os.fsencode(root), b"a\nb.CR3"), "ab") as file:
        file.write(b"!")
    done = stock_check(root)
    assert done.returncode == 1
    assert done.stdout.count(b": FAILED\n") == 1


@pytest.mark.parametrize("name", ODD_NAMES)
def test_a_line_is_what_the_stock_utility_would_write(root: Path, name: bytes) -> None:
    digest = put(root, name)
    written = subprocess.run(
        [b"sha256sum", b"--", name], cwd=root, capture_output=True, check=True, timeout=20
    ).stdout
    assert sums_line(digest, name) == written


def test_a_carriage_return_is_one_line_that_the_stock_utility_accepts(
    root: Path, record: DriveRecord
) -> None:
    record.add([(put(root, b"a\rb.CR3"), b"a\rb.CR3")])
    assert (root / SUMS).read_bytes().count(b"\n") == 1
    done = stock_check(root)
    assert done.returncode == 0, done.stderr


def test_the_list_is_mended_from_the_ledger_when_it_is_not_as_it_was_left(
    root: Path, desk: LedgerDesk, record: DriveRecord
) -> None:
    paths = [b"2026/01/A.CR3", b"2026/01/a\nb.CR3"]
    for path in paths:
        put(root, path)

    def known() -> int:
        def note(path: bytes) -> None:
            desk.ask(
                lambda l: l.copies.verified(
                    drive=1,
                    path=path,
                    content=l.seen.content_id(digest_of(path), len(path)),
                    mtime_ns=1,
                    at=AT,
                )
            )

        for path in paths:
            note(path)
        return record.add((digest_of(path), path) for path in paths)

    size = known()
    desk.ask(lambda l: l.bays.set_sums_bytes("curlew", size))
    whole = (root / SUMS).read_bytes()
    record.mend()
    assert (root / SUMS).read_bytes() == whole
    for damage in (whole + b"half a li", whole[:-3], b"", None):
        (root / SUMS).unlink()
        if damage is not None:
            (root / SUMS).write_bytes(damage)
        record.mend()
        assert sorted((root / SUMS).read_bytes().splitlines()) == sorted(whole.splitlines())
        assert stock_check(root).returncode == 0
