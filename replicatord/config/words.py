"""Says parts of the settings in plain words, for the summary and for what changed.

May not judge the settings: it only says them.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from replicatord.config.units import words_for_duration, words_for_hours, words_for_size
from replicatord.model.copies import Medium
from replicatord.model.frames import Kind
from replicatord.model.settings import AddressIn

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from replicatord.model.settings import (
        Drive,
        FixityCheck,
        HoldWhen,
        LimitRate,
        Only,
        Source,
        Target,
        Tell,
        Trip,
    )

_KINDS: Final = MappingProxyType(
    {
        Kind.PHOTO: "photos",
        Kind.VIDEO: "videos",
        Kind.AUDIO: "sound recordings",
        Kind.SIDECAR: "sidecars",
        Kind.THUMBNAIL: "thumbnails",
        Kind.OTHER: "other files",
    }
)
_MEDIA: Final = MappingProxyType(
    {
        Medium.HDD: "hard disk",
        Medium.SSD: "solid-state disk",
        Medium.CLOUD: "cloud folder",
        Medium.NETWORK: "network share",
    }
)


def joined(names: Iterable[str], last: str = "and") -> str:
    """Give "a, b and c"."""
    words = list(names)
    return (
        words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}" if words else "nothing"
    )


def counted(count: int, word: str, plural: str | None = None) -> str:
    """Give "1 drive" or "3 drives"."""
    return f"{count} {word}" if count == 1 else f"{count} {plural or f'{word}s'}"


def star_words(min_stars: int) -> str:
    """Say what stars at least mean; -1 is a rejected frame (ISO 16684-1, xmp:Rating)."""
    if min_stars < 0:
        return "with any stars, rejected ones too"
    return f"with {counted(min_stars, 'star')} or more" if min_stars else "that are not rejected"


def only_words(only: Only) -> str:
    """Say which frames a tier takes."""
    what = joined(name for kind, name in _KINDS.items() if kind in only.kinds) if only.kinds else "frames"
    conditions = list(_conditions(only))
    if not conditions:
        return what if only.kinds else "all frames"
    return f"{what} {joined(conditions)}"


def source_words(source: Source) -> str:
    """Say what is taken from where."""
    return f"takes each card that is mounted at {source.card}" if source.card else f"watches {source.folder}"


def drive_words(drive: Drive) -> str:
    """Say what a drive is, where it is and what is asked of it."""
    words = [f"{_MEDIA[drive.medium]} {'mounted at' if drive.is_mount else 'at'} {drive.root}"]
    if drive.shelf:
        words.append(f"on shelf {drive.shelf}")
    if drive.disk:
        words.append(f"on disk {drive.disk}")
    if drive.pretend_disk:
        words.append(f"PRETENDED to be on disk {drive.pretend_disk}, wherever it lies")
    if drive.limit_bytes is not None:
        what = "of our copies" if drive.is_mount else "with all that lies there"
        words.append(f"at most {words_for_size(drive.limit_bytes)} {what}")
    if drive.is_away:
        every = drive.visit_every_s
        words.append(f"away, visits every {words_for_duration(every)}" if every else "away")
    return ", ".join(words)


def filled_words(drives: Sequence[str]) -> str:
    """Say in which order the drives of a shelf are filled."""
    return ", then ".join(drives)


def trip_words(trip: Trip) -> str:
    """Say when a trip was and under which month it is filed."""
    return f"{trip.name}, {trip.first} to {trip.last}, filed under {trip.first:%Y-%m}"


def fixity_words(check: FixityCheck | None) -> str:
    """Say how often copies are read again."""
    if check is None:
        return "never"
    hours = f", {words_for_hours(check.between)}" if check.between else ""
    return f"every {words_for_duration(check.every_s)}{hours}"


def rate_words(limit: LimitRate | None) -> str:
    """Say how fast each drive is copied to at most."""
    if limit is None:
        return "as fast as it goes"
    hours = f", {words_for_hours(limit.between)}" if limit.between else ""
    return f"at most {words_for_size(limit.bytes_per_s)} a second{hours}"


def hold_words(hold: HoldWhen) -> str:
    """Say when replacing stops."""
    return f"{hold.share:.0%} of a source's files change within {words_for_duration(hold.within_s)}"


def target_words(number: int, target: Target) -> str:
    """Name a target by its place in the settings, from 1, without its address, which may be secret."""
    if target.address_in is AddressIn.SETTINGS:
        return f"target {number} ({target.address.partition(':')[0].lower()})"
    return f"target {number} ({target.address_in.value} {target.named})"


def tell_words(tell: Tell | None) -> str:
    """Say who is told when something is wrong."""
    if tell is None:
        return "nobody"
    names = [target_words(number, target) for number, target in enumerate(tell.to, start=1)]
    return f"{joined(names)}, at most {tell.at_most} messages a day"


def earlier_words(keep_s: float | None) -> str:
    """Say how long earlier versions are kept."""
    if keep_s is None:
        return "for ever"
    return f"for {words_for_duration(keep_s)}, and for ever on the last drive that has them"


def previews_words(limit_bytes: int) -> str:
    """Say how much room previews may take."""
    return f"up to {words_for_size(limit_bytes)}" if limit_bytes else "none"


def page_words(port: int | None) -> str:
    """Say where the page is served."""
    return "not served" if port is None else f"http://127.0.0.1:{port}"


def _conditions(only: Only) -> Sequence[str]:
    words = []
    if only.formats:
        words.append(f"of format {joined(sorted(only.formats), 'or')}")
    if only.min_stars is not None:
        words.append(star_words(only.min_stars))
    if only.cameras:
        words.append(f"by cameras like {joined(only.cameras, 'or')}")
    if only.folders:
        words.append(f"in folders like {joined(only.folders, 'or')}")
    if only.older_than_s is not None:
        words.append(f"older than {words_for_duration(only.older_than_s)}")
    if only.younger_than_s is not None:
        words.append(f"younger than {words_for_duration(only.younger_than_s)}")
    return words
