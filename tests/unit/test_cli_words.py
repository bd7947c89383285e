"""Sizes, spans and names as a person reads them."""

from __future__ import annotations

from datetime import datetime

import pytest

from replicatord.cli.words import counted, instant_words, shown, shown_path, size_words, span_words


@pytest.mark.parametrize(
    ("size_bytes", "words"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (1_000, "1.0 kB"),
        (999_949, "999.9 kB"),
        (999_950, "1.0 MB"),
        (18_200_000_000, "18.2 GB"),
        (4_000_000_000_000, "4.0 TB"),
        (10**18, "1000.0 PB"),
    ],
)
def test_sizes_have_one_decimal_and_their_si_unit(size_bytes: int, words: str) -> None:
    assert size_words(size_bytes) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "under a minute"),
        (61, "about 1 min"),
        (128e9 / 300e6, "about 7 min"),  # a card of 128 GB at 300 MB/s: common practice, no published source
        (3 * 3600 + 600, "about 3 h 10 min"),
        (3.5 * 86_400, "about 3.5 days"),
    ],
)
def test_spans_are_told_roughly(seconds: float, words: str) -> None:
    assert span_words(seconds) == words


def test_numbers_agree_with_their_noun() -> None:
    assert counted(1, "file") == "1 file"
    assert counted(1234, "copy", "copies") == "1,234 copies"


def test_instants_are_told_in_local_time() -> None:
    here = datetime(2026, 2, 7, 21, 14).astimezone()
    assert instant_words(here.isoformat()) == "2026-02-07 21:14"
    assert instant_words("") == "never"


def test_nothing_in_a_name_reaches_the_terminal_as_a_command() -> None:
    assert shown("a\x1b[2Jb\nc") == "a\\x1b[2Jb\\nc"
    assert shown_path(b"TIDE\xff0001.DNG") == "TIDE\\xff0001.DNG"
    assert shown("Strandläufer") == "Strandläufer"
