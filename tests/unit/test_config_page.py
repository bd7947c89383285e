"""Where the page is served and how often a month is proposed: how the settings are read, and what is refused."""

from __future__ import annotations

import pytest

from replicatord.config import describe_changes
from replicatord.model.settings import PAGE_PORT
from tests.config_text import VALID, parsed, refused

_DAY_S = 86_400


def test_left_out_the_page_is_served_and_a_month_proposed_each_month() -> None:
    settings = parsed(VALID)
    assert (settings.page_port, settings.revisit_every_s) == (PAGE_PORT, 31 * _DAY_S)


def test_a_port_is_read_and_a_page_can_be_left_out() -> None:
    other = parsed(VALID + "page: {port: 30000}\nrevisit_every: 7d\n")
    assert (other.page_port, other.revisit_every_s) == (30_000, 7 * _DAY_S)
    assert parsed(VALID + "page: {serve: true}\n").page_port == PAGE_PORT
    without = parsed(VALID + "page: {serve: false, port: 30000}\n")
    assert without.page_port is None
    assert describe_changes(parsed(VALID), other) == [
        "page: now http://127.0.0.1:30000, was http://127.0.0.1:28417",
        "revisit_every: now 7 days, was 31 days",
    ]
    assert describe_changes(other, without)[0] == "page: now not served, was http://127.0.0.1:30000"


@pytest.mark.parametrize(
    "port", ["80", "1023", "65536", "0", "-1", "'30000'", "030000", "30.5", "any", "true"]
)
def test_what_is_no_port_of_ours_is_refused_with_its_place(port: str) -> None:
    (problem,) = refused((VALID + f"page: {{port: {port}}}\n").encode())
    assert "a whole number from 1024 to 65535" in str(problem)
    assert ":16:14:" in str(problem)


@pytest.mark.parametrize("page", ["off", "false", "28417", "", "{serve: off}", "{address: 0.0.0.0}"])
def test_nothing_else_is_taken_for_a_page(page: str) -> None:
    assert refused((VALID + f"page: {page}\n").encode())
