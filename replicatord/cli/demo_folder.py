"""`demo`: draws an invented studio into a folder, with settings, sources and adopted drives.

May not write outside of that folder, nor into one that holds anything.
"""

from __future__ import annotations

import json
import os
import shlex
from datetime import UTC, datetime
from typing import Final

from replicatord.cli.asking import CommandError
from replicatord.cli.demo.card import draw_card, draw_favourites
from replicatord.config import read_settings
from replicatord.drives.adopt import Refusal, adopt, look_at
from replicatord.log.times import utc_text

_CARD: Final = os.path.join("cards", "2026-02-05")
_FAVOURITES: Final = "favourites"
_STATE: Final = "state"
_DRIVES: Final = ("curlew", "dunlin", "north-cloud")
_SETTINGS: Final = """\
# Settings of the demo: as config/replicatord.yaml, with plain folders for drives and short waits. They all lie on
# one disk, which counts as one place; `pretend_disk` lets each stand for a disk of its own, only to try this out.
studio: Tidewrack Studio
ledger: {ledger}
log: {log}

sources:
  cards: {{folder: {cards}}}
  favourites: {{folder: {favourites}}}

drives:
  curlew: {{folder: {curlew}, medium: hdd, pretend_disk: curlew}}
  dunlin: {{folder: {dunlin}, medium: ssd, pretend_disk: dunlin}}
  north-cloud: {{folder: {north_cloud}, medium: cloud, limit: 15GB}}

tiers:
  everything:
    from: [cards, favourites]
    to: [curlew, dunlin]
    layout: "{{year}}/{{month}}/{{folder}}/{{name}}"
  best:
    from: [favourites]
    only: {{kinds: [photo], min_stars: 1}}
    to: [north-cloud]
    layout: "best/{{format}}/{{year}}/{{name}}"

trips:
  - {{name: Outer Skerries, from: 2026-01-26, until: 2026-02-04}}   # filed under January

cleared_when: {{copies: 2}}
keep_free: 0GB
settle: 1s
load_ends_after: 3s
"""


def make_demo(folder: str) -> int:
    """Draw the demo into `folder`, adopt its drives and say what to do next; gives 0. Raises AppError."""
    root = os.path.abspath(folder)
    try:
        os.makedirs(root, exist_ok=True)
        if os.listdir(root):
            raise CommandError(f"{root} is not empty; name a new or empty folder for the demo")
        for name in (_CARD, _FAVOURITES, _STATE, *_DRIVES):
            os.makedirs(os.path.join(root, name))
    except OSError as exc:
        raise CommandError(
            f"the demo could not be made in {root}: {exc.strerror}; name another folder"
        ) from exc
    draw_card(os.path.join(root, _CARD))
    draw_favourites(os.path.join(root, _FAVOURITES))
    file = _write_settings(root)
    _adopt_all(file)
    _print_next(root, file)
    return 0


def _write_settings(root: str) -> str:
    def quoted(*parts: str) -> str:
        # A JSON string is a YAML one (YAML 1.2.2, section 1.3), whatever the folder is called.
        return json.dumps(os.path.join(root, *parts), ensure_ascii=False)

    text = _SETTINGS.format(
        ledger=quoted(_STATE, "ledger.sqlite"),
        log=quoted(_STATE, "replication.jsonl"),
        cards=quoted("cards"),
        favourites=quoted(_FAVOURITES),
        curlew=quoted("curlew"),
        dunlin=quoted("dunlin"),
        north_cloud=quoted("north-cloud"),
    )
    path = os.path.join(root, "replicatord.yaml")
    try:
        with open(path, "w", encoding="utf-8") as file:
            file.write(text)
    except (OSError, ValueError) as exc:
        raise CommandError(f"the demo's settings could not be written to {path}: {exc}") from exc
    return path


def _adopt_all(file: str) -> None:
    settings = read_settings(file)
    for drive in settings.drives.values():
        found = look_at(drive, settings)
        if isinstance(found, Refusal):
            raise CommandError(f"the demo's drive {drive.name} was not adopted: {found.reason}")
        adopt(found, settings, at=utc_text(datetime.now(UTC)))


def _print_next(root: str, file: str) -> None:
    command = f"replicatord --settings {shlex.quote(file)}"
    print(f"The demo is in {root}: a card, favourites with stars, two drives and a cloud folder.")
    print("Next:")
    for words, why in (
        ("check-config", "what the settings say"),
        ("plan", "what would be copied"),
        ("once", "copy and prove it all"),
        ("status", "how things are"),
        ("where TIDE0001", "where the copies of a frame are"),
        ("log", "what happened"),
        ("run", "the service; drop files into cards/ while it runs, end it with Ctrl-C"),
    ):
        print(f"  {command} {words:<16} # {why}")
