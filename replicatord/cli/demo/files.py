"""The formats a camera writes: JPEG with Exif and XMP, DNG, sidecars and voice notes, as bytes.

May not draw, and needs no Pillow: encoded pictures and plain pixels go in. Only `write_file` touches the
disk, and it never replaces anything.

Sources: Exif 2.32 (CIPA DC-008), DCF 2.0 (CIPA DC-009), DNG 1.4.0.0 (Adobe, 2012), XMP part 1 (ISO 16684-1)
and part 3 (Adobe, embedding), RIFF/WAVE (IBM and Microsoft, 1991), Broadcast Wave (EBU Tech 3285). Numbers
of tags and sections are from memory.
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import Enum
from typing import Final

from replicatord.cli.demo.needs import DemoCannotWrite
from replicatord.cli.demo.tiff import (
    Directory,
    Field,
    long,
    octets,
    rational,
    short,
    srational,
    text,
    tiff_bytes,
    undefined,
)

MAKE: Final = "Tidewrack"
MODEL: Final = "Tidewrack T1"  # an invented camera
SOFTWARE: Final = "replicatord demo"

_APP1_BYTES_MAX: Final = 65_533  # a JPEG segment's 16-bit length counts itself (ITU-T T.81, B.1.1.4)
_EXIF_HEAD: Final = b"Exif\0\0"
_XMP_HEAD: Final = b"http://ns.adobe.com/xap/1.0/\0"  # XMP part 3, "JPEG"
_PACKET_ID: Final = "W5M0MpCehiHzreSzNTczkc9d"  # ISO 16684-1, 7.3.2: the same in every packet


@dataclass(frozen=True, slots=True, kw_only=True)
class Shutter:
    """What the camera records of one press of the shutter; `taken` is None when its clock was not set."""

    taken: datetime | None  # aware; its offset is recorded
    subsec: str = "00"  # decimal digits of the second
    exposure: tuple[int, int] = (1, 500)  # seconds, as a fraction
    aperture_tenths: int = 80
    iso: int = 200
    software: str = SOFTWARE  # what wrote the file


class RatingForm(Enum):
    """The two ways that RDF allows for a simple property (ISO 16684-1, 7.5 and 7.9.2.2)."""

    ATTRIBUTE = "attribute"
    ELEMENT = "element"


# ---- JPEG ----


def exif_jpeg(
    jpeg: bytes, *, size: tuple[int, int], shutter: Shutter, thumbnail: bytes = b"", xmp: bytes = b""
) -> bytes:
    """Put an Exif block, and an XMP packet if given, into a bare JPEG.

    `size` is the picture's in pixels, `thumbnail` a JPEG of 160x120. Raises ValueError when `jpeg` does not
    start as a JPEG does, or when a block is too long for one segment.
    """
    out = bytearray(b"\xff\xd8")  # SOI
    out += _app1(_EXIF_HEAD + exif_block(shutter, size=size, thumbnail=thumbnail))
    if xmp:
        out += _app1(_XMP_HEAD + xmp)
    return bytes(out) + _without_jfif(jpeg)


def exif_block(shutter: Shutter, *, size: tuple[int, int], thumbnail: bytes = b"") -> bytes:
    """Give the TIFF structure of an Exif block (Exif 2.32, 4.5 to 4.8): picture, camera, times, thumbnail."""
    resolution = {0x011A: rational(72, 1), 0x011B: rational(72, 1), 0x0128: short(2)}
    second = Directory(
        fields={0x0103: short(6), **resolution},  # Compression: JPEG
        blob=thumbnail,
        blob_tags=(0x0201, 0x0202),  # JPEGInterchangeFormat and its length
    )
    first = Directory(
        fields={**_camera_fields(shutter), **resolution, 0x0213: short(2)},  # YCbCrPositioning: co-sited
        children={0x8769: (_exif_directory(shutter, size),)},
        following=second if thumbnail else None,
    )
    return tiff_bytes(first)


def _camera_fields(shutter: Shutter) -> dict[int, Field]:
    fields = {0x010F: text(MAKE), 0x0110: text(MODEL), 0x0112: short(1), 0x0131: text(shutter.software)}
    if shutter.taken is not None:
        fields[0x0132] = text(_exif_time(shutter.taken))  # DateTime
    return fields


def _exif_directory(shutter: Shutter, size: tuple[int, int]) -> Directory:
    interoperability = Directory(fields={0x0001: text("R98"), 0x0002: undefined(b"0100")})  # DCF basic file
    return Directory(
        fields={
            0x829A: rational(*shutter.exposure),
            0x829D: rational(shutter.aperture_tenths, 10),
            0x8827: short(shutter.iso),
            0x9000: undefined(b"0232"),  # ExifVersion
            **_time_fields(shutter),
            0x9101: undefined(b"\x01\x02\x03\x00"),  # ComponentsConfiguration: YCbCr
            0x920A: rational(400, 1),  # FocalLength, mm
            0xA000: undefined(b"0100"),  # FlashpixVersion
            0xA001: short(1),  # ColorSpace: sRGB
            0xA002: long(size[0]),
            0xA003: long(size[1]),
        },
        children={0xA005: (interoperability,)},
    )


def _time_fields(shutter: Shutter) -> dict[int, Field]:
    """Give the trios of original and digitized time: wall time, sub-seconds, offset (Exif 2.32, 4.6.5)."""
    if shutter.taken is None:
        return {}
    time, offset, subsec = (
        text(_exif_time(shutter.taken)),
        text(_exif_offset(shutter.taken)),
        text(shutter.subsec),
    )
    return {
        0x9003: time,  # DateTimeOriginal
        0x9004: time,  # DateTimeDigitized
        0x9010: offset,  # OffsetTime
        0x9011: offset,  # OffsetTimeOriginal
        0x9012: offset,  # OffsetTimeDigitized
        0x9290: subsec,  # SubSecTime
        0x9291: subsec,  # SubSecTimeOriginal
        0x9292: subsec,  # SubSecTimeDigitized
    }


def _exif_time(moment: datetime) -> str:
    return moment.strftime("%Y:%m:%d %H:%M:%S")


def _exif_offset(moment: datetime) -> str:
    written = moment.strftime("%z")  # +0100
    return f"{written[:3]}:{written[3:5]}"


def _app1(content: bytes) -> bytes:
    if len(content) > _APP1_BYTES_MAX:
        raise ValueError(f"{len(content)} bytes do not fit into one JPEG segment")
    return struct.pack(">2sH", b"\xff\xe1", len(content) + 2) + content


def _without_jfif(jpeg: bytes) -> bytes:
    """Give what follows SOI without a JFIF segment: Exif wants its own block first (Exif 2.32, 4.5.4)."""
    if jpeg[:3] != b"\xff\xd8\xff":
        raise ValueError("not a JPEG: it does not begin with FF D8 FF")
    if jpeg[2:4] != b"\xff\xe0":
        return jpeg[2:]
    return jpeg[4 + int.from_bytes(jpeg[4:6], "big") :]


# ---- DNG ----


@dataclass(frozen=True, slots=True, kw_only=True)
class Pixels:
    """A picture as plain RGB, 8 bits a channel, row after row without padding."""

    width: int
    height: int
    rgb: bytes


def dng(
    pixels: Pixels, *, small: Pixels, preview: bytes, preview_size: tuple[int, int], shutter: Shutter
) -> bytes:
    """Give a DNG 1.4 of uncompressed 16-bit sensor data, with a small RGB picture first and a JPEG preview.

    `pixels` is what the sensor sees: through its colour filters one of three channels is kept for each pixel.
    Width and height are even. Raises ValueError when they are not.
    """
    main = Directory(
        fields={
            **_camera_fields(shutter),
            **_plain_image(small.width, small.height),
            0x00FE: long(1),  # NewSubfileType: a reduced picture
            0x0102: short(8, 8, 8),
            0x0106: short(2),  # PhotometricInterpretation: RGB
            0x0115: short(3),  # SamplesPerPixel
            0xC612: octets(1, 4, 0, 0),  # DNGVersion
            0xC613: octets(1, 1, 0, 0),  # DNGBackwardVersion: nothing in here is newer
            0xC614: text(MODEL),  # UniqueCameraModel
            0xC621: srational(*_XYZ_TO_SENSOR),  # ColorMatrix1
            0xC628: rational(1, 1, 1, 1, 1, 1),  # AsShotNeutral
            0xC65A: short(21),  # CalibrationIlluminant1: D65
        },
        blob=small.rgb,
        children={
            0x014A: (_sensor_directory(pixels), _preview_directory(preview, preview_size)),  # SubIFDs
            0x8769: (_exif_directory(shutter, (pixels.width, pixels.height)),),
        },
    )
    return tiff_bytes(main)


# CIE XYZ (D65) to linear sRGB, in ten-thousandths (IEC 61966-2-1): the invented sensor sees as sRGB does.
_XYZ_TO_SENSOR: Final = tuple(
    part for value in (32406, -15372, -4986, -9689, 18758, 415, 557, -2040, 10570) for part in (value, 10_000)
)
_RED_GREEN_GREEN_BLUE: Final = (0, 1, 1, 2)  # the filter's pattern, two rows of two


def _plain_image(width: int, height: int) -> dict[int, Field]:
    """Give what an uncompressed picture in one strip has to say (TIFF 6.0, section 4)."""
    return {
        0x0100: long(width),
        0x0101: long(height),
        0x0103: short(1),  # Compression: none
        0x0116: long(height),  # RowsPerStrip
        0x011C: short(1),  # PlanarConfiguration
    }


def _sensor_directory(pixels: Pixels) -> Directory:
    return Directory(
        fields={
            **_plain_image(pixels.width, pixels.height),
            0x00FE: long(0),  # NewSubfileType: the main picture
            0x0102: short(16),
            0x0106: short(32803),  # PhotometricInterpretation: colour filter array (TIFF/EP, ISO 12234-2)
            0x0115: short(1),
            0x828D: short(2, 2),  # CFARepeatPatternDim
            0x828E: octets(*_RED_GREEN_GREEN_BLUE),  # CFAPattern
            0xC61A: long(0),  # BlackLevel
            0xC61D: long(65535),  # WhiteLevel
        },
        blob=sensor_samples(pixels),
    )


def _preview_directory(jpeg: bytes, size: tuple[int, int]) -> Directory:
    return Directory(
        fields={
            **_plain_image(*size),
            0x00FE: long(1),
            0x0102: short(8, 8, 8),
            0x0103: short(7),  # Compression: JPEG
            0x0106: short(6),  # PhotometricInterpretation: YCbCr
            0x0115: short(3),
            0x0212: short(2, 2),  # YCbCrSubSampling, as the JPEG has it
        },
        blob=jpeg,
    )


def sensor_samples(pixels: Pixels) -> bytes:
    """Give one little-endian 16-bit sample a pixel, linear in light.

    The filter's pattern is red and green in even rows, green and blue in odd ones.
    Raises ValueError when width or height is odd: the filter's pattern would be cut.
    """
    if pixels.width % 2 or pixels.height % 2:
        raise ValueError("a sensor with a 2x2 filter pattern has even sides")
    row_bytes = pixels.width * 3
    mosaic = bytearray(pixels.width * pixels.height)
    for y in range(pixels.height):
        row = pixels.rgb[y * row_bytes : (y + 1) * row_bytes]
        left, right = _RED_GREEN_GREEN_BLUE[y % 2 * 2 : y % 2 * 2 + 2]
        at = y * pixels.width
        mosaic[at : at + pixels.width : 2] = row[left::6]
        mosaic[at + 1 : at + pixels.width : 2] = row[3 + right :: 6]
    linear = [round(_linear(value / 255) * 65535) for value in range(256)]
    samples = bytearray(len(mosaic) * 2)
    samples[0::2] = mosaic.translate(bytes(value & 0xFF for value in linear))
    samples[1::2] = mosaic.translate(bytes(value >> 8 for value in linear))
    return bytes(samples)


def _linear(value: float) -> float:
    """Undo the curve of sRGB (IEC 61966-2-1)."""
    return value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4


# ---- XMP ----


def xmp_packet(*, stars: int, form: RatingForm) -> bytes:
    """Give an XMP packet that holds xmp:Rating, -1 to 5 (ISO 16684-1, 8.2.2.3), as UTF-8.

    The same bytes serve inside a JPEG and as a sidecar.
    """
    if form is RatingForm.ATTRIBUTE:
        description = f'<rdf:Description rdf:about="" xmlns:xmp="{_XMP_SPACE}" xmp:Rating="{stars}"/>'
    else:
        rating = f"<xmp:Rating>{stars}</xmp:Rating>"
        description = f'<rdf:Description rdf:about="" xmlns:xmp="{_XMP_SPACE}">{rating}</rdf:Description>'
    return (
        f'<?xpacket begin="\ufeff" id="{_PACKET_ID}"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">\n'
        f' <rdf:RDF xmlns:rdf="{_RDF_SPACE}">\n  {description}\n </rdf:RDF>\n'
        '</x:xmpmeta>\n<?xpacket end="w"?>\n'
    ).encode()


_XMP_SPACE: Final = "http://ns.adobe.com/xap/1.0/"
_RDF_SPACE: Final = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"


# ---- voice notes ----


def voice_note(samples: bytes, *, rate_hz: int, taken: datetime) -> bytes:
    """Give a Broadcast Wave file of 16-bit mono `samples`, which carries the date and time of its recording.

    EBU Tech 3285, `bext`: OriginationDate and OriginationTime are the recorder's wall time.
    """
    origin = MODEL.encode("ascii")
    when = taken.strftime("%Y-%m-%d%H:%M:%S").encode("ascii")
    description = b"voice note"
    extension = struct.pack("<256s32s32s18sQH254x", description, origin, b"", when, 0, 0)
    form = struct.pack("<HHLLHH", 1, 1, rate_hz, rate_hz * 2, 2, 16)  # plain PCM, one channel
    content = b"WAVE" + _chunk(b"bext", extension) + _chunk(b"fmt ", form) + _chunk(b"data", samples)
    return _chunk(b"RIFF", content)


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<L", len(content)) + content + b"\0" * (len(content) % 2)


# ---- the disk ----


def write_file(path: str, content: bytes, *, modified_at: datetime) -> None:
    """Write a new file that bears the modification time a camera would give it; folders are made as needed.

    The time is set before the file is closed, so that whoever waits for the close finds the file finished.
    Raises DemoCannotWrite, also when the file is there already: nothing is ever replaced.
    """
    moment_ns = round((modified_at - _EPOCH).total_seconds()) * 1_000_000_000
    try:
        os.makedirs(os.path.dirname(path), exist_ok=True)
        with open(path, "xb") as file:
            file.write(content)
            file.flush()
            os.utime(file.fileno(), ns=(moment_ns, moment_ns))
    except OSError as exc:
        raise DemoCannotWrite(path, exc.strerror or type(exc).__name__) from exc


_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
