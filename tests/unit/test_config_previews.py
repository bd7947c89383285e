"""How much room previews may take: how `previews` is read, and what is refused."""

from __future__ import annotations

import pytest

from replicatord.config import describe_changes
from tests.config_text import VALID, parsed, refused


def test_left_out_it_is_two_gigabytes() -> None:
    assert parsed(VALID).previews_limit_bytes == 2_000_000_000


def test_a_limit_is_read_and_zero_makes_none() -> None:
    none = parsed(VALID + "previews: {limit: 0GB}\n")
    assert none.previews_limit_bytes == 0
    assert parsed(VALID + "previews: {limit: 1.5TB}\n").previews_limit_bytes == 1_500_000_000_000
    assert describe_changes(parsed(VALID), none) == ["previews: now none, was up to 2 GB"]


@pytest.mark.parametrize("limit", ["2", "-1GB", "much"])
def test_what_is_no_size_is_refused_with_its_place(limit: str) -> None:
    (problem,) = refused((VALID + f"previews: {{limit: {limit}}}\n").encode())
    assert ":16:19:" in str(problem)


@pytest.mark.parametrize("group", ["previews:", "previews: {}", "previews: {room: 2GB}"])
def test_a_group_without_its_limit_is_refused(group: str) -> None:
    assert refused((VALID + group + "\n").encode())
