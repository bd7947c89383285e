"""What lies on the demo's card and among its favourites: the invented frames, and where each file goes.

May not draw or know formats: pictures and files do. Names follow DCF 2.0 (CIPA DC-009, from memory): folders
of three digits and five characters, files of four characters and a number from 0001 to 9999, one number for
all files of a frame.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from enum import Enum
from typing import TYPE_CHECKING, Final

from replicatord.cli.demo import files, sounds
from replicatord.cli.demo.clip import mp4_bytes
from replicatord.cli.demo.files import Pixels, RatingForm, Shutter
from replicatord.cli.demo.scenes import Light, Scene, Subject

if TYPE_CHECKING:
    from types import ModuleType

    from PIL.Image import Image

SEED: Final = 20_260_131  # moves every picture and sound; any number will do
ZONE: Final = timezone(timedelta(hours=1))  # what the camera's clock is set to
SENSOR_SIZE: Final = (800, 534)  # pixels of a raw; a real one has fifty times as many
_RAW_THUMBNAIL_SIZE: Final = (160, 106)
_CLIP_SIZE: Final = (480, 320)
_CLIP_PICTURES_PER_S: Final = 12
_CLIP_PICTURES: Final = 30


class Part(Enum):
    """One file of a frame on the card; the value is its ending."""

    RAW = "DNG"
    JPEG = "JPG"
    CLIP = "MP4"
    THUMBNAIL = "THM"
    VOICE = "WAV"
    SIDECAR = "xmp"  # named after the stem: TIDE0001.xmp
    SIDECAR_OF_RAW = "DNG.xmp"  # named after the whole file: TIDE0001.DNG.xmp


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One press of the demo camera's shutter."""

    folder: str  # below DCIM
    stem: str
    taken: datetime | None  # aware; None when the camera's clock was not set
    subsec: str  # decimal digits
    subject: Subject
    light: Light
    parts: tuple[Part, ...]
    stars: int = 0  # of the sidecar


@dataclass(frozen=True, slots=True, kw_only=True)
class Favourite:
    """One exported frame; `stars` is None when nobody gave any."""

    album: str
    shot: Shot
    stars: int | None
    is_raw_too: bool


def draw_card(folder: str, *, seed: int = SEED) -> None:
    """Draw a card's worth of files under `folder`: fourteen frames in DCIM, as SHOTS lists them.

    The same seed and Pillow give the same bytes. Raises DemoNeedsPillow, and DemoCannotWrite also when a file
    is there already; what was drawn before that stays.
    """
    for number, shot in enumerate(SHOTS):
        _draw_shot(folder, shot, seed=seed + number)


def draw_favourites(folder: str, *, seed: int = SEED) -> None:
    """Draw exports of some of the card's frames under `folder`, with their stars, as FAVOURITES lists them.

    Stars stand inside a JPEG and beside a DNG. Draw with the card's seed to get the card's pictures.
    Raises as draw_card does.
    """
    for favourite in FAVOURITES:
        _draw_favourite(folder, favourite, seed=seed + SHOTS.index(favourite.shot))


def draw_late_file(folder: str, *, seed: int = SEED) -> str:
    """Draw one more frame onto the card in `folder`, to be dropped in while the service runs.

    Returns the path of its only file. Raises as draw_card does.
    """
    _draw_shot(folder, LATE, seed=seed + len(SHOTS))
    return _card_path(folder, LATE, Part.JPEG)


# ---- the frames ----


def _at(written: str) -> datetime:
    """Read a day and time of the table below, in the camera's zone."""
    return datetime.strptime(written, "%Y-%m-%d %H:%M:%S").replace(tzinfo=ZONE)


_BOTH: Final = (Part.RAW, Part.JPEG)
_RATED: Final = (Part.RAW, Part.JPEG, Part.SIDECAR)

_WADERS_AT_DAWN: Final = Shot(
    folder="100TIDEW", stem="TIDE9995", taken=_at("2026-01-20 08:12:31"), subsec="18",
    subject=Subject.WADERS, light=Light.DAWN, parts=_RATED, stars=3,
)  # fmt: skip
_SAIL_BY_DAY: Final = Shot(
    folder="100TIDEW", stem="TIDE9996", taken=_at("2026-01-20 11:40:05"), subsec="77",
    subject=Subject.SAIL, light=Light.DAY, parts=(Part.JPEG,),
)  # fmt: skip
_WITH_VOICE: Final = Shot(
    folder="100TIDEW", stem="TIDE9997", taken=_at("2026-01-24 14:05:12"), subsec="03",
    subject=Subject.MOORING, light=Light.OVERCAST, parts=(Part.JPEG, Part.VOICE),
)  # fmt: skip
_CLIP: Final = Shot(
    folder="100TIDEW", stem="TIDE9998", taken=_at("2026-01-24 14:20:40"), subsec="00",
    subject=Subject.FLIGHT, light=Light.DAY, parts=(Part.CLIP, Part.THUMBNAIL),
)  # fmt: skip
# The trip to the Outer Skerries goes over the end of the month, and the card's number over 9999.
_TRIP_NIGHT: Final = Shot(
    folder="100TIDEW", stem="TIDE9999", taken=_at("2026-01-31 23:50:00"), subsec="42",
    subject=Subject.SKERRIES, light=Light.NIGHT, parts=_RATED, stars=5,
)  # fmt: skip
_TRIP_MORNING: Final = Shot(
    folder="101TIDEW", stem="TIDE0001", taken=_at("2026-02-02 07:41:19"), subsec="91",
    subject=Subject.SKERRIES, light=Light.DAWN, parts=_RATED, stars=4,
)  # fmt: skip
_DOUBLED: Final = Shot(  # the same name as _DOUBLE in the same month: a layout without {folder} would collide
    folder="101TIDEW", stem="TIDE0002", taken=_at("2026-02-06 09:58:44"), subsec="26",
    subject=Subject.WADERS, light=Light.DAY, parts=(Part.JPEG,),
)  # fmt: skip
_BURST_FIRST: Final = Shot(  # two frames within one second
    folder="101TIDEW", stem="TIDE0003", taken=_at("2026-02-06 10:05:07"), subsec="12",
    subject=Subject.FLIGHT, light=Light.DAY, parts=_BOTH,
)  # fmt: skip
_BURST_SECOND: Final = replace(_BURST_FIRST, stem="TIDE0004", subsec="62")
_PORTRAIT_AT_DUSK: Final = Shot(
    folder="101TIDEW", stem="TIDE0005", taken=_at("2026-02-06 16:48:30"), subsec="55",
    subject=Subject.PORTRAIT, light=Light.DUSK, parts=_RATED, stars=2,
)  # fmt: skip
_RAW_ALONE: Final = Shot(
    folder="101TIDEW", stem="TIDE0006", taken=_at("2026-02-06 17:02:58"), subsec="34",
    subject=Subject.SAIL, light=Light.DUSK, parts=(Part.RAW, Part.SIDECAR_OF_RAW), stars=1,
)  # fmt: skip
_WITHOUT_TIME: Final = Shot(
    folder="101TIDEW", stem="TIDE0007", taken=None, subsec="",
    subject=Subject.PORTRAIT, light=Light.OVERCAST, parts=(Part.JPEG,),
)  # fmt: skip
_DOUBLE: Final = Shot(
    folder="102TIDEW", stem="TIDE0002", taken=_at("2026-02-07 08:30:15"), subsec="80",
    subject=Subject.MOORING, light=Light.DAWN, parts=(Part.JPEG,),
)  # fmt: skip
_LAST: Final = Shot(
    folder="102TIDEW", stem="TIDE0003", taken=_at("2026-02-07 12:15:02"), subsec="09",
    subject=Subject.WADERS, light=Light.OVERCAST, parts=(Part.JPEG,),
)  # fmt: skip

SHOTS: Final = (
    _WADERS_AT_DAWN, _SAIL_BY_DAY, _WITH_VOICE, _CLIP, _TRIP_NIGHT, _TRIP_MORNING, _DOUBLED, _BURST_FIRST,
    _BURST_SECOND, _PORTRAIT_AT_DUSK, _RAW_ALONE, _WITHOUT_TIME, _DOUBLE, _LAST,
)  # fmt: skip
LATE: Final = replace(
    _LAST,
    stem="TIDE0004",
    taken=_at("2026-02-07 17:20:36"),
    subsec="67",
    subject=Subject.PORTRAIT,
    light=Light.DUSK,
)
# The card's own time for the frame without a capture time.
_UNDATED_WRITTEN_AT: Final = _at("2026-02-06 17:30:00")

FAVOURITES: Final = (
    Favourite(album="Outer Skerries", shot=_TRIP_NIGHT, stars=5, is_raw_too=True),
    Favourite(album="Outer Skerries", shot=_TRIP_MORNING, stars=4, is_raw_too=True),
    Favourite(album="Home waters", shot=_WADERS_AT_DAWN, stars=3, is_raw_too=True),
    Favourite(album="Home waters", shot=_PORTRAIT_AT_DUSK, stars=2, is_raw_too=True),
    Favourite(album="Home waters", shot=_DOUBLED, stars=1, is_raw_too=False),
    Favourite(album="Home waters", shot=_SAIL_BY_DAY, stars=-1, is_raw_too=False),
    Favourite(album="Home waters", shot=_BURST_FIRST, stars=None, is_raw_too=False),
    Favourite(album="Boathouse", shot=_DOUBLE, stars=1, is_raw_too=False),
)


# ---- drawing them ----


@dataclass(frozen=True, slots=True, kw_only=True)
class _Taken:
    """A frame as its files need it: what the camera saw, when, and how it drew a sound."""

    painter: ModuleType
    picture: Image
    shutter: Shutter
    written_at: datetime
    stars: int
    seed: int


def _draw_shot(folder: str, shot: Shot, *, seed: int) -> None:
    taken = _take(shot, seed=seed, software=files.SOFTWARE)
    for part in shot.parts:
        path = _card_path(folder, shot, part)
        files.write_file(path, _WRITERS[part](taken), modified_at=taken.written_at)


def _card_path(folder: str, shot: Shot, part: Part) -> str:
    return os.path.join(folder, "DCIM", shot.folder, f"{shot.stem}.{part.value}")


def _draw_favourite(folder: str, favourite: Favourite, *, seed: int) -> None:
    """Export one frame as JPEG and as DNG with its sidecar, in folders apart, so that each is a frame.

    Another program wrote them than the camera, so no export has the very bytes of a file on the card.
    """
    taken = _take(favourite.shot, seed=seed, software=f"{files.SOFTWARE}, export")
    stars = favourite.stars
    xmp = b"" if stars is None else files.xmp_packet(stars=stars, form=RatingForm.ATTRIBUTE)
    stem = os.path.join(folder, "JPEG", favourite.album, favourite.shot.stem)
    files.write_file(f"{stem}.JPG", _jpeg(taken, xmp=xmp, quality=92), modified_at=taken.written_at)
    if not favourite.is_raw_too:
        return
    stem = os.path.join(folder, "DNG", favourite.album, favourite.shot.stem)
    files.write_file(f"{stem}.DNG", _raw(taken), modified_at=taken.written_at)
    if stars is not None:
        sidecar = files.xmp_packet(stars=stars, form=RatingForm.ELEMENT)
        files.write_file(f"{stem}.xmp", sidecar, modified_at=taken.written_at)


def _take(shot: Shot, *, seed: int, software: str) -> _Taken:
    """Paint a frame. In the dark the camera looks longer and is more sensitive."""
    painter = _painter()
    shutter = Shutter(taken=shot.taken, subsec=shot.subsec, software=software)
    if shot.light is Light.NIGHT:
        shutter = replace(shutter, exposure=(2, 1), aperture_tenths=28, iso=1600)
    return _Taken(
        painter=painter,
        picture=painter.paint(Scene(subject=shot.subject, light=shot.light, seed=seed)),
        shutter=shutter,
        written_at=shot.taken or _UNDATED_WRITTEN_AT,
        stars=shot.stars,
        seed=seed,
    )


def _painter() -> ModuleType:
    """Give the module that draws. Raises DemoNeedsPillow when Pillow is not installed."""
    from replicatord.cli.demo import pictures  # noqa: PLC0415 - Pillow is optional: only who draws needs it

    return pictures


def _raw(taken: _Taken) -> bytes:
    preview = taken.painter.scaled(taken.picture, SENSOR_SIZE)
    return files.dng(
        _pixels(preview),
        small=_pixels(taken.painter.scaled(preview, _RAW_THUMBNAIL_SIZE)),
        preview=taken.painter.encode_jpeg(preview, quality=80),
        preview_size=SENSOR_SIZE,
        shutter=taken.shutter,
    )


def _camera_jpeg(taken: _Taken) -> bytes:
    return _jpeg(taken, xmp=b"", quality=90)


def _jpeg(taken: _Taken, *, xmp: bytes, quality: int) -> bytes:
    painter, picture = taken.painter, taken.picture
    small = painter.encode_jpeg(painter.thumbnail(picture), quality=80)
    bare = painter.encode_jpeg(picture, quality=quality)
    return files.exif_jpeg(bare, size=picture.size, shutter=taken.shutter, thumbnail=small, xmp=xmp)


def _clip(taken: _Taken) -> bytes:
    looks = taken.painter.pan(taken.picture, size=_CLIP_SIZE, count=_CLIP_PICTURES)
    return mp4_bytes(
        [taken.painter.encode_jpeg(look, quality=75) for look in looks],
        size=_CLIP_SIZE,
        pictures_per_s=_CLIP_PICTURES_PER_S,
        created_at=taken.written_at,
    )


def _thumbnail_file(taken: _Taken) -> bytes:
    """Give the .THM beside a clip: a small JPEG with its time and camera (DCF 2.0, thumbnail files)."""
    painter = taken.painter
    small = painter.encode_jpeg(painter.thumbnail(taken.picture), quality=80)
    return files.exif_jpeg(small, size=painter.THUMBNAIL_SIZE, shutter=taken.shutter)


def _voice(taken: _Taken) -> bytes:
    sound = sounds.whistle(taken.seed)
    return files.voice_note(sound, rate_hz=sounds.RATE_HZ, taken=taken.written_at)


def _sidecar(taken: _Taken) -> bytes:
    return files.xmp_packet(stars=taken.stars, form=RatingForm.ELEMENT)


def _pixels(picture: Image) -> Pixels:
    return Pixels(width=picture.width, height=picture.height, rgb=picture.tobytes())


_WRITERS: Final[dict[Part, Callable[[_Taken], bytes]]] = {
    Part.RAW: _raw,
    Part.JPEG: _camera_jpeg,
    Part.CLIP: _clip,
    Part.THUMBNAIL: _thumbnail_file,
    Part.VOICE: _voice,
    Part.SIDECAR: _sidecar,
    Part.SIDECAR_OF_RAW: _sidecar,
}
