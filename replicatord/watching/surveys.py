"""Has drives and folders surveyed that were filled before we were: disks side by side, one disk's paths in turn.

May not read a file itself, and may not survey what a source or a lane looks after.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from datetime import tzinfo

from replicatord.copying.context import Context
from replicatord.drives.disks import disk_below
from replicatord.drives.kernel import set_background
from replicatord.watching.surveying import Ground, Surveyor, SurveyRefused, find_ground


class SurveyThread(threading.Thread):
    """Surveys the paths of one disk, one after another, so that its head is not torn to and fro."""

    def __init__(self, surveyors: Sequence[Surveyor], paths: Sequence[str]) -> None:
        """Begin with what is to be surveyed, and how a person called it."""
        super().__init__(name="survey", daemon=True)
        self._surveyors, self.paths = surveyors, frozenset(paths)
        self.failure: BaseException | None = None

    def run(self) -> None:
        """Survey all of it."""
        set_background()
        try:
            for surveyor in self._surveyors:
                surveyor.run()
        except BaseException as exc:  # noqa: BLE001  its death must be seen by the service, whatever it was
            self.failure = exc


def begin_surveys(  # noqa: PLR0913  what is asked for, and what it depends on
    context: Context,
    paths: Sequence[str],
    *,
    name: str,
    token: str,
    zone: tzinfo,
    under_way: frozenset[str],
    is_visiting: Callable[[str], bool],
) -> list[SurveyThread]:
    """Begin surveys, and note in the ledger, under `token`, how far they are, and what cannot be surveyed and why.

    `name` is for a medium that is new, "" for the name of its folder.
    `under_way` are the paths that are being surveyed; `is_visiting` tells that a lane works on a drive.
    """
    by_disk: dict[str, list[Ground]] = {}
    for path in dict.fromkeys(paths):
        try:
            ground = _find(context, path, name, under_way)
            by_disk.setdefault(_disk_of(ground), []).append(ground)
        except SurveyRefused as exc:
            _refuse(context, token, path, str(exc))
        except OSError as exc:
            _refuse(context, token, path, f"{path}: {exc.strerror or exc}")
    threads = []
    for grounds in by_disk.values():
        surveyors = [
            Surveyor(
                context,
                ground,
                _note_begun(context, token, ground),
                zone=zone,
                must_wait=lambda bay=ground.bay: bool(bay) and is_visiting(bay),  # type: ignore[misc]
            )
            for ground in grounds
        ]
        threads.append(SurveyThread(surveyors, [ground.path for ground in grounds]))
    return threads


def _find(context: Context, path: str, name: str, under_way: frozenset[str]) -> Ground:
    if path in under_way:
        raise SurveyRefused(f"{path} is being surveyed already")
    return find_ground(context, path, name)


def _disk_of(ground: Ground) -> str:
    fd = os.open(ground.root, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        return disk_below(fd) or str(ground.device)
    finally:
        os.close(fd)


def _note_begun(context: Context, token: str, ground: Ground) -> int:
    return context.desk.ask(
        lambda l: l.surveys.begin(token=token, path=ground.path, name=ground.name, at=context.at())
    )


def _refuse(context: Context, token: str, path: str, why: str) -> None:
    context.desk.ask(lambda l: l.surveys.begin(token=token, path=path, name="", at=context.at(), why=why))
