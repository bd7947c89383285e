"""How a pass is shown: plain lines now and then when piped."""

from __future__ import annotations

from typing import TYPE_CHECKING

from replicatord.cli.show import PlainShow, TerminalShow, new_show
from tests.cli_ground import printed

if TYPE_CHECKING:
    import pytest


def test_plain_lines_come_at_most_each_few_seconds_and_at_the_end(
    capsys: pytest.CaptureFixture[str],
) -> None:
    now_s = 0.0
    with PlainShow(lambda: now_s) as show:
        for step in range(100):
            now_s = step / 10
            show.progress(step, step * 1000, 99, 99_000, "copied and proved")
    lines = printed(capsys).splitlines()
    assert lines == [
        "50 of 99 copies, 50.0 kB of 99.0 kB, copied and proved",
        "99 of 99 copies, 99.0 kB of 99.0 kB, copied and proved",
    ]


def test_a_line_comes_behind_the_progress_that_was_made_before_it(capsys: pytest.CaptureFixture[str]) -> None:
    with PlainShow(lambda: 0.0) as show:
        show.line("looking")
        show.progress(1, 5, 1, 5, "copied and proved")
        show.line("plover: away\x1b[2J")
    assert printed(capsys).splitlines() == [
        "looking",
        "1 of 1 copy, 5 B of 5 B, copied and proved",
        "plover: away\\x1b[2J",
    ]


def test_the_same_is_not_said_twice(capsys: pytest.CaptureFixture[str]) -> None:
    now_s = 0.0
    with PlainShow(lambda: now_s) as show:
        for _ in range(10):
            now_s += 10
            show.progress(0, 0, 0, 0, "copied and proved")
    assert printed(capsys) == "nothing to copy\n"


def test_the_bar_shows_lines_whole_also_with_brackets(capsys: pytest.CaptureFixture[str]) -> None:
    with TerminalShow() as show:
        show.progress(1, 5, 2, 10, "copied and proved")
        show.line("plover: [bold]away[/bold]")
        show.progress(2, 10, 2, 10, "copied and proved")
    told = printed(capsys)
    assert "plover: [bold]away[/bold]" in told
    assert "2 of 2 copies copied and proved" in told


def test_a_pipe_gets_plain_lines() -> None:
    assert isinstance(new_show(), PlainShow)  # pytest's standard output is no terminal
