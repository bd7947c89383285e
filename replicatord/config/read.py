"""Reads a settings file and gives the frozen `Settings`, or every mistake in it with its place.

May not decide what a setting does. Reads one file, and writes nothing.
"""

from __future__ import annotations

import os
import stat
from itertools import islice
from typing import TYPE_CHECKING, Any, Final

from pydantic import ValidationError

from replicatord.config.checks import find_conflicts
from replicatord.config.findings import Finding
from replicatord.config.loader import SIZE_MAX_BYTES, Document, Mark, Path, load_document
from replicatord.config.problem import (
    PROBLEMS_MAX,
    Mistake,
    Problem,
    SettingsProblems,
    WrongValue,
    listed,
    nearest_of,
    quoted,
)
from replicatord.config.shape import DriveShape, FileShape, OnlyShape, PageShape, SourceShape, known_keys
from replicatord.config.values import shown
from replicatord.model.settings import (
    PAGE_PORT,
    Drive,
    FixityCheck,
    HoldWhen,
    LimitRate,
    Only,
    Settings,
    Source,
    Tell,
    Tier,
    Trip,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

_START: Final = "; config/first-drive.yaml is the smallest one to start from"
_CLEARED_COPIES: Final = 2  # the default of Settings.cleared_copies
_PREVIEWS_LIMIT_BYTES: Final = 2_000_000_000  # the default of Settings.previews_limit_bytes


def read_settings(path: str) -> Settings:
    """Read the settings file at `path`. Raises SettingsProblems, and nothing else, for whatever is wrong."""
    try:
        data = _read_bounded(path)
    except FileNotFoundError as error:
        raise _unreadable(path, "no such file", "the path of a settings file" + _START) from error
    except PermissionError as error:
        raise _unreadable(
            path, "a file that may not be read", "permission for this user to read it"
        ) from error
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        raise _unreadable(path, f"no readable file ({error})", "the path of a settings file") from error
    return parse_settings(data, file=path)


def parse_settings(data: bytes, *, file: str) -> Settings:
    """Make settings of a file's content; `file` is its name for problems and for `Settings.file`.

    Raises SettingsProblems with every mistake, in the order of the file. Looks at the disk only to follow
    symbolic links in the paths that are named; nothing needs to exist.
    """
    document = load_document(data, file=file)
    shape, findings = _shaped(document)
    findings += find_conflicts(document.values)
    findings += _disguised(shape, document, data)
    problems = [*document.problems, *(_problem(finding, document) for finding in findings)]
    if problems or shape is None:
        ordered = sorted(problems, key=lambda problem: (problem.line or 0, problem.column or 0))
        raise SettingsProblems(tuple(ordered[:PROBLEMS_MAX]))
    return _settings(shape, file)


# ---- the file ----


def _read_bounded(path: str) -> bytes:
    # O_NONBLOCK: opening a FIFO that nobody writes to would wait for ever; open(2).
    fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            raise OSError("not a regular file")
        chunks: list[bytes] = []
        room = SIZE_MAX_BYTES + 1  # one more than allowed, so that the loader sees that it is too much
        while room > 0 and (chunk := os.read(fd, room)):
            chunks.append(chunk)
            room -= len(chunk)
        return b"".join(chunks)
    finally:
        os.close(fd)


def _unreadable(path: str, found: str, expected: str) -> SettingsProblems:
    return SettingsProblems((Problem(file=path, found=found, expected=expected),))


# ---- mistakes ----


def _shaped(document: Document) -> tuple[FileShape | None, list[Finding]]:
    try:
        return FileShape.model_validate(document.values), []
    except ValidationError as error:
        details = error.errors(include_url=False)
        found = (finding for detail in details for finding in _findings(dict(detail)))
        return None, list(islice(found, PROBLEMS_MAX))


def _disguised(shape: FileShape | None, document: Document, data: bytes) -> list[Finding]:
    """Find addresses that do not stand in the file as they are, and could not be taken out where it is remembered."""
    targets = shape.tell.to if shape is not None and shape.tell is not None else []
    mistake = Mistake(
        found="an address with escapes or line breaks", expected="an address on one line, as it is"
    )
    lines = data.decode("utf-8-sig", "replace").split("\n")
    found = []
    for number, target in enumerate(targets):
        path = ("tell", "to", number)
        mark = document.places[path].value
        typed = lines[mark.line - 1][mark.column - 1 :] if mark.line <= len(lines) else ""
        if target.address and not typed.lstrip("\"'").startswith(target.address):
            found.append(Finding(path=path, mistake=mistake))
    return found


def _findings(detail: dict[str, Any]) -> Iterator[Finding]:
    """Say one of pydantic's errors in the words of a settings file."""
    path: Path = detail["loc"]
    match detail["type"]:
        case "value_error" if isinstance(detail["ctx"]["error"], WrongValue):
            for mistake in detail["ctx"]["error"].mistakes:
                yield Finding(path=path, mistake=mistake)
        case "missing":
            yield Finding(path=path[:-1], mistake=_missing(path), on_key=True)
        case "extra_forbidden":
            yield Finding(path=path, mistake=_unknown_key(path), on_key=True)
        case "too_short":
            yield _finding(path, detail, "at least one entry, or the key left out where that is allowed")
        case "too_long":
            yield _finding(path, detail, f"at most {detail['ctx']['max_length']} entries")
        case "list_type":
            yield _finding(path, detail, "a list, as [first, second]")
        case "dict_type" | "model_type" | "model_attributes_type":
            keys = known_keys(path)
            lines = f" with the keys {listed(keys)}" if keys else ", each under a name of its own"
            yield _finding(path, detail, f"`key: value` lines{lines}")
        case _:
            yield _finding(path, detail, str(detail["msg"]))


def _finding(path: Path, detail: dict[str, Any], expected: str) -> Finding:
    return Finding(path=path, mistake=Mistake(found=shown(detail["input"]), expected=expected))


def _missing(path: Path) -> Mistake:
    key = str(path[-1])
    meaning = known_keys(path[:-1]).get(key, "").partition(". ")[0].rstrip(".")
    return Mistake(found=f"no key '{key}'", expected=f"{key}: {meaning[:1].lower()}{meaning[1:]}")


def _unknown_key(path: Path) -> Mistake:
    key, known = str(path[-1]), known_keys(path[:-1])
    found = f"the key {quoted(key)}"
    return Mistake(found=found, expected=f"one of the keys {listed(known)}", nearest=nearest_of(key, known))


def _problem(finding: Finding, document: Document) -> Problem:
    mark = _mark(finding, document)
    mistake = finding.mistake
    return Problem(
        file=document.file,
        line=mark.line,
        column=mark.column,
        found=mistake.found,
        expected=mistake.expected,
        nearest=mistake.nearest,
    )


def _mark(finding: Finding, document: Document) -> Mark:
    """Give the place of a finding: its own, or that of the closest group around it."""
    path = finding.path
    while path not in document.places:
        path = path[:-1]
    place = document.places[path]
    return place.key if finding.on_key else place.value


# ---- settings ----


def _settings(shape: FileShape, file: str) -> Settings:
    fixity = shape.fixity_check
    return Settings(
        file=file,
        studio=shape.studio,
        ledger=shape.ledger,
        log=shape.log,
        digest=shape.digest,
        sources={name: _source(name, source) for name, source in shape.sources.items()},
        drives={name: _drive(name, drive) for name, drive in shape.drives.items()},
        tiers={
            name: Tier(
                name=name,
                sources=tuple(tier.from_),
                shelves=tuple(tier.to),
                only=_only(tier.only),
                layout=tier.layout,
            )
            for name, tier in shape.tiers.items()
        },
        trips=tuple(Trip(name=trip.name, first=trip.from_, last=trip.until) for trip in shape.trips),
        cleared_copies=shape.cleared_when.copies if shape.cleared_when else _CLEARED_COPIES,
        keep_free_bytes=shape.keep_free,
        fixity_check=FixityCheck(every_s=fixity.every, between=fixity.between) if fixity else None,
        hold_when=HoldWhen(share=shape.hold_when.changed, within_s=shape.hold_when.within)
        if shape.hold_when
        else HoldWhen(),
        tell=Tell(to=tuple(shape.tell.to), at_most=shape.tell.at_most) if shape.tell else None,
        keep_earlier_s=shape.keep_earlier,
        previews_limit_bytes=shape.previews.limit if shape.previews else _PREVIEWS_LIMIT_BYTES,
        settle_s=shape.settle,
        load_ends_after_s=shape.load_ends_after,
        rescan_every_s=shape.rescan_every,
        page_port=_port(shape.page),
        revisit_every_s=shape.revisit_every,
        log_rotate_bytes=shape.log_rotate,
        limit_rate=LimitRate(bytes_per_s=shape.limit_rate.to, between=shape.limit_rate.between)
        if shape.limit_rate
        else None,
        quiet_hours=shape.quiet_hours,
        memory_bytes=shape.memory,
        never_taken=tuple(shape.never_take),
    )


def _port(shape: PageShape | None) -> int | None:
    if shape is None:
        return PAGE_PORT
    return shape.port if shape.serve else None


def _source(name: str, shape: SourceShape) -> Source:
    return Source(name=name, folder=shape.folder or "", card=shape.card or "")  # one of them: `overlaps`


def _drive(name: str, shape: DriveShape) -> Drive:
    return Drive(
        name=name,
        root=shape.mount or shape.folder or "",  # one of them is there: `overlaps` has seen to it
        is_mount=shape.mount is not None,
        medium=shape.medium,
        shelf=shape.shelf or "",
        disk=shape.disk or "",
        pretend_disk=shape.pretend_disk or "",
        limit_bytes=shape.limit,
        is_away=shape.away,
        visit_every_s=shape.visit_every,
    )


def _only(shape: OnlyShape | None) -> Only:
    if shape is None:
        return Only()
    return Only(
        kinds=frozenset(shape.kinds),
        formats=frozenset(shape.formats),
        min_stars=shape.min_stars,
        cameras=tuple(shape.cameras),
        folders=tuple(shape.folders),
        older_than_s=shape.older_than,
        younger_than_s=shape.younger_than,
    )
