"""Promises about files that nobody vouches for.

M1  whatever a file holds, reading its facts raises nothing, and no mistake of ours is caught on the way
M2  no more than READ_LIMIT_BYTES are read of one file, whatever it points to
M3  a file made to cost as much as it can takes a bounded time and memory
M4  a time that was written is the time that is read
M5  a name and its parts: nothing is lost, and all files of a frame share the stem
"""

from __future__ import annotations

import os
import struct
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from datetime import datetime
from typing import Final

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from replicatord.media.names import kind_and_format_of_name, split_stem
from replicatord.media.probe import OUR_MISTAKE, read_facts
from replicatord.media.window import READ_LIMIT_BYTES
from replicatord.model.frames import Facts, TimeOrigin
from tests import media_builders as make
from tests.media_builders import box, facts_of, segment, text

EXAMPLES: Final = make.examples()
MIB: Final = 1024 * 1024
EXTREMES: Final = (0, 1, 7, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFE, 0xFFFF_FFFF, 0x00FF_FFFF, 0x0100_0000)
SLOWEST_CPU_S: Final = 5.0  # of the worst file we know how to make: it takes about 1 s on a slow machine

mutations = st.lists(
    st.one_of(
        st.tuples(st.just("flip"), st.floats(0, 1, exclude_max=True), st.integers(0, 7)),
        st.tuples(st.just("set"), st.floats(0, 1, exclude_max=True), st.integers(0, 255)),
        st.tuples(st.just("big"), st.floats(0, 1, exclude_max=True), st.sampled_from(EXTREMES)),
        st.tuples(st.just("little"), st.floats(0, 1, exclude_max=True), st.sampled_from(EXTREMES)),
        st.tuples(st.just("cut"), st.floats(0, 1), st.just(0)),
        st.tuples(st.just("repeat"), st.floats(0, 1, exclude_max=True), st.integers(1, 40)),
    ),
    min_size=1,
    max_size=6,
)


def mutated(content: bytes, changes: list[tuple[str, float, int]]) -> bytes:
    """Break a file in the ways asked for."""
    broken = bytearray(content)
    for what, where, value in changes:
        at = int(where * len(broken))
        if what == "cut":
            del broken[at:]
        elif what == "repeat":
            broken[at:at] = broken[at : at + 64] * value
        elif what in ("big", "little") and at + 4 <= len(broken):
            struct.pack_into(">I" if what == "big" else "<I", broken, at, value)
        elif what == "flip" and broken:
            broken[at] ^= 1 << value
        elif what == "set" and broken:
            broken[at] = value
    return bytes(broken)


def check(facts: Facts) -> None:
    """Hold what is true of the facts of any file."""
    assert OUR_MISTAKE not in facts.problem
    assert facts.stars is None or -1 <= facts.stars <= 5
    assert facts.camera == facts.camera.strip()
    assert facts.captured is None or facts.captured.local.tzinfo is None
    assert facts.problem.isprintable()


@settings(max_examples=600, deadline=2000, suppress_health_check=[HealthCheck.too_slow])
@given(name=st.sampled_from(sorted(EXAMPLES)), changes=mutations)
def test_m1_a_broken_file_gives_facts_and_never_an_exception(
    name: bytes, changes: list[tuple[str, float, int]]
) -> None:
    check(facts_of(mutated(EXAMPLES[name], changes), name))


@settings(max_examples=150, deadline=2000)
@given(name=st.sampled_from(sorted(EXAMPLES)), start=st.integers(0, 64), rest=st.binary(max_size=600))
def test_m1_noise_behind_a_true_start_gives_facts(name: bytes, start: int, rest: bytes) -> None:
    check(facts_of(EXAMPLES[name][:start] + rest, name))


def test_m1_every_file_cut_anywhere_gives_facts() -> None:
    for name, content in EXAMPLES.items():
        step = max(1, len(content) // 100)
        for end in range(0, len(content), step):
            check(facts_of(content[:end], name))


@pytest.mark.skipif(make.bytes_read_so_far() is None, reason="this system does not say what a process reads")
@settings(max_examples=150, deadline=5000)
@given(name=st.sampled_from(sorted(EXAMPLES)), changes=mutations)
def test_m2_no_more_than_the_limit_is_read_of_a_long_file(
    name: bytes, changes: list[tuple[str, float, int]]
) -> None:
    """The file goes on for 4 GiB (a hole), so that wild offsets and lengths lead somewhere."""
    assert read_bytes(mutated(EXAMPLES[name], changes), name, size_bytes=4 * 1024 * MIB) <= READ_LIMIT_BYTES


def read_bytes(content: bytes, name: bytes, *, size_bytes: int) -> int:
    """Give how much the kernel was asked for while the facts of a file with a hole behind it were read."""
    with tempfile.TemporaryFile() as file:
        file.write(content)
        file.flush()
        os.ftruncate(file.fileno(), size_bytes)
        before = make.bytes_read_so_far()
        check(read_facts(file.fileno(), name=name, size_bytes=size_bytes))
        after = make.bytes_read_so_far()
    assert before is not None
    assert after is not None
    counting = 1024  # the count itself is read from a file of about 100 bytes
    return after - before - counting


@pytest.mark.skipif(make.bytes_read_so_far() is None, reason="this system does not say what a process reads")
def test_m2_a_file_that_points_everywhere_is_stopped_at_the_limit() -> None:
    far = b"".join(box(b"free", b"\0" * 8184) for _ in range(2000))  # one page for each header
    asked = read_bytes(box(b"ftyp", b"isom\0\0\0\0") + far, b"a.mp4", size_bytes=64 * MIB)
    assert READ_LIMIT_BYTES // 2 < asked <= READ_LIMIT_BYTES


# ---- M3 ----


def elements_bomb() -> bytes:
    return b"<r>" + b"<a/>" * MIB + b"</r>"


def attributes_bomb() -> bytes:
    return b"<r " + b"".join(b'a%d="" ' % number for number in range(330_000)) + b"/>"


def namespaces_bomb() -> bytes:
    declared = b"".join(b'xmlns:a%d="u" ' % number for number in range(200_000))
    return b"<r " + declared + b">" + b'<a xmlns="f">' * 60


def depth_bomb() -> bytes:
    return b"<a>" * MIB


def packets_bomb() -> bytes:
    packet = b"http://ns.adobe.com/xap/1.0/\0<r>" + b"<a/>" * 16_000 + b"</r>"
    return b"\xff\xd8" + segment(0xE1, packet) * 120


def directories_bomb() -> bytes:
    entries = struct.pack("<HHII", make.DATE_TIME, 2, 0, 0) * 2047 + struct.pack(
        "<HHII", make.EXIF_IFD, 4, 1, 8
    )
    block = b"II*\0\x08\0\0\0" + struct.pack("<H", 2048) + entries + struct.pack("<I", 9)
    return b"\xff\xd8" + segment(0xE1, b"Exif\0\0" + block) * 300


def fill_bomb() -> bytes:
    return b"\xff\xd8" + b"\xff" * (4 * MIB)


def items_bomb() -> bytes:
    """Three thousand items that are all the same long packet, and a table with 65,535 empty extents each."""
    packet = b"<r>" + b"<a/>" * 500_000 + b"</r>"
    head = struct.pack(">IHH4s", 2 << 24, 0, 0, b"mime") + b"\0application/rdf+xml\0"
    entries = [box(b"infe", head[:4] + struct.pack(">H", number) + head[6:]) for number in range(1, 3001)]
    iinf = box(b"iinf", struct.pack(">IH", 0, 3000), *entries)
    rows = [struct.pack(">HHHII", number, 0, 1, 200_000, len(packet)) for number in range(1, 3001)]
    others = [struct.pack(">HHH", 9000, 0, 65_535)]
    iloc = box(b"iloc", struct.pack(">IBBH", 0, 0x44, 0, 3001), *rows, *others)
    meta = box(b"meta", b"\0\0\0\0", box(b"hdlr", b"\0" * 24), iinf, iloc)
    return (box(b"ftyp", b"heic\0\0\0\0mif1") + meta).ljust(200_000, b"\0") + packet


def boxes_bomb() -> bytes:
    return box(b"ftyp", b"isom\0\0\0\0") + box(b"free") * MIB


def nested_bomb() -> bytes:
    content = b""
    for _ in range(3000):
        content = box(b"moov", content)
    return box(b"ftyp", b"isom\0\0\0\0") + content


def chunks_bomb() -> bytes:
    return b"RIFF\xff\xff\xff\xffAVI " + make.riff_list(b"hdrl", make.chunk(b"IDIT", b"") * MIB)


BOMBS: Final[list[tuple[bytes, Callable[[], bytes], str]]] = [  # and the limit that stops it
    (b"a.xmp", elements_bomb, "200000 elements"),
    (b"a.xmp", attributes_bomb, ""),  # bounded by its length alone
    (b"a.xmp", namespaces_bomb, "breaks off"),
    (b"a.xmp", depth_bomb, "deeper than 64"),
    (b"a.jpg", packets_bomb, "4 XMP packets"),
    (b"a.jpg", directories_bomb, "4 Exif blocks"),
    (b"a.jpg", fill_bomb, "1024 segments"),
    (b"a.heic", items_bomb, "4 blocks"),
    (b"a.mp4", boxes_bomb, "4096 boxes"),
    (b"a.mp4", nested_bomb, ""),  # what lies in a moov is looked for one level down only
    (b"a.avi", chunks_bomb, "4096 chunks"),
]


@pytest.mark.parametrize(("name", "bomb", "limit"), BOMBS, ids=[bomb.__name__ for _, bomb, _ in BOMBS])
def test_m3_a_file_made_to_cost_much_is_stopped_in_a_bounded_time(
    name: bytes, bomb: Callable[[], bytes], limit: str
) -> None:
    content = bomb()
    start = time.process_time()
    facts = facts_of(content, name)
    assert time.process_time() - start < SLOWEST_CPU_S
    check(facts)
    assert limit in facts.problem


def test_m3_one_long_namespace_is_not_written_out_for_every_attribute() -> None:
    """Written out, these 700 kB would be 6 GB."""
    attributes = b"".join(b'p:a%d="" ' % number for number in range(20_000))
    content = b'<r xmlns:p="' + b"x" * 300_000 + b'" ' + attributes + b"/>"
    tracemalloc.start()
    try:
        check(facts_of(content, b"a.xmp"))
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak_bytes < 64 * MIB


# ---- M4, M5 ----


@settings(max_examples=100, deadline=2000)
@given(
    moment=st.datetimes(min_value=datetime(1, 1, 1), max_value=datetime(9999, 12, 31)),  # noqa: DTZ001  wall times
    digits=st.from_regex(r"[0-9]{0,9}", fullmatch=True),
    offset=st.one_of(st.none(), st.integers(-14 * 60, 14 * 60)),
    order=st.sampled_from("<>"),
)
def test_m4_a_time_is_read_as_it_was_written(
    moment: datetime, digits: str, offset: int | None, order: str
) -> None:
    moment = moment.replace(microsecond=0)
    exif = {make.ORIGINAL: text(moment.isoformat(" ").replace("-", ":")), make.SUBSEC_ORIGINAL: text(digits)}
    if offset is not None:
        sign, size = ("-" if offset < 0 else "+"), abs(offset)
        exif[make.OFFSET_ORIGINAL] = text(f"{sign}{size // 60:02}:{size % 60:02}")
    captured = facts_of(make.jpeg(exif=make.tiff({}, exif, order=order)), b"a.jpg").captured
    assert captured is not None
    assert (captured.local, captured.fraction, captured.offset_minutes) == (moment, digits, offset)
    assert captured.origin is TimeOrigin.ORIGINAL


extensions = st.sampled_from([b"CR3", b"jpg", b"JPG", b"xmp", b"MOV", b"zzz", b"CR3.xmp", b"jpg.XMP", b""])
names = st.one_of(
    st.binary(max_size=40).filter(lambda name: b"/" not in name and b"\0" not in name),
    st.builds(
        lambda stem, ext: stem + b"." + ext, st.sampled_from([b"a", b".a", b"a.b", b"", b"."]), extensions
    ),
)


@given(name=names)
def test_m5_a_name_is_its_stem_and_its_rest(name: bytes) -> None:
    stem, ext = split_stem(name)
    assert name == (stem + b"." + ext if ext else stem)
    assert stem.strip(b".") or not ext  # a leading dot starts no extension
    kind_and_format_of_name(name)


@given(stem=st.from_regex(rb"[A-Z_][A-Z0-9_]{0,11}", fullmatch=True))
def test_m5_the_files_of_a_frame_share_their_stem(stem: bytes) -> None:
    rests = (b"CR3", b"jpg", b"xmp", b"XMP", b"CR3.xmp", b"JPG.XMP", b"wav", b"THM")
    assert {split_stem(stem + b"." + rest)[0] for rest in rests} == {stem}
