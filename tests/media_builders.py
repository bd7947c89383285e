"""Small photographs, clips and sidecars for tests, written byte by byte from the published formats.

Knows nothing of the readers under test: it is their counterpart, not their mirror.
Sources: CIPA DC-008 (Exif), TIFF 6.0, ISO 14496-12, ISO 23008-12, QuickTime File Format, RIFF 1.0, EBU Tech
3285, ISO 16684-1, the XMP specification Part 3 (storage in files).
"""

from __future__ import annotations

import os
import struct
import tempfile
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Final

from replicatord.media.probe import read_facts
from replicatord.model.frames import Facts

MODEL: Final = 0x0110
DATE_TIME: Final = 0x0132
XMP: Final = 0x02BC
ORIGINAL: Final = 0x9003
DIGITIZED: Final = 0x9004
OFFSET_ORIGINAL: Final = 0x9011
OFFSET_DIGITIZED: Final = 0x9012
SUBSEC: Final = 0x9290
SUBSEC_ORIGINAL: Final = 0x9291
SUBSEC_DIGITIZED: Final = 0x9292
EXIF_IFD: Final = 0x8769
DNG_VERSION: Final = 0xC612
MOVIE_EPOCH_S: Final = 2_082_844_800  # from 1904-01-01 to 1970-01-01

Tags = Mapping[int, bytes]


def facts_of(content: bytes, name: bytes, *, size_bytes: int | None = None) -> Facts:
    """Put content into a real file and read its facts."""
    with tempfile.TemporaryFile() as file:
        file.write(content)
        file.flush()
        return read_facts(
            file.fileno(), name=name, size_bytes=len(content) if size_bytes is None else size_bytes
        )


def bytes_read_so_far() -> int | None:
    """Give what this process asked the kernel to read so far (proc(5), rchar); None where it does not say."""
    if not os.path.exists("/proc/self/io"):
        return None
    with open("/proc/self/io", "rb") as file:
        return int(file.read().split(b"rchar:", 1)[1].split(b"\n", 1)[0])


def tiff(
    main: Tags, exif: Tags | None = None, *, order: str = "<", is_big: bool = False, start: bytes = b""
) -> bytes:
    """Write TIFF with a first directory and, maybe, an Exif directory. Values are ASCII, or XMP as bytes."""
    head_bytes = 16 if is_big else 8
    tables: list[dict[int, tuple[int, bytes]]] = [{tag: (_type(tag), value) for tag, value in main.items()}]
    if exif is not None:
        tables[0][EXIF_IFD] = (16 if is_big else 4, b"")
        tables.append({tag: (_type(tag), value) for tag, value in exif.items()})
    if not start:
        magic = 43 if is_big else 42
        start = (b"II" if order == "<" else b"MM") + struct.pack(order + "H", magic)
    start += struct.pack(order + "HHQ", 8, 0, 16) if is_big else struct.pack(order + "I", 8)
    body = b""
    sizes = [_table_bytes(table, is_big=is_big) for table in tables]
    places = [head_bytes + sum(sizes[:at]) for at in range(len(sizes))]
    values_at = head_bytes + sum(sizes)
    values = b""
    width, pointer = (8, order + "Q") if is_big else (4, order + "I")
    for table in tables:
        body += struct.pack(order + ("Q" if is_big else "H"), len(table))
        for tag, (kind, value) in sorted(table.items()):
            count, field = len(value), value
            if tag == EXIF_IFD:
                count, field = 1, struct.pack(pointer, places[1])
            elif len(value) > width:
                field = struct.pack(pointer, values_at + len(values))
                values += value + b"\0" * (len(value) % 2)
            body += struct.pack(order + ("HHQ" if is_big else "HHI"), tag, kind, count) + field.ljust(
                width, b"\0"
            )
        body += b"\0" * (8 if is_big else 4)
    return start + body + values


def _type(tag: int) -> int:
    return 1 if tag in (XMP, DNG_VERSION) else 2


def _table_bytes(table: Mapping[int, object], *, is_big: bool) -> int:
    return 16 + 20 * len(table) if is_big else 6 + 12 * len(table)


def text(value: str) -> bytes:
    """Give an ASCII value as Exif stores it, with its NUL."""
    return value.encode() + b"\0"


def segment(marker: int, content: bytes) -> bytes:
    """Write a JPEG segment."""
    return struct.pack(">BBH", 0xFF, marker, len(content) + 2) + content


def jpeg(
    *, exif: bytes | None = None, xmp: bytes | None = None, more: Sequence[bytes] = (), end: bytes = b""
) -> bytes:
    """Write a JPEG that has all but a picture: readers of facts stop at its scan."""
    parts = [b"\xff\xd8"]
    if exif is not None:
        parts.append(segment(0xE1, b"Exif\0\0" + exif))
    if xmp is not None:
        parts.append(segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + xmp))
    parts.extend(segment(0xE1, part) for part in more)
    frame = segment(0xC0, bytes((8, 0, 1, 0, 1, 1, 1, 0x11, 0)))
    scan = segment(0xDA, bytes((1, 1, 0, 0, 63, 0)))
    return b"".join([*parts, frame, scan, end or b"\x00\xff\xd9"])


def extension(whole: bytes, guid: bytes, at: int, until: int) -> bytes:
    """Write one part of an extended XMP packet (XMP specification, Part 3)."""
    head = b"http://ns.adobe.com/xmp/extension/\0" + guid + struct.pack(">II", len(whole), at)
    return head + whole[at:until]


def xmp(attributes: Mapping[str, str] | None = None, elements: Mapping[str, str] | None = None) -> str:
    """Write an XMP packet with properties as attributes and as elements, by prefixed name."""
    spaces = {
        "xmp": "http://ns.adobe.com/xap/1.0/",
        "xap": "http://ns.adobe.com/xap/1.0/",
        "tiff": "http://ns.adobe.com/tiff/1.0/",
        "exif": "http://ns.adobe.com/exif/1.0/",
        "photoshop": "http://ns.adobe.com/photoshop/1.0/",
        "xmpNote": "http://ns.adobe.com/xmp/note/",
        "other": "http://ns.example.org/percent/1.0/",
    }
    declared = " ".join(f'xmlns:{prefix}="{space}"' for prefix, space in spaces.items())
    written = " ".join(f'{name}="{value}"' for name, value in (attributes or {}).items())
    inside = "".join(f"<{name}>{value}</{name}>" for name, value in (elements or {}).items())
    return (
        '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        f'<rdf:Description rdf:about="" {declared} {written}>{inside}</rdf:Description>'
        '</rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    )


def box(kind: bytes, *content: bytes) -> bytes:
    """Write an ISO BMFF box with a 32-bit size."""
    joined = b"".join(content)
    return struct.pack(">I4s", 8 + len(joined), kind) + joined


def wide_box(kind: bytes, content: bytes) -> bytes:
    """Write an ISO BMFF box with a 64-bit size."""
    return struct.pack(">I4sQ", 1, kind, 16 + len(content)) + content


def heif(
    *,
    brand: bytes = b"heic",
    exif: bytes | None = None,
    xmp: bytes | None = None,
    in_idat: bool = False,
    parts: int = 1,
) -> bytes:
    """Write a HEIF file with an Exif and an XMP item, in the file (construction 0) or in idat (1)."""
    items = []
    if exif is not None:
        items.append((b"Exif", b"", struct.pack(">I", 6) + b"Exif\0\0" + exif))
    if xmp is not None:
        items.append((b"mime", b"application/rdf+xml\0", xmp))
    entries = [
        box(b"infe", struct.pack(">IHH4s", 2 << 24, number, 0, kind), b"\0", content_type)
        for number, (kind, content_type, _) in enumerate(items, 1)
    ]
    iinf = box(b"iinf", struct.pack(">IH", 0, len(items)), *entries)
    first = box(b"ftyp", brand, b"\0\0\0\0", b"mif1", brand)
    hdlr = box(b"hdlr", struct.pack(">II4s12x", 0, 0, b"pict"), b"\0")
    content = b"".join(value for _, _, value in items)
    idat = box(b"idat", content) if in_idat else b""

    def meta(start: int) -> bytes:
        places, at = b"", start
        for number, (_, _, value) in enumerate(items, 1):
            places += struct.pack(">HHHH", number, int(in_idat), 0, parts)
            cuts = [len(value) * cut // parts for cut in range(parts + 1)]
            for here, there in pairwise(cuts):
                places += struct.pack(">II", at + here, there - here)
            at += len(value)
        iloc = box(b"iloc", struct.pack(">IBBH", 1 << 24, 0x44, 0, len(items)), places)
        return box(b"meta", b"\0\0\0\0", hdlr, iinf, iloc, idat)

    head_bytes = len(first) + len(meta(0)) + 8
    return first + meta(0 if in_idat else head_bytes) + box(b"mdat", b"" if in_idat else content)


def cr3(*, main: bytes, exif: bytes, xmp: bytes) -> bytes:
    """Write the boxes of a CR3 that carry facts."""
    camera = box(
        b"uuid", bytes.fromhex("85c0b687820f11e08111f4ce462b6a48"), box(b"CMT1", main), box(b"CMT2", exif)
    )
    packet = box(b"uuid", bytes.fromhex("be7acfcb97a942e89c71999491e3afac"), xmp)
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + box(b"moov", camera) + packet + box(b"mdat", b"\0" * 64)


def mvhd(seconds: int, *, version: int = 0) -> bytes:
    """Write a movie header whose creation time is so many seconds after 1904."""
    return box(
        b"mvhd", struct.pack(">I", version << 24), struct.pack(">Q" if version else ">I", seconds), b"\0" * 92
    )


def quicktime_meta(values: Mapping[str, str]) -> bytes:
    """Write QuickTime's metadata: a plain meta box, with keys by name."""
    keys = b"".join(box(b"mdta", f"com.apple.quicktime.{name}".encode()) for name in values)
    items = b"".join(
        box(struct.pack(">I", number), box(b"data", struct.pack(">II", 1, 0), value.encode()))
        for number, value in enumerate(values.values(), 1)
    )
    hdlr = box(b"hdlr", struct.pack(">II4s12x", 0, 0, b"mdta"))
    return box(b"meta", hdlr, box(b"keys", struct.pack(">II", 0, len(values)), keys), box(b"ilst", items))


def movie(*inside: bytes, brand: bytes = b"isom", is_wide: bool = False) -> bytes:
    """Write a movie with moov at its end, behind media data that has a 32- or 64-bit size."""
    first = box(b"ftyp", brand, b"\0\0\0\0", brand)
    media = wide_box(b"mdat", b"\0" * 5000) if is_wide else box(b"mdat", b"\0" * 5000)
    return first + media + box(b"moov", *inside)


def chunk(name: bytes, content: bytes) -> bytes:
    """Write a RIFF chunk, padded to an even length."""
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def riff(kind: bytes, *chunks: bytes) -> bytes:
    """Write a RIFF file: kind is "AVI " or "WAVE"."""
    return chunk(b"RIFF", kind + b"".join(chunks))


def riff_list(name: bytes, *chunks: bytes) -> bytes:
    """Write a RIFF list."""
    return chunk(b"LIST", name + b"".join(chunks))


def bext(date: bytes, time: bytes) -> bytes:
    """Write a broadcast chunk with its origination date and time."""
    return chunk(b"bext", b"\0" * 320 + date + time + b"\0" * 264)


def raf(inside: bytes) -> bytes:
    """Write a RAF header and the JPEG it points to."""
    return b"FUJIFILMCCD-RAW ".ljust(84, b"0") + struct.pack(">II", 100, len(inside)) + b"\0" * 8 + inside


def examples() -> Mapping[bytes, bytes]:
    """Give one whole file of every container, by name: what the tests of broken files break."""
    main = {MODEL: text("Estuary 7"), DATE_TIME: text("2026:02:01 10:00:00")}
    exif = {
        ORIGINAL: text("2026:01:31 06:42:07"),
        SUBSEC_ORIGINAL: text("072"),
        OFFSET_ORIGINAL: text("+01:00"),
    }
    packet = xmp({"xmp:Rating": "3"}).encode()
    block = tiff(main, exif)
    guid = b"0123456789ABCDEF0123456789ABCDEF"
    noted = xmp({"xmpNote:HasExtendedXMP": guid.decode()}).encode()
    parts = [extension(packet, guid, at, at + 300) for at in range(0, len(packet), 300)]
    clip = quicktime_meta({"creationdate": "2026-01-31T06:42:07+0100", "model": "Estuary 7"})
    return {
        b"a.jpg": jpeg(exif=block, xmp=packet),
        b"b.jpg": jpeg(exif=block, xmp=noted, more=parts),
        b"a.dng": tiff({**main, DNG_VERSION: b"\1\7\0\0", XMP: packet}, exif, order=">"),
        b"a.tif": tiff({**main, XMP: packet}, exif, is_big=True),
        b"a.heic": heif(exif=block, xmp=packet),
        b"b.heic": heif(exif=block, xmp=packet, in_idat=True, parts=3),
        b"a.cr3": cr3(main=tiff(main), exif=tiff(exif), xmp=packet),
        b"a.raf": raf(jpeg(exif=block, xmp=packet)),
        b"a.mov": movie(mvhd(MOVIE_EPOCH_S + 1_769_838_127), clip, brand=b"qt  "),
        b"a.mp4": movie(mvhd(MOVIE_EPOCH_S + 1_769_838_127, version=1), is_wide=True),
        b"a.avi": riff(b"AVI ", riff_list(b"hdrl", chunk(b"IDIT", b"Sat Jan 31 06:42:07 2026\n"))),
        b"a.wav": riff(b"WAVE", bext(b"2026-01-31", b"06:42:07"), chunk(b"data", b"\0" * 64)),
        b"a.xmp": packet,
    }
