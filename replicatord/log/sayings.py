"""Says a line of the replication log in words: one short line each, in local time.

May not read files, and may not hide a field of an event that it does not know.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Final

from replicatord.log.reading import Fields
from replicatord.log.words import counted, local_time, shown, size_words

PROBLEM: Final = "PROBLEM"
_SUBJECT_WIDTH: Final = 12  # of the drive's or source's name, so that what follows stands in a column
_FRAME_FIELDS: Final = frozenset(
    {"seq", "at", "offset", "event", "level"}
)  # said elsewhere, or of no interest


def is_problem(fields: Fields) -> bool:
    """Tell whether a line says that something is or may be wrong."""
    return fields.get("level") in ("warning", "error", "critical")


def moment_of(fields: Fields) -> datetime | None:
    """Give when a line was decided, in local time; None when it does not say."""
    try:
        return local_time(_text(fields, "at"))
    except ValueError:
        return None


def said_of(fields: Fields) -> tuple[str, str]:
    """Give the drive or source that a line is about, and what happened."""
    subject, what = _SAYINGS.get(_text(fields, "event"), _say_unknown)(fields)
    return shown(subject), shown(what)


def line_words(fields: Fields) -> str:
    """Give the line: time, drive or source, what happened; a problem says so in a word."""
    moment = moment_of(fields)
    time = f"{moment:%H:%M:%S}" if moment else "--:--:--"
    subject, what = said_of(fields)
    mark = f"{PROBLEM}: " if is_problem(fields) else ""
    return shown(f"{time}  {subject:<{_SUBJECT_WIDTH}} {mark}{what}")


# ---- each event ----


def _say_verified(fields: Fields) -> tuple[str, str]:
    size = fields.get("bytes")
    notes = [_text(fields, "read_from") and f"read from {_text(fields, 'read_from')}"]
    notes.append(_text(fields, "read_back_from") and f"read back from {_text(fields, 'read_back_from')}")
    note = "; ".join(note for note in notes if note)
    size_text = size_words(size) if isinstance(size, int) else "?"
    return _drive(fields), f"{_text(fields, 'path')}  {size_text}  verified{f' ({note})' if note else ''}"


def _say_unmatched(fields: Fields) -> tuple[str, str]:
    return _drive(fields), (
        f"{_text(fields, 'path')} did not match after writing (try {_text(fields, 'tries')});"
        f" set aside as {_text(fields, 'set_aside_as')}, and tried again"
    )


def _say_load(fields: Fields) -> tuple[str, str]:
    return _text(fields, "source"), f"load {_text(fields, 'load')}: {_text(fields, 'text')}"


def _say_rescan(fields: Fields) -> tuple[str, str]:
    files, new = fields.get("files"), fields.get("new_or_changed")
    seen = counted(files, "file") if isinstance(files, int) else "files"
    why = f" ({_text(fields, 'why')})" if fields.get("why") else ""
    return _text(fields, "source"), f"looked through: {seen}, {new} new or changed{why}"


def _say_failed(fields: Fields) -> tuple[str, str]:
    last = "" if fields.get("other_copy_known") else "; NO OTHER GOOD COPY IS KNOWN"
    earlier = ", an earlier version, kept and counting no more" if fields.get("earlier_version") else ""
    return _drive(fields), f"{_text(fields, 'path')} is {_text(fields, 'finding')}{earlier}{last}"


def _say_waits(fields: Fields) -> tuple[str, str]:
    drive, text = _about("drive", "{path} waits: {reason}")(fields)
    return drive, f"{text}; NO OTHER GOOD COPY IS KNOWN" if fields.get("other_copy_known") is False else text


def _say_up_to_date(fields: Fields) -> tuple[str, str]:
    return _drive(fields), _text(fields, "text").removeprefix(_drive(fields)).strip()


def _say_started(fields: Fields) -> tuple[str, str]:
    after = _text(fields, "after")
    return "service", f"started (process {_text(fields, 'pid') or '?'}){f'; {after}' if after else ''}"


def _say_not_delivered(fields: Fields) -> tuple[str, str]:
    outlook = "it is not tried any more" if fields.get("given_up") else "it is tried again"
    message, target, reason = (_text(fields, key) for key in ("message", "target", "reason"))
    return "service", f"a message ({message}) could not be sent to {target}: {reason}; {outlook}"


def _say_settings_read(fields: Fields) -> tuple[str, str]:
    changes = _texts(fields, "changes")
    return "settings", f"read: {'; '.join(changes) if changes else 'nothing changed'}"


def _say_settings_broken(fields: Fields) -> tuple[str, str]:
    kept = _text(fields, "kept") or "the settings before"
    return "settings", f"not usable, {kept} stay: {'; '.join(_texts(fields, 'problems'))}"


def _say_unknown(fields: Fields) -> tuple[str, str]:
    subject = "drive" if fields.get("drive") else "source"
    rest = (f"{key}={value}" for key, value in fields.items() if key not in _FRAME_FIELDS and key != subject)
    return _text(fields, subject), " ".join([_text(fields, "event") or "a line without an event", *rest])


def _about(subject: str, template: str) -> Callable[[Fields], tuple[str, str]]:
    """Make the saying of an event from a template that names its fields."""

    def say(fields: Fields) -> tuple[str, str]:
        values = _Values(fields)
        return (_text(fields, subject) if subject in fields else "service"), template.format_map(values)

    return say


class _Values(dict[str, object]):
    """Fields for a template; one that is not there reads as "?", since a log outlives its program."""

    def __missing__(self, key: str) -> str:
        return "?"


_SAYINGS: Final[Mapping[str, Callable[[Fields], tuple[str, str]]]] = MappingProxyType(
    {
        "copy_verified": _say_verified,
        "copy_did_not_match": _say_unmatched,
        "reading_in_doubt": _about(
            "source", "{path}: two copies were alike, and not what was read of it first; it is read again"
        ),
        "copy_waits": _say_waits,
        "copy_refiled": _about("drive", "{from_path} is now filed as {path}"),
        "copy_no_longer_asked_for": _about("drive", "{path} is no longer asked for; the copy is kept"),
        "copies_no_longer_asked_for": _about("", "{files} copies: {reason}"),
        "earlier_version_kept": _about("drive", "{path}: the earlier version is kept as {kept_as}"),
        "earlier_version_let_go": _about(
            "drive", "{path} was removed, as `keep_earlier` says; {also_on} has it too"
        ),
        "earlier_version_is_bad": _about(
            "drive",
            "{path}: the earlier version is not good ({reason}), and counts no more; nothing was removed",
        ),
        "path_was_taken": _about("drive", "{path} was taken by something else; copied as {instead}"),
        "copy_is_suspect": _about(
            "drive", "{path}: its copy is not good ({reason}); it counts no more, and is looked at"
        ),
        "copy_is_good_again": _about("drive", "{path} was in doubt; read again, it is as it should be"),
        "copies_proved_again": _say_up_to_date,
        "fixity_check": _about("drive", "fixity check: {text}"),
        "fixity_check_failed": _say_failed,
        "rehearsal_done": _about("", "rehearsal: {text}"),
        "rehearsal_not_made": _about("", "no rehearsal could be made: {reason}"),
        "previews_not_made": _about("", "no previews are made: {reason}"),
        "spare_not_made": _about("", "{reason}"),
        "unknown_files": _about(
            "drive", "{files} files on it are none of ours and are left alone: {examples}"
        ),
        "copy_set_aside": _about("drive", "{path}: {reason}; the bad file is kept as {set_aside_as}"),
        "copy_refused": _about(
            "drive", "{path} cannot be held by this drive: {reason}; it is not tried again"
        ),
        "shelf_goes_on": _about("drive", "{files} files: {reason}"),
        "drive_is_here": _about("drive", "is here"),
        "drive_is_up_to_date": _say_up_to_date,
        "drive_does_not_answer": _about("drive", "{reason}"),
        "drive_waits": _about("drive", "waits: {reason}"),
        "drive_is_away": _about("drive", "is away: {reason}"),
        "drives_in_one_place": _about("", "{text}"),
        "drive_is_another": _about(
            "drive", "is another drive than before: {files} copies are asked for again"
        ),
        "facts_not_read": _about(
            "", "{source}: its facts could not be read ({reason}); it is copied all the same"
        ),
        "file_not_readable": _about("", "{source} cannot be read: {reason}; it is tried again"),
        "source_not_readable": _about("source", "cannot be looked through: {reason}"),
        "not_taken": _about("source", "{entries} of it are not copied ({reason}), such as {examples}"),
        "source_not_watched": _about("source", "is not watched: {reason}"),
        "rescan_done": _say_rescan,
        "source_held": _about("source", "HELD: {reason}"),
        "source_released": _about("source", "released: copies follow its changes again"),
        "card_found": _about("card", "a card was put in, at {mount}"),
        "card_gone": _about("card", "the card is gone from {mount}"),
        "card_pulled_early": _about("card", "{reason} ({mount})"),
        "card_not_read_whole": _about("card", "at {mount}: {reason}"),
        "card_not_readable": _about("", "what is mounted at {mount} cannot be looked at: {reason}"),
        "card_does_not_answer": _about("card", "at {mount}: {reason}"),
        "load_ended": _say_load,
        "load_cleared": _say_load,
        "clock_was_set": _about(
            "", "somebody set the clock of this machine by {seconds} s; order is told by numbers"
        ),
        "quiet_hours_begun": _about("", "quiet hours: drives are left alone until {until}"),
        "quiet_hours_over": _about("", "quiet hours are over"),
        "job_failed": _about("", "what runs by the clock failed ({job}): {reason}; it is tried again"),
        "service_started": _say_started,
        "service_stopped": _about("", "stopped: {reason}"),
        "settings_read": _say_settings_read,
        "settings_broken": _say_settings_broken,
        "settings_cost": _about("", "the settings ask for: {text}"),
        "settings_not_watched": _about("", "edits of the settings are noticed a little later: {reason}"),
        "survey_begun": _about("name", "is surveyed: {files} files in {survey_of}"),
        "survey_not_read": _about("name", "{path} cannot be read: {reason}"),
        "not_surveyed": _about("name", "{entries} of it are not read ({reason}), such as {examples}"),
        "survey_done": _about("name", "surveyed: {text}"),
        "survey_stopped": _about("name", "the survey was not finished: {reason}; so far {text}"),
        "visit_overdue": _about("drive", "{text}"),
        "month_waits": _about("", "{text}"),
        "page_not_served": _about(
            "", "the page cannot be served on port {port}: {reason}; it is tried again"
        ),
        "message_not_delivered": _say_not_delivered,
        "messages_delivered_again": _about("", "{target} takes messages again"),
    }
)


def _drive(fields: Fields) -> str:
    return _text(fields, "drive")


def _text(fields: Fields, key: str) -> str:
    value = fields.get(key)
    return "" if value is None else str(value)


def _texts(fields: Fields, key: str) -> list[str]:
    value = fields.get(key)
    return [str(item) for item in value] if isinstance(value, list) else []
