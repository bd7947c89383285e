"""The page's addresses: which view answers, and the few things that a person may note.

May not decide what a view shows. Reading never writes; what is posted needs the token that only a page of ours has.
"""

from __future__ import annotations

import os
import re
import secrets
import stat
from collections.abc import Awaitable, Callable, Mapping
from typing import Final
from urllib.parse import parse_qs

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from replicatord.duties.revisit import note_look, sheet_of
from replicatord.errors import AppError
from replicatord.ledger.ledger import Ledger
from replicatord.log.times import utc_text
from replicatord.log.words import counted, instant_words, shown
from replicatord.model.frames import Digest
from replicatord.page.facts import Facts
from replicatord.page.ground import PULSE_PATH, Ground, pulse_of
from replicatord.page.guard import Guard
from replicatord.page.views import drives, log, month, tonight, years
from replicatord.previews.store import preview_path
from replicatord.rules.revisit import Look

_IN_TICKS: Final = re.compile(r"`([^`]+)`")
_HERE: Final = os.path.dirname(os.path.abspath(__file__))
_STATIC: Final = {
    "page.css": "text/css; charset=utf-8",
    "page.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
}
_FORM_BYTES: Final = 4_096  # ours have a few dozen
_PREVIEW_BYTES: Final = 4_000_000  # 320 pixels take some twenty thousand
_DIGEST: Final = re.compile("[0-9a-f]{64}", re.ASCII)
_NUMBER: Final = re.compile("[0-9]{1,18}", re.ASCII)
_JPEG: Final = b"\xff\xd8\xff"  # ISO/IEC 10918-1, B.1.1.3: SOI, and the marker behind it
_KEPT: Final = "private, max-age=31536000, immutable"  # by digest, so it never changes

View = Callable[[Request], Response]


def make_app(ground: Ground, facts: Facts) -> ASGIApp:
    """Make the page."""
    page = _Page(ground, facts)
    routes = [
        Route("/", page.answer(page.tonight)),
        Route("/now", page.answer(page.now)),
        Route("/drives", page.answer(page.drives)),
        Route("/years", page.answer(page.years)),
        Route("/month/{month}", page.answer(page.month)),
        Route("/frame/{frame:int}", page.answer(page.frame)),
        Route("/log", page.answer(page.log)),
        Route("/preview/{name}", page.answer(page.preview)),
        Route("/larger/{name}", page.answer(page.larger)),
        Route("/static/{name}", page.answer(page.static)),
        Route(PULSE_PATH, page.answer(page.pulse)),
        Route("/mark", page.take(page.mark), methods=["POST"]),
        Route("/looked", page.take(page.looked), methods=["POST"]),
    ]
    handlers = {404: page.not_found, 500: page.went_wrong}
    return Guard(Starlette(routes=routes, exception_handlers=handlers), port=ground.port)


class _Page:
    """Answers requests."""

    def __init__(self, ground: Ground, facts: Facts) -> None:
        self._ground, self._facts = ground, facts
        self._templates = Environment(
            loader=FileSystemLoader(os.path.join(_HERE, "templates")),
            autoescape=True,  # names of files are anybody's
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )
        self._templates.filters["counted"] = counted
        self._templates.filters["instant"] = instant_words
        self._templates.filters["coded"] = _coded
        for name in self._templates.list_templates():
            self._templates.get_template(name)  # compiled now, so that the first view need not wait for it
        self._static = {name: _read(os.path.join(_HERE, "static", name)) for name in _STATIC}

    def answer(self, view: View) -> View:
        """Have what cannot be read said in words."""

        def answered(request: Request) -> Response:
            try:
                return view(request)
            except (AppError, OSError, RuntimeError) as exc:  # the last: no thread, or no more ledger
                return self._sorry(503, "That cannot be shown just now", str(exc))

        return answered

    def take(self, act: Callable[[Mapping[str, str]], Response]) -> Callable[[Request], Awaitable[Response]]:
        """Take what was posted, if it is whole and has our token."""

        async def taken(request: Request) -> Response:
            body = b""
            async for chunk in request.stream():
                body += chunk
                if len(body) > _FORM_BYTES:
                    return PlainTextResponse("That is too long.\n", status_code=413)
            form = {key: values[-1] for key, values in parse_qs(body.decode("latin-1")).items()}
            token = form.get("token", "").encode("latin-1", "replace")
            if not secrets.compare_digest(token, self._ground.token.encode()):
                return self._sorry(
                    403, "That page is old", "The service was started anew since. Load it again."
                )
            return await run_in_threadpool(self._try, act, form)

        return taken

    def _try(self, act: Callable[[Mapping[str, str]], Response], form: Mapping[str, str]) -> Response:
        try:
            return act(form)
        except (AppError, RuntimeError) as exc:  # the latter when the ledger was closed meanwhile
            return self._sorry(503, "That could not be noted", str(exc))

    # ---- views ----

    def tonight(self, _request: Request) -> Response:
        return self._html("tonight.html", "Tonight", tonight.view(self._ground, self._facts))

    def now(self, _request: Request) -> Response:
        return self._html("now.html", "Now", tonight.lanes(self._ground))

    def drives(self, _request: Request) -> Response:
        return self._html("drives.html", "Drives", drives.view(self._ground, self._facts))

    def years(self, _request: Request) -> Response:
        return self._html("years.html", "Years", years.view(self._ground, self._facts))

    def month(self, request: Request) -> Response:
        which = month.parse_which(request.path_params["month"], request.query_params)
        if which is None:
            return self._sorry(404, "There is no such month", "Months are written as 2026-01.")
        values = month.sheet(self._ground, which)
        return self._html("month.html", str(values["title"]), values, room="Years")

    def frame(self, request: Request) -> Response:
        is_unrated = request.query_params.get("only") == "unrated"
        number = int(request.path_params["frame"])
        values = month.one(self._ground, number, is_unrated=is_unrated) if number < 1 << 62 else None
        if values is None:
            return self._sorry(404, "There is no such frame", "It may have been another ledger's.")
        return self._html("frame.html", "Frame", values, room="Years")

    def log(self, request: Request) -> Response:
        return self._html("log.html", "Log", log.view(self._ground, request.query_params))

    def preview(self, request: Request) -> Response:
        digest = _digest(request)
        ledger = self._ground.settings().ledger
        return _picture(_read_preview(preview_path(ledger, digest)) if digest else b"")

    def larger(self, request: Request) -> Response:
        digest = _digest(request)
        return _picture(self._ground.larger(digest) if digest else b"")

    def static(self, request: Request) -> Response:
        name = str(request.path_params["name"])
        if name not in _STATIC:
            return PlainTextResponse("There is no such file.\n", status_code=404)
        return Response(self._static[name], media_type=_STATIC[name], headers={"cache-control": "no-cache"})

    def pulse(self, _request: Request) -> Response:
        return PlainTextResponse(pulse_of(self._ground.settings().ledger))

    # ---- what a person notes ----

    def mark(self, form: Mapping[str, str]) -> Response:
        """Put a frame on the list of those worth another look, or take it off."""
        frame, at = _number(form.get("frame", "")), utc_text(self._ground.now())
        is_marked = form.get("marked") == "1"
        if not self._ground.write(lambda l: l.sheets.mark(frame, is_marked=is_marked, at=at)):
            return self._sorry(404, "There is no such frame", "Load the page again.")
        return _go_to(form.get("next", ""), f"/frame/{frame}")

    def looked(self, form: Mapping[str, str]) -> Response:
        """Note how far somebody looked through a month."""
        which = month.parse_which(form.get("month", ""), form)
        frame = _number(form.get("frame", ""))
        trips = self._ground.settings().trips
        if which is None:
            return self._sorry(404, "There is no such month", "Months are written as 2026-01.")
        here = which

        def note(ledger: Ledger) -> bool:
            frames = sheet_of(ledger, here.month, trips, is_unrated=here.is_unrated)
            found = next((each for each in frames if each.frame == frame), None)
            if found is None:
                return False
            look = Look(
                month=here.name,
                captured=found.captured,
                frame=found.frame,
                looked_at=utc_text(self._ground.now()),
            )
            note_look(ledger, look, is_last=found is frames[-1])
            return True

        if not self._ground.write(note):
            return self._sorry(404, "There is no such frame", "Load the page again.")
        return _go_to(form.get("next", ""), here.link())

    # ---- answers ----

    async def not_found(self, _request: Request, _exc: Exception) -> Response:
        return self._sorry(404, "There is nothing here", "The words above lead to all there is.")

    async def went_wrong(self, _request: Request, _exc: Exception) -> Response:
        return self._sorry(
            500, "Something is wrong with this page", "The copying goes on. The log tells more."
        )

    def _html(
        self, template: str, title: str, values: Mapping[str, object], *, room: str = "", status: int = 200
    ) -> Response:
        text = self._templates.get_template(template).render(
            {**values, "studio": self._ground.settings().studio, "page_title": title, "room": room or title}
        )
        return HTMLResponse(text, status_code=status)

    def _sorry(self, status: int, what: str, why: str) -> Response:
        words = {"what": what, "why": shown(why)}
        return self._html("sorry.html", what, words, status=status)


def _digest(request: Request) -> Digest | None:
    """Give the digest that an address names."""
    name, _, ext = str(request.path_params["name"]).partition(".")
    return Digest(bytes.fromhex(name)) if ext == "jpg" and _DIGEST.fullmatch(name) else None


def _picture(found: bytes) -> Response:
    if not found.startswith(_JPEG):
        return PlainTextResponse(
            "There is no such picture.\n", status_code=404, headers={"cache-control": "no-store"}
        )
    return Response(found, media_type="image/jpeg", headers={"cache-control": _KEPT})


def _go_to(wanted: str, otherwise: str) -> Response:
    """Lead on to another view of ours; never elsewhere, whatever the form says."""
    is_ours = (
        re.fullmatch(r"/(month|frame)/[0-9-]{1,18}(\?[a-z0-9=&]{0,64})?(#f[0-9]{1,18})?", wanted) is not None
    )
    return RedirectResponse(wanted if is_ours or wanted in ("/", "/years") else otherwise, status_code=303)


def _number(text: str) -> int:
    return int(text) if _NUMBER.fullmatch(text) else -1


def _coded(text: str) -> Markup:
    """Give text with what stands in backticks, as a terminal shows commands, as code."""
    return Markup(_IN_TICKS.sub(r"<code>\1</code>", str(escape(text))))  # noqa: S704  escaped before


def _read(path: str) -> bytes:
    with open(path, "rb") as file:
        return file.read()


def _read_preview(path: str) -> bytes:
    """Read a preview; b"" for whatever is none."""
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return b""
    try:
        found = os.fstat(fd)
        is_one = stat.S_ISREG(found.st_mode) and found.st_size <= _PREVIEW_BYTES
        return os.read(fd, _PREVIEW_BYTES) if is_one else b""
    except OSError:
        return b""
    finally:
        os.close(fd)
