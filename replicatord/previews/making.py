"""Makes a preview out of an open file: an embedded JPEG where there is one, else the picture itself, decoded.

Runs in the child process alone: what decodes here was written in C and is fed with anything. May not write, and may
not decode a picture whose header claims more pixels than fit into the memory that the child may take.
Source: Exif 2.3, CIPA DC-008 4.6.5.4, tag Orientation.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from PIL import Image, UnidentifiedImageError
from PIL.JpegImagePlugin import JpegImageFile

from replicatord.media.preview import LONG_SIDE, Embedded, find_pictures, read_embedded
from replicatord.previews.limits import Ask

if TYPE_CHECKING:
    from PIL.ImageFile import ImageFile

_TRIES_MAX: Final = 4  # embedded JPEGs of one file
_QUALITY: Final = 80
_JPEG_PIXELS_MAX: Final = 300_000_000  # decoded at an eighth: the largest camera sensor has 150 million
_BYTES_MAX: Final = 128 << 20  # of what is decoded, as it lies in memory
_NARROW: Final = frozenset({"1", "L", "P"})  # modes of one byte a pixel; all others are counted with four
_FORMATS: Final = ("PNG", "TIFF", "WEBP", "BMP", "GIF", "AVIF")
_TURNS: Final = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,  # this library counts against the clock
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
_ORIENTATION: Final = 0x0112


class NothingToShowError(Exception):
    """There is nothing in a file that a preview could be made of; the message says so."""


class BrokenError(Exception):
    """There should be, and it cannot be read; the message says why."""


def make_preview(fd: int, ask: Ask, *, long_side: int = LONG_SIDE) -> bytes:
    """Give the JPEG of an open file: so many pixels on its long side or less, upright, without metadata.

    Raises: NothingToShowError, BrokenError; OSError when the disk fails; MemoryError.
    """
    pictures = find_pictures(fd, size_bytes=os.fstat(fd).st_size, long_side=long_side)
    why = ""
    for number, embedded in enumerate(pictures.embedded):
        if number == _TRIES_MAX or (embedded.long_side < long_side and ask is Ask.HEIC and _can_read_heic()):
            break
        try:
            return _finished(_from_jpeg(fd, embedded, long_side), pictures.orientation, long_side)
        except BrokenError as exc:
            why = why or str(exc)
    if ask is Ask.RAW or pictures.is_jpeg:
        if why or pictures.is_jpeg:
            raise BrokenError(why or "it is a JPEG without a picture")
        raise NothingToShowError("it carries no JPEG that is found")
    image = _from_heic(fd) if ask is Ask.HEIC else _from_other(fd)
    return _finished(image, image.getexif().get(_ORIENTATION, 1), long_side)


def _from_jpeg(fd: int, embedded: Embedded, long_side: int) -> Image.Image:
    """Decode a JPEG, as small as its decoder can. Raises BrokenError, MemoryError, OSError of the disk."""
    if embedded.width * embedded.height > _JPEG_PIXELS_MAX:
        raise BrokenError(f"it claims {embedded.width} x {embedded.height} pixels")
    content = io.BytesIO(read_embedded(fd, embedded))

    def decode() -> Image.Image:
        image = JpegImageFile(content)
        image.draft(None, _small(image.size, long_side))
        return _loaded(image)

    return _guarded(decode)


def _from_other(fd: int) -> Image.Image:
    """Decode a picture of another format, whole."""
    with suppress(ImportError):
        from PIL import AvifImagePlugin, TiffImagePlugin, WebPImagePlugin  # noqa: F401, PLC0415  they register themselves

    def decode() -> Image.Image:
        with open(os.dup(fd), "rb") as file:
            return _loaded(Image.open(file, formats=_FORMATS))

    return _guarded(decode)


def _from_heic(fd: int) -> Image.Image:
    """Decode a HEIC, where there is somebody who can."""
    if not _can_read_heic():
        raise NothingToShowError(
            "it carries no JPEG, and what decodes HEIC is not installed (the extra `heic`)"
        )
    import pi_heif  # noqa: PLC0415

    def decode() -> Image.Image:
        with open(os.dup(fd), "rb") as file:
            heif = pi_heif.open_heif(file, convert_hdr_to_8bit=True)
            _refuse_large(heif.size, heif.mode)
            image: Image.Image = heif.to_pillow()  # already turned: what turns it is a part of the format
            return image

    return _guarded(decode)


def _can_read_heic() -> bool:
    try:
        import pi_heif  # noqa: PLC0415
    except ImportError:
        return False
    pi_heif.options.THUMBNAILS = False
    return True


def _loaded(image: ImageFile) -> Image.Image:
    _refuse_large(image.size, image.mode)
    image.load()
    return image


def _refuse_large(size: tuple[int, int], mode: str) -> None:
    """Look before anything is decoded. Raises BrokenError."""
    if size[0] * size[1] * (1 if mode in _NARROW else 4) > _BYTES_MAX:
        raise BrokenError(f"its {size[0]} x {size[1]} pixels are more than a preview is made of")


def _guarded(decode: Callable[[], Image.Image]) -> Image.Image:
    """Decode; whatever the decoder says of a broken file becomes one thing. Raises BrokenError, MemoryError."""
    try:
        return decode()
    except (MemoryError, BrokenError):
        raise
    except UnidentifiedImageError as exc:
        raise NothingToShowError("it is of a format of which no preview is made") from exc
    except Exception as exc:  # its decoders raise whatever they like
        if isinstance(exc, OSError) and exc.errno:
            raise  # the disk's, not the decoder's
        raise BrokenError(f"it cannot be decoded: {str(exc)[:100] or type(exc).__name__}") from exc


def _finished(image: Image.Image, orientation: int, long_side: int) -> bytes:
    """Scale a picture down, turn it upright, and write it without anything but its pixels."""
    target = _small(image.size, long_side)
    if image.mode in ("1", "P", "PA"):
        image = image.convert("RGBA" if "transparency" in image.info or image.mode == "PA" else "RGB")
    elif image.mode.startswith("I;16"):
        image = image.convert("I")
    if target != image.size:
        # As good as bicubic for making smaller, by Pillow's own account, at the cost of bilinear.
        image = image.resize(target, Image.Resampling.HAMMING, reducing_gap=2.0)
    if image.mode == "I":
        image = image.point(lambda value: value * (1 / 257)).convert("L")  # of 16 bits
    if image.mode in ("RGBA", "LA", "RGBa", "La"):
        ground = Image.new("RGBA", image.size, "white")
        image = Image.alpha_composite(ground, image.convert("RGBA"))
    if image.mode not in ("L", "RGB"):
        image = image.convert("RGB")
    if orientation in _TURNS:
        image = image.transpose(_TURNS[orientation])
    written = io.BytesIO()
    Image.frombytes(image.mode, image.size, image.tobytes()).save(written, "JPEG", quality=_QUALITY)
    return written.getvalue()


def _small(size: tuple[int, int], long_side: int) -> tuple[int, int]:
    """Give a size with the same shape and a long side of so many pixels; nothing is made larger."""
    scale = min(long_side / max(size), 1.0)
    return max(round(size[0] * scale), 1), max(round(size[1] * scale), 1)
