"""The page of a running service, as a browser asks for it. May not look at it: `tests.system.test_page_browser` does."""

from __future__ import annotations

import http.client
import re

from replicatord.page.ground import PULSE_PATH
from tests.studio import Studio


def serve_at(studio: Studio, port: int) -> None:
    """Have a studio's settings serve the page; they are not written yet."""
    studio.page = f"page: {{port: {port}}}\n"


def port_of(studio: Studio) -> int:
    """Give the port that a studio's settings name."""
    return int(re.findall(r"\d+", studio.page)[0])


def load(studio: Studio, address: str, *, status: int = 200) -> str:
    """Load a view of the page. Raises OSError when nobody answers."""
    return fetch(studio, address, status=status).decode()


def fetch(studio: Studio, address: str, *, status: int = 200) -> bytes:
    """Load anything of the page. Raises OSError when nobody answers."""
    connection = http.client.HTTPConnection("127.0.0.1", port_of(studio), timeout=20)
    try:
        connection.request("GET", address)
        answer = connection.getresponse()
        content = answer.read()
        assert answer.status == status, content
        return content
    finally:
        connection.close()


def is_served(studio: Studio) -> bool:
    """Tell whether a service serves the page."""
    try:
        return load(studio, PULSE_PATH).startswith("replicatord ")
    except OSError:
        return False
