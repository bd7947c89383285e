"""Digests against published vectors, and the drives' list against the stock utility."""

from __future__ import annotations

import os
import random
import subprocess
from pathlib import Path
from typing import Final

import pytest

from replicatord.media.digests import new_hasher
from replicatord.model.settings import DigestAlgorithm
from tests.studio import check_sums, new_studio, tree

# FIPS 180-4, as in the example values that NIST publishes beside it. Written here from memory, so another
# program is asked too, below.
_SHA256: Final = (
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
)
# BLAKE3's published vectors, test_vectors/test_vectors.json of the reference implementation: the first 32
# bytes of `hash`; the input of each is 0, 1, ... 250, 0, 1, ... of the given length. Looked up, not remembered.
_BLAKE3: Final = (
    (0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262"),
    (1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
    (1023, "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11"),
    (1024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7"),
    (1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"),
    (2049, "5f4d72f40d7a5f82b15ca2b2e44b1de3c2ef86c426c95c1af0b6879522563030"),
    (8193, "bab6c09cb8ce8cf459261398d2e7aef35700bf488116ceb94a36d0f5f1b7bc3b"),
    (31744, "62b6960e1a44bcc1eb1a611a8d6235b6b4b78f32e7abc4fb4c6cdcce94895c47"),
    (102400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"),
)


def in_pieces(algorithm: DigestAlgorithm, message: bytes, piece_bytes: int) -> str:
    hasher = new_hasher(algorithm)()
    for start in range(0, len(message), piece_bytes):
        hasher.update(memoryview(message)[start : start + piece_bytes])
    return hasher.digest().hex()


@pytest.mark.parametrize("piece_bytes", [7, 4096, 1 << 20])
@pytest.mark.parametrize(("message", "digest"), _SHA256, ids=["abc", "448 bits", "million a", "empty"])
def test_sha256_gives_the_published_values(message: bytes, digest: str, piece_bytes: int) -> None:
    assert in_pieces(DigestAlgorithm.SHA256, message, piece_bytes) == digest


@pytest.mark.parametrize(("message", "digest"), _SHA256, ids=["abc", "448 bits", "million a", "empty"])
def test_the_stock_utility_gives_the_same_values(message: bytes, digest: str) -> None:
    done = subprocess.run(["sha256sum"], input=message, capture_output=True, check=True)
    assert done.stdout.split()[0].decode() == digest


@pytest.mark.parametrize("piece_bytes", [7, 4096, 1 << 20])
@pytest.mark.parametrize(("length", "digest"), _BLAKE3)
def test_blake3_gives_the_published_values(length: int, digest: str, piece_bytes: int) -> None:
    message = bytes(index % 251 for index in range(length))
    assert in_pieces(DigestAlgorithm.BLAKE3, message, piece_bytes) == digest


def test_the_stock_utility_accepts_the_list_whatever_names_are_in_it(tmp_path: Path) -> None:
    r"""Source: GNU coreutils manual, "cksum output modes": how a backslash and a line feed in a name are written."""
    studio = new_studio(tmp_path)
    chance = random.Random(8)
    names = (
        b"plain.jpg", b"two  blanks.jpg", b"back\\slash.jpg", b"line\nfeed.jpg", b"carriage\rreturn.jpg",
        b"\\n.jpg", b"latin-\xe9.jpg", "höch-日.jpg".encode(), b" leading.jpg", b"*star.jpg", b"-dash.jpg",
        b"tab\t.jpg", b"quote'\".jpg", b"x" * 251 + b".jpg",
    )  # fmt: skip
    for name in names:
        with open(os.path.join(os.fsencode(studio.cards), name), "wb") as file:
            file.write(chance.randbytes(50))
    done = studio.once()
    assert done.status == 0, done.said
    for drive in ("curlew", "dunlin"):
        assert sorted(studio.tree(drive).values()) == sorted(tree(studio.cards).values())
        check_sums(studio.drives[drive], files=len(names))
    # Paths that are no text stand in the log with their exact bytes beside them (promise I18).
    (line,) = [line for line in studio.lines("copy_verified", drive="curlew") if "path_hex" in line]
    assert bytes.fromhex(str(line["path_hex"])).endswith(b"/latin-\xe9.jpg")
