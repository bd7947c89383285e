"""What one file says about itself, whatever it is and however badly it is broken.

The only module of this room that is called for content. Reads through a bounded window; a file that lies
about its lengths costs a bounded number of steps and bytes. May not raise for anything that a file holds,
because the file is copied in any case: it may be all there is (promise I19).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from replicatord.media.found import Found, guarded, join
from replicatord.media.names import is_raw_format, kind_and_format_of_name, kind_of_format
from replicatord.media.sniff import HEAD_BYTES, Sniffed, sniff
from replicatord.media.window import Source, Window
from replicatord.media.xmp import read_xmp
from replicatord.model.frames import Facts, Kind

if TYPE_CHECKING:
    from collections.abc import Iterator

OUR_MISTAKE: Final = "our reader made a mistake on it"  # tests look for this: it must never appear
_PROBLEM_MAX_CHARS: Final = 300
_ALWAYS_READ: Final = frozenset({"jpeg", "mpo", "heic", "heif", "avif", "tiff", "wav", "m4a"})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Known:
    """What is known of a file once its first bytes were seen, and who reads the rest."""

    kind: Kind
    format: str
    parts: Iterator[Found]


def read_facts(fd: int, *, name: bytes, size_bytes: int, head: bytes = b"") -> Facts:
    """Give kind, format, capture time, camera and stars of an open regular file.

    `head` is what it begins with, as far as the caller has read it.

    Reads at most READ_LIMIT_BYTES with pread, so the file's position stays where it was. Whatever cannot be
    read is absent, and `problem` says why.
    Raises: OSError when the disk fails; nothing for what the file holds.
    """
    named_kind, named_format, _ = kind_and_format_of_name(name)
    source = Window(fd, size_bytes=size_bytes, head=head)
    kind, format_name, found = named_kind, named_format, Found()
    try:
        if named_kind is not Kind.OTHER:
            known = _recognise(source, named_kind, named_format)
            kind, format_name = known.kind, known.format
            found = join(guarded(known.parts))
    except OSError:
        raise
    except Exception as mistake:  # noqa: BLE001  a file we misread must be copied all the same
        found = Found(problems=(f"{OUR_MISTAKE} ({type(mistake).__name__})",))
    if found.is_dng and format_name == "tiff":
        format_name = "dng"
    return _facts(kind, format_name, found)


def _recognise(source: Source, kind: Kind, format_name: str) -> _Known:
    """Let the first bytes confirm or overrule what the name says."""
    if source.size_bytes == 0:
        return _Known(kind=kind, format=format_name, parts=_only_problem("it is empty"))
    if kind is Kind.SIDECAR:
        return _Known(kind=kind, format=format_name, parts=read_xmp(source))
    seen = sniff(source.read(0, HEAD_BYTES))
    if seen is None:
        parts = _only_problem(_unknown_start(kind, format_name))
        return _Known(kind=kind, format=format_name, parts=parts)
    if format_name not in seen.fits:
        format_name = seen.format
        kind = kind if kind is Kind.THUMBNAIL else kind_of_format(format_name)
    return _Known(kind=kind, format=format_name, parts=_read_all(source, seen))


def _read_all(source: Source, seen: Sniffed) -> Iterator[Found]:
    return iter(()) if seen.read is None else seen.read(source)


def _only_problem(problem: str) -> Iterator[Found]:
    return iter((Found(problems=(problem,)),) if problem else ())


def _unknown_start(kind: Kind, format_name: str) -> str:
    """Say what it means that nothing we know starts so: a broken file, or a format we do not read."""
    shown = format_name.upper()
    if format_name in _ALWAYS_READ or kind is Kind.THUMBNAIL:
        return f"it does not start as {shown} does"
    if is_raw_format(format_name) or kind is Kind.VIDEO:
        return f"it is not a {shown} whose facts are read"
    return ""  # other pictures and sound record no capture time that we could miss


def _facts(kind: Kind, format_name: str, found: Found) -> Facts:
    problem = "; ".join(found.problems)
    if len(problem) > _PROBLEM_MAX_CHARS:
        problem = problem[:_PROBLEM_MAX_CHARS] + "..."
    return Facts(
        kind=kind,
        format=format_name,
        is_raw=is_raw_format(format_name),
        captured=found.times[0] if found.times else None,
        camera=found.camera,
        stars=found.stars,
        problem=problem,
    )
