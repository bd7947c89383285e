"""Who may ask the page for what, and what a browser may do with the answer.

May not look at what is asked for. Only this machine reaches 127.0.0.1, but so does every web page that its browser
shows: one that has its own name lead here (DNS rebinding) sends that name as Host, one that posts says where it is from.
Sources: RFC 9110, 7.2 (Host); W3C Content Security Policy Level 3; W3C Fetch Metadata; WHATWG Fetch, Origin.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_HTTP_PORT: Final = 80  # left out of a Host by browsers
_READING: Final = frozenset({"GET", "HEAD"})
HEADERS: Final[Mapping[str, str]] = {
    # Nothing inline, nothing from elsewhere: a name in a page can become neither script nor style.
    "content-security-policy": "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self';"
    " connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
}


class Guard:
    """Stands before the page: refuses strangers, and gives each answer its headers."""

    def __init__(self, app: ASGIApp, *, port: int) -> None:
        self._app = app
        names = ("127.0.0.1", "localhost", "[::1]")
        self._hosts = {f"{name}:{port}" for name in names} | (set(names) if port == _HTTP_PORT else set())
        self._origins = {f"http://{host}" for host in self._hosts}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        if scope["type"] != "http":
            return
        refusal = self._refusal(scope["method"], Headers(scope=scope))
        app: ASGIApp = self._app if refusal is None else refusal
        await app(scope, receive, send_guarded)

    def _refusal(self, method: str, headers: Headers) -> PlainTextResponse | None:
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return PlainTextResponse("This page is for this machine alone.\n", status_code=421)
        if method in _READING:
            return None
        if method != "POST":
            return PlainTextResponse("Only reading.\n", status_code=405, headers={"allow": "GET, HEAD, POST"})
        if not self._is_ours(headers):
            return PlainTextResponse("That came from another page.\n", status_code=403)
        return None

    def _is_ours(self, headers: Headers) -> bool:
        """Tell whether a page of ours posted this.

        A form of a page with `no-referrer` sends the Origin "null" (Fetch, "append a request Origin header"): then,
        and without an Origin, what counts is what the browser says of where it is from.
        """
        origins, sites = headers.getlist("origin"), headers.getlist("sec-fetch-site")
        if len(origins) > 1 or len(sites) > 1 or (sites and sites[0] != "same-origin"):
            return False
        return bool(origins and origins[0] in self._origins) or (bool(sites) and origins in ([], ["null"]))
