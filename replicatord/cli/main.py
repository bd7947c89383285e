"""Takes the command line apart and hands each command to its module.

May not do a command's work. Each module is imported only when its command runs, so that quick answers stay
quick. Exit status: 0 all well, 1 the answer is bad news, 2 the command or the settings are wrong.
"""

# ruff: noqa: PLC0415  each command imports what is its own, so that quick answers stay quick

from __future__ import annotations

import argparse
import gc
import io
import os
import sys
from typing import TYPE_CHECKING, Final

from replicatord.cli.asking import SETTINGS_VARIABLE, CommandError, find_settings_file
from replicatord.errors import AppError, InvariantError

if TYPE_CHECKING:
    from collections.abc import Callable

    from replicatord.model.settings import Settings

_BAD_NEWS: Final = 1
_WRONG: Final = 2
# What a shell reports for a program that a signal ended: 128 + SIGINT, 128 + SIGPIPE (POSIX.1, 2.8.2).
_INTERRUPTED: Final = 130
_NOBODY_READS: Final = 141


def main(argv: list[str] | None = None) -> int:
    """Run one command and give the exit status; `argv` is without the program's name."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a name that the terminal cannot show
    try:
        arguments = _parser().parse_args(argv)
        status = _run(arguments)
        sys.stdout.flush()  # here, so that a reader that left is noticed here
    except BrokenPipeError:
        # Python would complain once more when it closes standard output at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _NOBODY_READS
    except KeyboardInterrupt:
        return _INTERRUPTED
    return status


def _run(arguments: argparse.Namespace) -> int:
    command: Callable[[argparse.Namespace], int] = arguments.command
    try:
        return command(arguments)
    except InvariantError:
        raise  # ours to mend: with its trace
    except AppError as exc:
        print(f"replicatord: {exc}", file=sys.stderr)
        return _WRONG


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="replicatord",
        description="Copies every frame to several drives, and proves each copy by reading it back.",
        epilog="Exit status: 0 all well, 1 the answer is bad news, 2 the command or the settings are wrong.",
        allow_abbrev=False,
    )
    parser.set_defaults(settings=None)
    parser.add_argument("--version", action=_Version, nargs=0, help="say which one this is")
    _add_settings(parser)
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    def add(
        name: str, command: Callable[[argparse.Namespace], int], what: str, *, has_json: bool = False
    ) -> argparse.ArgumentParser:
        its = commands.add_parser(name, help=what, description=what, allow_abbrev=False)
        its.set_defaults(command=command)
        _add_settings(its)
        if has_json:
            its.add_argument("--json", action="store_true", dest="as_json", help="for scripts")
        return its

    add("run", _service, "Watch the sources and copy, until asked to stop: the service.")
    add("once", _once, "Make one pass: copy and prove all that can be, then end.")
    add("check-config", _check_config, "Check the settings, and say what will go where.", has_json=True)
    _add_plan(add("plan", _plan, "Say what would be copied, where, how much, how long.", has_json=True))
    its = add("status", _status, "Say how things are, and what needs you.", has_json=True)
    its.add_argument(
        "-v", "--verbose", action="store_true", help="also each tier on each drive, and the 3-2-1 rule"
    )
    its.add_argument(
        "--by",
        choices=("month",),
        help="for which months the 3-2-1 rule does not hold, a trip in the month it set out; with -v all months",
    )
    _add_log(add("log", _log, "Show the replication log.", has_json=True))
    its = add("where", _where, "Say where every copy of a file is.", has_json=True)
    its.add_argument("what", metavar="NAME|DIGEST|PATH", help="a digest may be cut to its first 8 digits")
    its = add("card", _card, "Say whether a card may be formatted; reads all of it.", has_json=True)
    its.add_argument("path", metavar="PATH", help="where the card is mounted, or any folder")
    its = add("fixity", _fixity, "Have copies read again now, and say how that went.")
    its.add_argument("drive", metavar="DRIVE", nargs="?", default="", help="only this one")
    its.add_argument("--all", action="store_true", dest="is_all", help="also what was read lately")
    its.add_argument("--sample", type=_count, metavar="N", help="so many copies of each drive, at random")
    _add_restore(add("restore", _restore, "Bring files back from drives into a folder.", has_json=True))
    its = add("drill", _drill, "Say what would be lost, if drives were.", has_json=True)
    its.add_argument("--lose", action="append", default=[], metavar="DRIVE", help="a drive; may be repeated")
    its.add_argument(
        "--lose-place",
        action="append",
        default=[],
        metavar="PLACE",
        help="the studio, away, a shelf, or a named disk",
    )
    its.add_argument("--lose-newest", metavar="AGE", help="all copies that were made within it, as 7d")
    its.add_argument(
        "--prove", type=_count, metavar="N", help="bring back N frames of each shelf, compare, remove them"
    )
    what = "Read a drive or folder that is already full, and learn it."
    _add_survey(add("survey", _survey, what, has_json=True))
    _add_revisit(add("revisit", _revisit, "Say which old month waits to be looked through.", has_json=True))
    add("page", _page, "Say where the page is, and whether it is served.", has_json=True)
    its = add("tell", _tell, "Say who is told when something is wrong, and what has not come there.")
    its.add_argument("--try", action="store_true", dest="is_trial", help="send one message to each now")
    its = add("release", _release, "Say that the many changes of a held source are meant.")
    its.add_argument("source", metavar="SOURCE", help="as `status` names it")
    its.add_argument("--yes", action="store_true", help="do not ask")
    its = add("rebuild", _rebuild, "Put a drive's spare copy in the place of a lost or damaged ledger.")
    its.add_argument("--yes", action="store_true", help="do not ask")
    its = add("adopt", _adopt, "Give a drive its identity, so that copies go to it.")
    _add_adopt(its)
    its = add("demo", _demo, "Draw an invented studio into a folder, to try everything on.")
    its.add_argument("folder", metavar="FOLDER", help="a new or empty folder")
    return parser


class _Version(argparse.Action):
    """Says which version this is; it is looked up when asked for, since that takes a moment."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        parser.exit(message=f"replicatord {version('replicatord')}\n")


def _add_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--settings",
        metavar="FILE",
        default=argparse.SUPPRESS,  # else the command's own default would undo what stands before it
        help=f"the settings file (else ${SETTINGS_VARIABLE}, ~/.config/replicatord, /etc/replicatord)",
    )


def _add_survey(its: argparse.ArgumentParser) -> None:
    its.add_argument(
        "paths", metavar="PATH", nargs="*", help="a drive, or a folder; several disks go side by side"
    )
    its.add_argument("--name", default="", help="what to call a medium that is no drive of the settings")
    its.add_argument("--report", action="store_true", help="say what lies where, as far as it was read")
    its.add_argument(
        "--list",
        action="store_true",
        dest="has_list",
        help="with --report: each file that lies in one place only",
    )


def _add_plan(its: argparse.ArgumentParser) -> None:
    its.add_argument("--at", metavar="SPEED", help="reckon with this speed, as 300MB/s")
    its.add_argument("--uplink", metavar="SPEED", help="of the line that cloud folders go up by, as 20Mbit/s")
    its.add_argument("--list", action="store_true", dest="has_list", help="also every path")


def _add_log(its: argparse.ArgumentParser) -> None:
    its.add_argument("--since", metavar="WHEN", help="2h, 3d, 2026-11-01 or 2026-11-01T21:00:00Z")
    its.add_argument("--drive", metavar="NAME", help="only what is about this drive")
    its.add_argument("--problems", action="store_true", help="only warnings and errors")
    its.add_argument("--follow", action="store_true", help="go on with new lines as they come")
    its.add_argument("-n", type=_count, metavar="N", dest="count", help="the newest N lines (else 40)")


def _add_restore(its: argparse.ArgumentParser) -> None:
    its.add_argument(
        "what",
        metavar="PATH|NAME|DIGEST",
        nargs="*",
        help="as cards/2026-01-28, curlew/2026/01, TIDE0042, 5f3c90aa",
    )
    its.add_argument("--to", required=True, metavar="FOLDER", help="where to; nothing in it is replaced")
    its.add_argument(
        "--month", action="append", default=[], metavar="2026-01", help="what was taken in a month"
    )
    its.add_argument("--trip", action="append", default=[], metavar="NAME", help="a trip of the settings")
    its.add_argument(
        "--load", action="append", default=[], type=_count, metavar="N", help="as `status` counts them"
    )
    its.add_argument(
        "--drive", "--lost", action="append", default=[], metavar="NAME", help="all that it holds or held"
    )
    its.add_argument("--all", action="store_true", dest="is_all", help="everything")
    its.add_argument(
        "--earlier",
        action="store_true",
        help="what was there before, by what took its place or its former path",
    )
    its.add_argument(
        "--bag",
        action="store_true",
        dest="is_bag",
        help="make the folder a BagIt bag (RFC 8493), to hand it over",
    )
    its.add_argument("--go", action="store_true", help="do it; without, only say what would be done")


def _add_revisit(its: argparse.ArgumentParser) -> None:
    which = its.add_mutually_exclusive_group()
    which.add_argument(
        "--list", action="store_true", dest="has_list", help="the frames that you found worth another look"
    )
    which.add_argument("--bring", metavar="FOLDER", help="copy their originals there; nothing is replaced")


def _add_adopt(its: argparse.ArgumentParser) -> None:
    its.add_argument("name", metavar="NAME", help="the drive's name in the settings")
    its.add_argument("path", metavar="PATH", nargs="?", help="of a drive that is not in the settings yet")
    its.add_argument("--medium", metavar="hdd|ssd|cloud|network", help="of such a drive, else as it is found")
    its.add_argument("--again", action="store_true", help="give a clone, or an older state, a new identity")
    its.add_argument("--same-disk", action="store_true", help="accept that it shares a disk: one place")
    its.add_argument("--yes", action="store_true", help="do not ask")


def _count(text: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of lines")
    return int(text)


# ---- the commands ----


def _read_settings(arguments: argparse.Namespace) -> Settings:
    # Looking for plugins of pydantic's that nobody here has takes a tenth of the time of a quick answer.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from replicatord.config import read_settings

    return read_settings(_settings_file(arguments))


def _settings_in_force(arguments: argparse.Namespace) -> tuple[Settings, bool]:
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    from replicatord.cli.in_force import settings_in_force

    return settings_in_force(_settings_file(arguments))


def _settings_file(arguments: argparse.Namespace) -> str:
    return find_settings_file(arguments.settings, os.environ)


def _service(arguments: argparse.Namespace) -> int:
    from replicatord.service import configure_console, run_service

    configure_console()
    return run_service(_settings_file(arguments))


def _once(arguments: argparse.Namespace) -> int:
    from replicatord.cli.show import new_show
    from replicatord.once import run_once

    settings = _read_settings(arguments)
    with new_show() as show:
        return run_once(settings, show)


def _check_config(arguments: argparse.Namespace) -> int:
    from replicatord.cli.check_config import check_config

    return check_config(_settings_file(arguments), as_json=arguments.as_json)


def _plan(arguments: argparse.Namespace) -> int:
    from replicatord.cli.plan import Asked, parse_speed, parse_uplink, show_plan

    asked = Asked(
        at_bytes_per_s=None if arguments.at is None else parse_speed(arguments.at),
        uplink_bits_per_s=None if arguments.uplink is None else parse_uplink(arguments.uplink),
        has_list=arguments.has_list,
        as_json=arguments.as_json,
    )
    return show_plan(_read_settings(arguments), asked)


def _status(arguments: argparse.Namespace) -> int:
    gc.disable()  # looking for garbage took a tenth of the time, and a short answer leaves none to speak of
    try:
        from replicatord.cli.status import show_months, show_status

        settings, is_whole = _settings_in_force(arguments)
        show = show_months if arguments.by else show_status
        status = show(settings, is_verbose=arguments.verbose, as_json=arguments.as_json)
        return status if is_whole else max(status, _BAD_NEWS)
    finally:
        gc.enable()


def _log(arguments: argparse.Namespace) -> int:
    from replicatord.cli.log import Wanted, parse_since, show_log

    since = parse_since(arguments.since) if arguments.since is not None else None
    wanted = Wanted(since=since, drive=arguments.drive, is_problems=arguments.problems, count=arguments.count)
    settings, _ = _settings_in_force(arguments)
    return show_log(settings, wanted, is_following=arguments.follow, as_json=arguments.as_json)


def _where(arguments: argparse.Namespace) -> int:
    from replicatord.cli.where import show_where

    return show_where(_settings_in_force(arguments)[0], arguments.what, as_json=arguments.as_json)


def _card(arguments: argparse.Namespace) -> int:
    from replicatord.cli.card import show_card

    return show_card(_read_settings(arguments), arguments.path, as_json=arguments.as_json)


def _fixity(arguments: argparse.Namespace) -> int:
    from replicatord.cli.fixity import check_now
    from replicatord.duties.check_requests import CheckRequest

    request = CheckRequest(drive=arguments.drive, is_all=arguments.is_all, sample=arguments.sample)
    return check_now(_read_settings(arguments), request)


def _restore(arguments: argparse.Namespace) -> int:
    from replicatord.cli.restore import Asked, restore

    asked = Asked(
        what=arguments.what,
        target=arguments.to,
        months=arguments.month,
        trips=arguments.trip,
        loads=arguments.load,
        drives=arguments.drive,
        is_all=arguments.is_all,
        is_earlier=arguments.earlier,
        is_to_go=arguments.go,
        is_bag=arguments.is_bag,
    )
    return restore(_settings_in_force(arguments)[0], asked, as_json=arguments.as_json)


def _drill(arguments: argparse.Namespace) -> int:
    if arguments.prove is not None:
        from replicatord.cli.prove import prove_now

        return prove_now(_settings_in_force(arguments)[0], arguments.prove)
    from replicatord.cli.drill import Asked, show_drill

    asked = Asked(drives=arguments.lose, places=arguments.lose_place, newest=arguments.lose_newest)
    return show_drill(_settings_in_force(arguments)[0], asked, as_json=arguments.as_json)


def _survey(arguments: argparse.Namespace) -> int:
    from replicatord.cli.survey import show_report, survey_paths

    is_report = arguments.report or arguments.has_list
    if arguments.paths and not (is_report or arguments.as_json):
        return survey_paths(_settings_in_force(arguments)[0], arguments.paths, name=arguments.name)
    if arguments.paths or not is_report:
        raise CommandError(
            "`survey PATH` reads a place, `survey --report` (with --json for scripts) says what lies where"
        )
    settings, _ = _settings_in_force(arguments)
    return show_report(settings, has_list=arguments.has_list, as_json=arguments.as_json)


def _revisit(arguments: argparse.Namespace) -> int:
    from replicatord.cli.revisit import bring_marked, show_marked, show_proposal

    settings, _ = _settings_in_force(arguments)
    if arguments.bring is not None:
        return bring_marked(settings, arguments.bring, as_json=arguments.as_json)
    show = show_marked if arguments.has_list else show_proposal
    return show(settings, as_json=arguments.as_json)


def _page(arguments: argparse.Namespace) -> int:
    from replicatord.cli.page import show_page

    return show_page(_settings_in_force(arguments)[0], as_json=arguments.as_json)


def _tell(arguments: argparse.Namespace) -> int:
    from replicatord.cli.tell import show_telling, try_telling

    if arguments.is_trial:  # of settings that are only remembered, the addresses are not known
        return try_telling(_read_settings(arguments))
    return show_telling(_settings_in_force(arguments)[0])


def _release(arguments: argparse.Namespace) -> int:
    from replicatord.cli.release import release_source

    return release_source(_read_settings(arguments), arguments.source, is_agreed=arguments.yes)


def _rebuild(arguments: argparse.Namespace) -> int:
    from replicatord.cli.rebuild import rebuild_ledger

    return rebuild_ledger(_read_settings(arguments), is_agreed=arguments.yes)


def _adopt(arguments: argparse.Namespace) -> int:
    from replicatord.cli.adopt import Asked, adopt_drive

    asked = Asked(
        name=arguments.name,
        path=arguments.path,
        medium=arguments.medium,
        is_again=arguments.again,
        may_share_disk=arguments.same_disk,
        is_agreed=arguments.yes,
    )
    return adopt_drive(_read_settings(arguments), asked)


def _demo(arguments: argparse.Namespace) -> int:
    from replicatord.cli.demo_folder import make_demo

    return make_demo(arguments.folder)
