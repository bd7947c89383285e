"""What the readers hand back: the facts that one part of a file holds, and how they come together.

May not read anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from replicatord.media.times import Moment, is_unset
from replicatord.media.window import NotReadableError
from replicatord.model.frames import CaptureTime, TimeOrigin

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

TEXT_LIMIT_BYTES: Final = 256  # of a time or a camera's name; real ones take under 64
_SHOWN_CHARS: Final = 40  # of a value in a message
_TRUST: Final = {origin: rank for rank, origin in enumerate(TimeOrigin)}  # declared best first


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What one part of a file says. Parts come in order of trust: of equal facts the first one counts."""

    times: tuple[CaptureTime, ...] = ()
    camera: str = ""
    stars: int | None = None
    is_dng: bool = False  # the tag DNGVersion was there
    problems: tuple[str, ...] = ()  # each a clause without a full stop


def join(parts: Iterable[Found]) -> Found:
    """Bring the parts of one file together: the most trusted time, the first camera, the first stars."""
    parts = tuple(parts)
    times = [time for part in parts for time in part.times]
    problems = dict.fromkeys(problem for part in parts for problem in part.problems)
    return Found(
        times=(min(times, key=lambda time: _TRUST[time.origin]),) if times else (),
        camera=next((part.camera for part in parts if part.camera), ""),
        stars=next((part.stars for part in parts if part.stars is not None), None),
        is_dng=any(part.is_dng for part in parts),
        problems=tuple(problems),
    )


def guarded(parts: Iterator[Found]) -> Iterator[Found]:
    """Give the parts on until one cannot be read, and then why: the rest of the file may be fine."""
    try:
        yield from parts
    except NotReadableError as why:
        yield Found(problems=(str(why),))


def time_part(text: str, moment: Moment | None, origin: TimeOrigin) -> Found:
    """Give a time that was read, nothing if the file says it is unknown, else that it is not understood."""
    if moment is not None:
        return Found(times=(moment.as_capture(origin),))
    if is_unset(text):
        return Found()
    return Found(problems=(f"the {_NAMES[origin]} {shown(text)} is not in a form that is known",))


_NAMES: Final = {
    TimeOrigin.ORIGINAL: "capture time",
    TimeOrigin.CREATION: "creation date",
    TimeOrigin.DIGITIZED: "time of digitizing",
    TimeOrigin.RECORDED: "recording time",
    TimeOrigin.XMP: "capture time in XMP",
    TimeOrigin.MOVIE: "movie's time",
    TimeOrigin.CHANGED: "time of the last edit",
    TimeOrigin.FILE: "file time",
}


def shown(text: str) -> str:
    """Give a value from a file as it may stand in a message: short, and nothing that acts on a terminal."""
    return ascii(text if len(text) <= _SHOWN_CHARS else text[:_SHOWN_CHARS] + "...")


def clean_text(value: bytes) -> str:
    """Give text of a tag, trimmed and up to its NUL; UTF-8 where it is that, else Latin-1 (Exif: ASCII)."""
    value = value[:TEXT_LIMIT_BYTES].lstrip(b"\0").split(b"\0", 1)[0]
    try:
        text = value.decode("utf-8")
    except UnicodeDecodeError:
        text = value.decode("latin-1")
    return "".join(char if char.isprintable() else " " for char in text).strip()
