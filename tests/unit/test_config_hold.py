"""When replacing stops: how `hold_when` is read, and what is refused."""

from __future__ import annotations

import pytest

from replicatord.config import describe_changes
from replicatord.model.settings import HoldWhen
from tests.config_text import VALID, parsed, refused


def test_left_out_it_is_a_fifth_within_an_hour() -> None:
    assert parsed(VALID).hold_when == HoldWhen(share=0.2, within_s=3600)


def test_share_and_time_are_read() -> None:
    settings = parsed(VALID + "hold_when: {changed: 35%, within: 2h}\n")
    assert settings.hold_when == HoldWhen(share=0.35, within_s=7200)
    assert parsed(VALID + "hold_when: {changed: 100%}\n").hold_when == HoldWhen(share=1.0, within_s=3600)
    (change,) = describe_changes(parsed(VALID), settings)
    assert change == (
        "hold_when: now 35% of a source's files change within 2 hours,"
        " was 20% of a source's files change within 1 hour"
    )


@pytest.mark.parametrize("share", ["0%", "101%", "20", "twenty", "-5%", "20 %", "2.5%", "'%'"])
def test_what_is_no_share_is_refused_with_its_place(share: str) -> None:
    (problem,) = refused((VALID + f"hold_when: {{changed: {share}}}\n").encode())
    assert "a share from 1% to 100%" in str(problem)
    assert ":16:22:" in str(problem)
