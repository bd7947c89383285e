"""A page over a small studio, asked as a browser does, for the tests of replicatord.page."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

from starlette.testclient import TestClient

from replicatord.ledger.ledger import Ledger
from replicatord.page.app import make_app
from replicatord.page.facts import Facts
from replicatord.page.ground import Ground as PageGround
from replicatord.page.ground import Moving
from tests.cli_ground import Ground

PORT = 28417
ADDRESS = f"http://127.0.0.1:{PORT}"
OURS = {"sec-fetch-site": "same-origin", "origin": "null"}
NOW = datetime(2026, 2, 8, 0, 5, tzinfo=UTC)
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """The page, and what asks it."""

    ground: PageGround
    browser: TestClient

    def text(self, address: str, *, status: int = 200) -> str:
        """Load a view."""
        answer = self.browser.get(address)
        assert answer.status_code == status, answer.text
        return answer.text

    def words(self, address: str, *, status: int = 200) -> str:
        """Load a view, and give what of it is read."""
        return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", self.text(address, status=status)))

    def post(self, address: str, **form: str) -> int:
        """Post a form as a page of ours does; give the status."""
        return self.browser.post(
            address, data={"token": self.ground.token, **form}, headers=OURS, follow_redirects=False
        ).status_code


def page_of(ground: Ground, *, moving: tuple[Moving, ...] = ()) -> Page:
    """Make the page of a studio, as a service would serve it."""

    def write(question: Callable[[Ledger], Answer]) -> Answer:
        with ground.open_ledger() as ledger, ledger.transaction():
            return question(ledger)

    settings = ground.settings
    its = PageGround(
        settings=lambda: settings,
        write=write,
        now=lambda: NOW,
        port=PORT,
        running=1,
        moving=lambda: moving,
    )
    return Page(ground=its, browser=TestClient(make_app(its, Facts(its)), base_url=ADDRESS))
