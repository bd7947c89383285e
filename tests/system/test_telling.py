"""Being told: the real service, a real mail server and a real webhook on loopback."""

from __future__ import annotations

import json
import os
import random
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import pytest

from replicatord.copying.context import Context
from replicatord.duties.telling import Teller
from replicatord.model.settings import AddressIn, Target, Tell
from tests.core_builders import context_at, settings_of, tier
from tests.faults import deaths
from tests.faults.clock.setting import WallClock, build_clock, why_no_clock
from tests.mailbox import SECRET, Hook, MailServer, free_port, mail_server, plain_text, webhook
from tests.pages import load, serve_at
from tests.studio import NAME, TIERS, Studio, new_studio, photo, running, until

_BOTH: Final = ("curlew", "dunlin")
_VARIABLE: Final = "REPLICATORD_TEST_TARGET"
_SOON_S: Final = 60.0  # it is gathered for ten seconds, and a process that sends takes one
_STOP_S: Final = 10.0
_NEEDS_CLOCK: Final = pytest.mark.skipif(bool(why_no_clock()), reason=why_no_clock() or "-")


@pytest.fixture
def mail() -> Iterator[MailServer]:
    with mail_server() as server:
        yield server


@pytest.fixture
def hook() -> Iterator[Hook]:
    with webhook() as server:
        yield server


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    return new_studio(tmp_path, drives=_BOTH, tiers=TIERS.split("  best:")[0])


def tell(studio: Studio, *targets: str, at_most: int = 12) -> None:
    """Write settings that tell some targets."""
    listed = "".join(
        f"    - {target if target.startswith('{') else json.dumps(target)}\n" for target in targets
    )
    studio.more = f"tell:\n  at_most: {at_most}\n  to:\n{listed}"
    studio.write_settings()


def everything_written(studio: Studio) -> bytes:
    """Give all that the program has written anywhere but into its settings: ledger, log, notes, drives, its words."""
    places = [studio.log.parent, *studio.drives.values()]
    files = [path for place in places for path in sorted(place.rglob("*")) if path.is_file()]
    said = studio.folder / "said.txt"
    return b"".join(path.read_bytes() for path in [*files, *([said] if said.exists() else [])])


def assert_secret_is_kept(studio: Studio) -> None:
    """Check that no command says it either, and that it is in the settings to be said."""
    assert SECRET.encode() not in everything_written(studio)
    for words in (
        ["status"],
        ["check-config"],
        ["log", "--json"],
        ["tell"],
    ):
        done = studio.ask(*words)
        assert done.stdout + done.stderr
        assert SECRET not in done.stdout + done.stderr, words
    assert SECRET.encode() in studio.settings.read_bytes()


def rot(path: Path) -> None:
    """Change one bit, with size and time as they were, as a medium does."""
    at = path.stat()
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))


def copy_frames(studio: Studio, files: int) -> list[Path]:
    """Have small frames copied to both drives, and give those on curlew."""
    chance = random.Random(5)
    (studio.cards / "shore").mkdir()
    for number in range(files):
        picture = photo(chance, "2026:01:15 10:00:00")
        (studio.cards / "shore" / f"TIDE{number:04d}.JPG").write_bytes(picture)
    done = studio.once()
    assert done.status == 0, done.said
    return sorted(path for path in studio.drives["curlew"].rglob("*.JPG") if ".replicatord" not in path.parts)


@contextmanager
def telling(folder: Path, *targets: str, waiting: int = 1) -> Iterator[Context]:
    """Give the surroundings of a service of which only what tells runs; what waits already is told at once."""
    tell = Tell(to=tuple(Target(address_in=AddressIn.SETTINGS, address=target) for target in targets))
    settings = replace(
        settings_of(tier(layout="{name}")), studio=NAME, ledger=str(folder / "ledger.sqlite"), tell=tell
    )
    with context_at(folder, settings) as context:
        teller = Teller(context)
        context.ring = teller.ring
        say_damage(context, waiting)
        teller.keep()
        yield context
        teller.finish(is_failure=False)


def say_damage(context: Context, copies: int) -> None:
    """Say of copies on curlew that they are bad, as a fixity check does: each in a transaction of its own."""
    for number in range(copies):
        fields = {
            "level": "error",
            "drive": "curlew",
            "path": f"2026/01/TIDE{number:04d}.DNG",
            "finding": "damaged",
            "other_copy_known": True,
        }
        context.desk.ask(lambda l, f=fields: context.say(l, "fixity_check_failed", f))  # type: ignore[misc]


def test_a_thousand_findings_in_a_minute_make_one_mail(tmp_path: Path, mail: MailServer) -> None:
    with telling(tmp_path, mail.address, waiting=0) as context:
        # The day's message is looked for at the start, and would take in what comes in that moment.
        until(lambda: context.desk.look(lambda l: l.get_meta("tell:daily")))
        begun = time.monotonic()
        say_damage(context, 1_000)
        assert time.monotonic() - begun < 60.0  # else this is no test of it
        assert context.desk.look(lambda l: l.telling.urgent_mark()) == (1, 1_000)
        until(lambda: mail.mails, within_s=_SOON_S)
        assert context.desk.look(lambda l: l.telling.urgent_mark()) == (0, 0)
    (one,) = mail.mails
    text = plain_text(one)
    assert one["Subject"] == f"{NAME}: 1,000 copies on curlew are bad"
    assert one["To"] == f"{SECRET}@tidewrack.example"
    assert "  and 988 more" in text
    assert sum(": damaged" in line for line in text.splitlines()) == 12
    assert SECRET.encode() not in b"".join(path.read_bytes() for path in tmp_path.iterdir())


def test_who_is_no_longer_to_be_told_is_not_told_later(tmp_path: Path, hook: Hook) -> None:
    hook.status = 503
    with telling(tmp_path, hook.address) as context:
        until(lambda: context.desk.look(lambda l: [one.reason for one in l.telling.undelivered()]) > [""])
        say_damage(context, 1)
        context.settings = replace(context.settings, tell=None)
        context.ring()
        until(lambda: not context.desk.look(lambda l: l.telling.undelivered()))
        assert context.desk.look(lambda l: l.telling.urgent_mark()) == (0, 0)
    assert not hook.calls


def test_a_broken_settings_file_is_told_to_a_webhook_whose_address_is_in_the_environment(
    studio: Studio, hook: Hook
) -> None:
    tell(studio, f"{{environment: {_VARIABLE}}}")
    more = {_VARIABLE: hook.address}
    with running(studio, more) as service:
        whole = studio.settings.read_text()
        studio.settings.write_text(whole + "nonsense: 1\n")
        service.wait_line("settings_broken")
        until(lambda: hook.calls, within_s=_SOON_S)
        assert hook.titles == [f"{NAME}: the settings file is broken"]
        assert "nonsense" in str(hook.calls[0]["message"])
        assert "replicatord check-config" in str(hook.calls[0]["message"])
        # Commands know, meanwhile, by whom it is told, and the rest of the settings in force.
        assert f"environment {_VARIABLE}" in studio.ask("tell", more=more).stdout
        studio.settings.write_text(whole)
        service.wait_line("settings_read")
        done = studio.ask("tell", "--try")  # the service has the address, this command has not
        assert done.returncode == 0, done.stdout + done.stderr
        assert hook.titles[-1] == f"{NAME}: a trial"
        service.stop()
    assert SECRET.encode() not in everything_written(studio)


@_NEEDS_CLOCK
def test_a_service_of_which_a_part_dies_says_so_and_the_next_start_says_so_too(
    studio: Studio, hook: Hook, tmp_path: Path
) -> None:
    tell(studio, hook.address)
    folder = studio.folder / "faults"
    clock = WallClock(library=build_clock(tmp_path), file=tmp_path / "ahead")
    with running(studio, deaths.asking_through(folder)) as service:
        service.wait_line("service_started")
        deaths.kill(folder, "Planner")
        (studio.cards / "a.jpg").write_bytes(b"wakes the planner")
        studio.settings.write_text(studio.settings.read_text() + "# wakes all\n")
        assert service.process.wait(timeout=30) == 1
    until(lambda: hook.calls)
    assert hook.titles == [f"{NAME}: the service failed"]
    assert "planner" in str(hook.calls[0]["message"])
    with running(studio, clock.environment) as service:
        (after,) = [line for line in studio.lines("service_started") if line.get("after")]
        assert "planner" in str(after["after"])
        clock.set_ahead(120.0)  # the second message keeps a minute from the first
        until(lambda: len(hook.calls) == 2, within_s=_SOON_S)
        assert "started again: it had failed before" in str(hook.calls[1]["message"])
        service.stop()


def test_damage_is_mailed_and_a_kill_between_the_line_and_its_delivery_loses_nothing(
    studio: Studio, hook: Hook, mail: MailServer
) -> None:
    tell(studio, hook.address, mail.address)
    hook.is_hanging = True
    (victim,) = copy_frames(studio, 1)
    with running(studio) as service:
        rot(victim)
        studio.ask("fixity", "curlew", "--all")
        service.wait_line("fixity_check_failed")
        until(lambda: hook.knocks and mail.mails, within_s=_SOON_S)  # one took it, with the other it hangs
        service.process.kill()
        service.process.wait()
    hook.is_hanging = False
    hook.release.set()
    with running(studio) as service:
        until(lambda: hook.calls, within_s=_SOON_S)
        assert hook.titles == [f"{NAME}: a copy on curlew is bad"]
        until(lambda: not _undelivered(studio))
        # The kill came before it was noted who had it, as it may: one has it twice.
        assert {each["Subject"] for each in mail.mails} == {f"{NAME}: a copy on curlew is bad"}
        assert len(mail.mails) <= 2
        assert str(victim.relative_to(studio.drives["curlew"])) in plain_text(mail.mails[0])
        assert "without a word" in str(studio.lines("service_started")[-1]["after"])
        service.stop()


def test_a_server_that_hangs_holds_up_neither_copies_nor_the_stop_and_gets_it_later(
    studio: Studio, hook: Hook, mail: MailServer
) -> None:
    tell(studio, hook.address, mail.address)
    hook.is_hanging = True
    with running(studio) as service:
        studio.settings.write_text(studio.settings.read_text() + "nonsense: 1\n")
        until(lambda: mail.mails and hook.knocks, within_s=_SOON_S)
        (studio.cards / "boat.jpg").write_bytes(b"boat")
        service.wait_copies("cards/boat.jpg", *_BOTH)
        studio.write_settings()
        assert service.stop() < _STOP_S
    hook.is_hanging = False
    hook.release.set()
    with running(studio) as service:
        until(lambda: hook.calls, within_s=_SOON_S)
        service.stop()
    assert len(mail.mails) == 1  # to the one that took it, it is not sent again


def test_what_is_refused_is_told_once_shown_and_sent_when_it_is_taken_again(
    studio: Studio, hook: Hook
) -> None:
    serve_at(studio, free_port())
    tell(studio, hook.address)
    hook.status = 503
    with running(studio) as service:
        studio.settings.write_text(studio.settings.read_text() + "nonsense: 1\n")
        line = service.wait_line("message_not_delivered")
        assert line["reason"] == "it answered with HTTP status 503"
        studio.write_settings()
        service.wait_line("settings_read")
        (need,) = [need for need in studio.needs() if "message" in need]
        assert need.startswith(
            "1 message could not be sent to target 1 (json): it answered with HTTP status 503"
        )
        done = studio.ask("tell")
        assert done.returncode == 1
        assert "HTTP status 503" in done.stdout
        assert need.partition(";")[0] in load(studio, "/")
        until(lambda: hook.knocks >= 2, within_s=_SOON_S)  # after half a minute
        hook.status = 200
        tell(studio, hook.address, at_most=11)  # other settings: whoever mended it need not wait
        service.wait_line("messages_delivered_again")
        assert not [need for need in studio.needs() if "message" in need]
        until(lambda: "HTTP status 503" not in load(studio, "/"))
        service.stop()
    assert len(studio.lines("message_not_delivered")) == 1
    assert len(hook.calls) == 1
    assert_secret_is_kept(studio)


@_NEEDS_CLOCK
def test_a_week_without_news_ends_in_a_summary(studio: Studio, mail: MailServer, tmp_path: Path) -> None:
    tell(studio, mail.address)
    copy_frames(studio, 3)
    clock = WallClock(library=build_clock(tmp_path), file=tmp_path / "ahead")
    with running(studio, clock.environment) as service:
        service.wait_line("rescan_done")
        for days in range(1, 10):
            ahead_s = timedelta(days=days).total_seconds() + _until_nine_s()
            clock.set_ahead(ahead_s)
            day = f"{datetime.fromtimestamp(time.time() + ahead_s, UTC):%Y-%m-%d}"
            until(lambda d=day: _meta(studio, "tell:daily") == d)  # type: ignore[misc]
            assert days > 6 or not mail.mails, (day, [plain_text(each) for each in mail.mails])
        until(lambda: mail.mails, within_s=_SOON_S)
        service.stop()
    (one,) = mail.mails
    text = plain_text(one)
    assert one["Subject"] == f"{NAME}: all is well"
    assert "nothing needs you" in text
    assert "curlew: 3 files, " in text


def test_a_ledger_that_is_gone_is_told_once_a_day_however_often_the_service_starts(
    studio: Studio, hook: Hook
) -> None:
    tell(studio, hook.address)
    copy_frames(studio, 1)
    (studio.log.parent / "ledger.sqlite").unlink()
    for _ in range(3):
        process = studio.start(service=True)
        assert process.wait(timeout=60) == 2
    assert hook.titles == [f"{NAME}: the ledger cannot be used"]
    assert "replicatord rebuild" in str(hook.calls[0]["message"])


def test_a_ledger_that_dies_under_the_service_is_told_without_it(studio: Studio, hook: Hook) -> None:
    tell(studio, hook.address)
    folder = studio.folder / "faults"
    with running(studio, deaths.asking_through(folder)) as service:
        service.wait_line("rescan_done")
        deaths.kill(folder, "ledger")
        assert service.process.wait(timeout=60) == 1
    assert hook.titles == [f"{NAME}: the ledger cannot be used"]
    assert "the thread that has the ledger ended" in str(hook.calls[0]["message"])


def test_a_trial_tells_of_each_target_how_it_went(
    studio: Studio, hook: Hook, mail: MailServer, tmp_path: Path
) -> None:
    credentials = tmp_path / "credentials"
    credentials.mkdir()
    (credentials / "webhook").write_text(hook.address + "\n")
    nobody = f"json://127.0.0.1:{free_port()}/{SECRET}"
    tell(studio, "{credential: webhook}", mail.address, nobody, "{environment: NOT_THERE}")
    done = studio.ask("tell", "--try", more={"CREDENTIALS_DIRECTORY": str(credentials)})
    assert done.returncode == 1, done.stderr
    assert [line.strip() for line in done.stdout.splitlines()[1:5]] == [
        "target 1 (credential webhook): taken",
        "target 2 (mailto): taken",
        "target 3 (json): PROBLEM: nothing answers there (connection refused)",
        "target 4 (environment NOT_THERE): PROBLEM: the environment has no NOT_THERE",
    ]
    assert hook.titles == [f"{NAME}: a trial"]
    assert [each["Subject"] for each in mail.mails] == [f"{NAME}: a trial"]
    tell(studio, mail.address)
    assert studio.ask("tell", "--try").returncode == 0


def test_without_targets_a_trial_is_a_wrong_command(studio: Studio) -> None:
    for words in (["tell"], ["tell", "--try"]):
        done = studio.ask(*words)
        assert done.returncode == 2
        assert "`tell:`" in done.stderr


def test_check_config_finds_a_bad_address_and_sends_nothing(studio: Studio, hook: Hook) -> None:
    tell(studio, hook.address)
    assert studio.ask("check-config").returncode == 0
    tell(studio, hook.address, f"nosuch://{SECRET}", "{environment: NOT_THERE}")
    done = studio.ask("check-config")
    assert done.returncode == 2
    assert "target 2 (nosuch): apprise cannot send to its address" in done.stderr
    assert json.loads(studio.ask("check-config", "--json").stdout)["ok"] is False
    tell(studio, hook.address, "{environment: NOT_THERE}")
    done = studio.ask("check-config")
    assert done.returncode == 0
    assert "target 2 (environment NOT_THERE) cannot be looked at here" in done.stdout
    assert not hook.knocks


def test_a_thread_that_tells_and_dies_is_begun_anew_and_nobody_else_notices(
    studio: Studio, hook: Hook
) -> None:
    tell(studio, hook.address)
    folder = studio.folder / "faults"
    with running(studio, deaths.asking_through(folder)) as service:
        until(lambda: _meta(studio, "tell:since"))
        deaths.kill(folder, "telling")
        studio.settings.write_text(studio.settings.read_text() + "nonsense: 1\n")  # wakes it
        until(lambda: deaths.find_death_s(folder))
        until(lambda: hook.calls, within_s=_SOON_S)
        assert [title.startswith(f"{NAME}: the settings file is broken") for title in hook.titles] == [True]
        (line,) = studio.lines("job_failed")
        assert line["job"] == "telling"
        service.stop()


def _until_nine_s() -> float:
    now = time.time()
    return 9 * 3_600.0 - now % 86_400.0


def _meta(studio: Studio, key: str) -> str:
    """Give a note of the ledger."""
    return str(_asked(studio, "SELECT coalesce(max(value), '') FROM meta WHERE key = ?", key))


def _undelivered(studio: Studio) -> object:
    """Count what was not delivered yet."""
    return _asked(studio, "SELECT count(*) FROM delivery WHERE sent_at = ''")


def _asked(studio: Studio, question: str, *values: str) -> object:
    """Ask the ledger by SQLite alone."""
    with closing(sqlite3.connect(f"file:{studio.log.parent}/ledger.sqlite?mode=ro", uri=True)) as opened:
        return opened.execute(question, values).fetchone()[0]
