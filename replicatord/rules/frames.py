"""Which files make up a frame, and what the frame as a whole says of itself.

May not read anything: the files were read before. A frame's files share a folder and a stem
(DCF objects, CIPA DC-009, section 3.2: files of one object share the file number).
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from replicatord.model.frames import CaptureTime, Frame, FrameId, Kind, SeenFile, TimeOrigin

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TRUST = {origin: rank for rank, origin in enumerate(TimeOrigin)}
_MAIN_RANK = {
    Kind.PHOTO: 1,
    Kind.VIDEO: 3,
    Kind.AUDIO: 4,
    Kind.OTHER: 5,
    Kind.THUMBNAIL: 6,
    Kind.SIDECAR: 7,
}


def assemble_frame(frame_id: FrameId, *, stem: bytes, files: Sequence[SeenFile], zone: tzinfo) -> Frame:
    """Make one frame of files that share source, folder and `stem`.

    Needs at least one file. `zone` turns a file time into wall time where no capture time was recorded.
    Raises ValueError when `files` is empty.
    """
    if not files:
        raise ValueError("a frame has at least one file")
    ordered = tuple(sorted(files, key=lambda file: file.name))
    main = min(ordered, key=_main_rank)
    return Frame(
        id=frame_id,
        source=main.source,
        folder=main.folder,
        stem=stem,
        files=ordered,
        main=main,
        captured=_captured(main, ordered, zone),
        stars=_stars(main, stem, ordered),
        camera=main.facts.camera or next((f.facts.camera for f in ordered if f.facts.camera), ""),
        kind=main.facts.kind,
        format=main.facts.format,
    )


def file_time(mtime_ns: int, zone: tzinfo) -> CaptureTime:
    """Give the wall time of a file's modification; the epoch for a time no calendar can hold.

    Times before 1970 and beyond the year 9999 occur on damaged cards.
    """
    try:
        moment = (_EPOCH + timedelta(microseconds=mtime_ns // 1000)).astimezone(zone)
    except (OverflowError, ValueError):
        moment = _EPOCH
    offset = moment.utcoffset() or timedelta(0)
    return CaptureTime(
        local=moment.replace(tzinfo=None, microsecond=0),
        offset_minutes=round(offset.total_seconds() / 60),
        origin=TimeOrigin.FILE,
    )


def _main_rank(file: SeenFile) -> tuple[int, int, bytes]:
    rank = 0 if file.facts.is_raw else _MAIN_RANK[file.facts.kind]
    # HEIC or TIFF before the JPEG that was made from it.
    return rank, int(file.facts.format == "jpeg"), file.name


def _captured(main: SeenFile, files: Sequence[SeenFile], zone: tzinfo) -> CaptureTime:
    if main.facts.captured is not None:
        return main.facts.captured
    # A clip or an old raw records no time of its own; its .THM or sidecar does.
    companions = [f.facts.captured for f in files if f.facts.captured is not None]
    if companions:
        return min(companions, key=lambda time: _TRUST[time.origin])
    return file_time(main.stat.mtime_ns, zone)


def _stars(main: SeenFile, stem: bytes, files: Sequence[SeenFile]) -> int:
    """Give the frame's stars: the sidecar's word before the file's own, since people edit sidecars.

    Of two sidecars the one named after the whole main file wins (NAME.EXT.xmp before STEM.xmp).
    """
    sidecars = [f for f in files if f.facts.kind is Kind.SIDECAR and f.facts.stars is not None]
    own = (main.name + b".xmp").lower()
    plain = (stem + b".xmp").lower()
    sidecars.sort(key=lambda f: (f.name.lower() != own, f.name.lower() != plain, f.name))
    for file in (*sidecars, main, *files):
        if file.facts.stars is not None:
            return file.facts.stars
    return 0
