"""The arrows of the house: imports go down, SQL stays in the ledger, printing in the commands.

Read from the text of the files, so nothing has to be imported for it. Where two rooms stand on one floor,
each arrow between them is listed with its reason; any other fails, naming the file.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest

PACKAGE: Final = Path(__file__).resolve().parents[2] / "replicatord"
FLOORS: Final = {
    **dict.fromkeys(("cli", "service", "once", "studio", "page"), 4),
    **dict.fromkeys(("duties", "watching", "copying"), 3),
    **dict.fromkeys(("ledger", "drives", "log", "previews"), 2),
    **dict.fromkeys(("rules", "media", "config"), 1),
    **dict.fromkeys(("model", "errors"), 0),
}
# Arrows along one floor: (from room, to module).
ALONG: Final = {
    ("cli", "replicatord.service"),  # the commands start the service
    ("cli", "replicatord.once"),  # and make one pass
    ("cli", "replicatord.page.ground"),  # by what word a page of ours is known
    ("service", "replicatord.page.ground"),  # it serves the page, in a thread apart
    ("service", "replicatord.page.serving"),
    ("service", "replicatord.studio"),  # both have all parts together
    ("once", "replicatord.studio"),
    ("config", "replicatord.media.names"),  # the names of formats, a plain table, stand once
    ("log", "replicatord.ledger.ledger"),  # lines are decided in the ledger and written by the log
    # The surroundings that all acting parts share; they hold nothing of one drive.
    ("watching", "replicatord.copying.context"),
    ("duties", "replicatord.copying.context"),
    # A card is read as sources are, and judged by what was read.
    ("duties", "replicatord.watching.card_reading"),
    ("duties", "replicatord.watching.skips"),
    ("duties", "replicatord.copying.checking"),  # what a lane is asked for
    ("cli", "replicatord.studio"),  # a check by the command itself, while no service runs
}
# The generator of the settings' schema is a command of its own: python -m replicatord.config.schema
PRINTS_BESIDES_CLI: Final = {"config/schema.py"}


def imports_of(text: str) -> Iterator[str]:
    """Give the modules that a file imports, wherever in it that is done."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            module = "." * node.level + (node.module or "")
            is_bare = module == "replicatord"
            yield from (f"replicatord.{name.name}" for name in node.names) if is_bare else (module,)


def room_of(module: str) -> str:
    """Give the room of a module of ours."""
    return module.split(".")[1]


def wrong_arrows(file: str, text: str) -> list[str]:
    """Say which imports of a file go up, or along a floor without being listed."""
    room = file.split("/", maxsplit=1)[0].removesuffix(".py")
    wrong = []
    for module in imports_of(text):
        if module.startswith("."):
            wrong.append(f"{file} imports {module}: name the room in full")
        elif module.startswith("replicatord."):
            other = room_of(module)
            goes_down = FLOORS[other] < FLOORS[room]
            if not goes_down and other != room and (room, module) not in ALONG:
                wrong.append(f"{file} imports {module}, which is not below it")
    return wrong


def files() -> list[tuple[str, str]]:
    """Give every file of the package, with its text."""
    return [
        (path.relative_to(PACKAGE).as_posix(), path.read_text(encoding="utf-8"))
        for path in sorted(PACKAGE.rglob("*.py"))
        if path.parent != PACKAGE or path.name != "__init__.py"
    ]


def test_every_file_is_in_a_room_that_the_design_knows() -> None:
    rooms = {file.split("/", maxsplit=1)[0].removesuffix(".py") for file, _ in files()}
    assert rooms - {"__main__"} <= FLOORS.keys()
    assert {"rules", "ledger", "drives", "copying", "watching"} <= rooms  # the walk found them at all


def test_imports_go_down() -> None:
    wrong = [line for file, text in files() if file != "__main__.py" for line in wrong_arrows(file, text)]
    assert not wrong, "\n".join(wrong)


def test_only_the_ledger_knows_sql() -> None:
    knowing = {file for file, text in files() if "sqlite3" in {m.split(".")[0] for m in imports_of(text)}}
    assert "ledger/connection.py" in knowing
    assert {file for file in knowing if not file.startswith("ledger/")} == set()


def test_only_the_commands_print() -> None:
    printing = {file for file, text in files() if _prints(text)}
    assert {file for file in printing if not file.startswith("cli/")} <= PRINTS_BESIDES_CLI


@pytest.mark.parametrize("room", ["rules", "model"])
def test_the_core_reads_no_clock_no_disk_and_says_nothing(room: str) -> None:
    kept_out = {"time", "random", "uuid", "logging", "structlog", "sqlite3", "threading", "pathlib", "socket"}
    for file, text in files():
        if file.startswith(f"{room}/"):
            assert not kept_out & set(imports_of(text)), file
            assert not {"open", "print", "input"} & set(_called(text)), file


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("rules/plan.py", "from replicatord.ledger.ledger import Ledger"),
        ("media/probe.py", "import replicatord.drives.kernel"),
        ("config/read.py", "def f():\n    from replicatord.ledger import ledger"),
        ("ledger/seen.py", "from replicatord import copying"),
        ("watching/looker.py", "from replicatord.copying.lane import Lane"),
        ("drives/room.py", "from replicatord.ledger.desk import LedgerDesk"),
        ("service.py", "from replicatord.cli.main import main"),
        ("copying/lane.py", "from .context import Context"),
    ],
)
def test_an_arrow_that_goes_up_is_found(file: str, text: str) -> None:
    (line,) = wrong_arrows(file, text)
    assert line.startswith(file)


def _called(text: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            yield node.func.id


def _prints(text: str) -> bool:
    return "print" in set(_called(text))
