"""`survey`: has a drive or folder that was filled before we were read once, and says what lies where.

May not read a file there itself, and changes nothing.
"""

from __future__ import annotations

import json
import os
import time
import uuid
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Final

from replicatord.cli.asking import CommandError, ask_service, ledger_for_asking, tell_quiet, wait_quiet
from replicatord.cli.show import PlainShow, TerminalShow, What, new_show
from replicatord.cli.words import counted, instant_words, shown, shown_path, size_words
from replicatord.duties.surveys import SurveyRequest, ask_survey
from replicatord.ledger.ledger import Ledger
from replicatord.ledger.lock import find_running
from replicatord.ledger.surveys import Held, Month, Survey
from replicatord.model.settings import Settings
from replicatord.studio import Studio

_LOOK_S: Final = 0.2
_FILES: Final = What(one="file", many="files", none="counting what there is")


def survey_paths(settings: Settings, paths: Sequence[str], *, name: str) -> int:
    """Have paths surveyed and show how far it is; give 0 when all was read, else 1. Raises AppError."""
    token = uuid.uuid4().hex
    request = SurveyRequest(token=token, paths=tuple(os.path.abspath(path) for path in paths), name=name)
    is_by_service = find_running(settings.ledger) is not None
    if is_by_service:
        ask_service(settings, lambda: ask_survey(settings.ledger, request))
        print("The service surveys; Ctrl-C ends only the looking on.", flush=True)
        tell_quiet(settings)
        done = _look_on(settings, request)
    else:
        done = _by_ourselves(settings, request)
    for survey in done:
        print(shown(_survey_words(survey)))
    print("`replicatord survey --report` says what lies where.")
    return 0 if all(survey.ended_at and not survey.unreadable for survey in done) else 1


def _by_ourselves(settings: Settings, request: SurveyRequest) -> list[Survey]:
    studio = Studio(settings)
    try:
        studio.start()
        wait_quiet(studio)
        studio.survey(request)
        with new_show(_FILES) as show:
            while studio.is_surveying():
                time.sleep(_LOOK_S)
                _show(show, studio.desk.look(lambda l: l.surveys.of_request(request.token)))
            done = studio.desk.look(lambda l: l.surveys.of_request(request.token))
            _show(show, done)
        wait_quiet(studio)  # the drives' own lists get what was found
    finally:
        studio.stop()
    return done


def _look_on(settings: Settings, request: SurveyRequest) -> list[Survey]:
    with new_show(_FILES) as show:
        while True:
            time.sleep(_LOOK_S)
            with ledger_for_asking(settings) as ledger:
                surveys = ledger.surveys.of_request(request.token)
            _show(show, surveys)
            if len(surveys) == len(set(request.paths)) and all(each.ended_at or each.why for each in surveys):
                return surveys
            if find_running(settings.ledger) is None:
                raise CommandError("the service ended meanwhile; start it and ask again: it goes on")


def _show(show: PlainShow | TerminalShow, surveys: Sequence[Survey]) -> None:
    show.progress(
        sum(each.done_files for each in surveys),
        sum(each.done_bytes for each in surveys),
        sum(each.total_files for each in surveys),
        sum(each.total_bytes for each in surveys),
        "surveyed",
    )


def _survey_words(survey: Survey) -> str:
    if not survey.name:
        return f"NOT surveyed: {survey.why}"
    begin = f"{survey.path} (known as {survey.name})"
    files = f"{counted(survey.done_files, 'file')}, {size_words(survey.done_bytes)}"
    bad = (
        f"; {counted(survey.unreadable, 'file')} could NOT be read, see the log" if survey.unreadable else ""
    )
    if survey.why:
        return f"{begin}: NOT through: {survey.why}; so far {files}{bad}"
    if not survey.ended_at:
        return f"{begin}: under way, {survey.done_files:,} of {counted(survey.total_files, 'file')}{bad}"
    return f"{begin}: {files}, surveyed {instant_words(survey.ended_at)}{bad}"


# ---- the report ----


def show_report(settings: Settings, *, has_list: bool, as_json: bool) -> int:
    """Say what lies where, as far as known; gives 0. Raises AppError."""
    away = [drive.name for drive in settings.drives.values() if drive.is_away]
    with ledger_for_asking(settings) as ledger:
        surveys, held, months = ledger.surveys.latest(), ledger.surveys.held(), ledger.surveys.months(away)
        not_away = ledger.surveys.on_none_away(away)
        alone = _alone(ledger) if has_list else []
    if as_json:
        fields = {
            "surveys": [asdict(each) for each in surveys],
            "places": [asdict(each) for each in held],
            "on_no_away_drive": {"files": not_away[0], "bytes": not_away[1]},
            "months": [asdict(each) for each in months],
            **({"on_one_place": [{"place": n, "path": shown_path(p)} for n, p in alone]} if has_list else {}),
        }
        print(json.dumps(fields))
        return 0
    for line in _lines(surveys, held, months, not_away, has_away=bool(away)):
        print(shown(line))
    for name, path in alone:
        print(f"  {name}: {shown_path(path)}")
    return 0


def _alone(ledger: Ledger) -> list[tuple[str, bytes]]:
    return ledger.surveys.alone()


def _lines(
    surveys: Sequence[Survey],
    held: Sequence[Held],
    months: Sequence[Month],
    not_away: tuple[int, int],
    *,
    has_away: bool,
) -> Iterator[str]:
    if not surveys:
        yield "Nothing was surveyed yet: `replicatord survey PATH` reads a drive or folder that is already full."
    for survey in surveys:
        yield _survey_words(survey)
    if not held:
        return
    yield ""
    yield "What each drive or surveyed place holds (files of the same content count once):"
    for each in held:
        again = (
            f", and {counted(each.again_files, 'further copy', 'further copies')} of that, {size_words(each.again_bytes)}"
            if each.again_files
            else ""
        )
        alone = (
            f"{counted(each.alone_files, 'file')}, {size_words(each.alone_bytes)}, nowhere else"
            if each.alone_files
            else "all on others too"
        )
        yield (
            f"  {each.name}{'' if each.is_drive else ' (no drive of the settings)'}: {counted(each.files, 'file')},"
            f" {size_words(each.size_bytes)}; {alone}{again}"
        )
    if has_away:
        yield f"On no drive that lives elsewhere: {counted(not_away[0], 'file')}, {size_words(not_away[1])}."
    else:
        yield "No drive of the settings lives elsewhere (`away: true`)."
    yield ""
    yield f"{'taken in':>10}  {'frames':>8}  {'on one only':>12}" + (
        f"  {'none away':>9}" if has_away else ""
    )
    for month in months:
        away = f"  {month.on_none_away:>9,}" if has_away else ""
        yield f"{month.name or 'no time':>10}  {month.frames:>8,}  {month.on_one_place:>12,}{away}"
