"""The web server of the page, on a socket that listens already, until it is told to end.

May not open a port or decide when it is tried again: `page.serving` does. What is imported here is heavy, so that
imports it only where a page is served, and in its own thread.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from contextlib import suppress
from typing import Final

import uvicorn

from replicatord.page.app import make_app
from replicatord.page.facts import Facts
from replicatord.page.ground import Ground

STOP_S: Final = 2  # so long answers that are under way may take at a stop
AT_ONCE: Final = 64  # connections; a browser has six


class Server(uvicorn.Server):
    """The library's server, which looks ten times a second whether it should end; this one waits to be told."""

    def __init__(self, ground: Ground) -> None:
        """Make it; nothing is served yet."""
        self._facts = Facts(ground)
        super().__init__(_config(ground, self._facts))
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end = asyncio.Event()

    def serve_on(self, listening: socket.socket) -> None:
        """Serve until it is told to end. Raises whatever the library does, SystemExit too."""
        threading.Thread(target=self._warm, name="page facts", daemon=True).start()
        self.run(sockets=[listening])

    async def main_loop(self) -> None:
        """Serve until it is told to end."""
        self._loop = asyncio.get_running_loop()
        await self.on_tick(0)
        while not self.should_exit:
            await self._end.wait()

    def end(self) -> None:
        """End; from another thread."""
        self.should_exit = True
        loop = self._loop
        if loop is not None:
            with suppress(RuntimeError):  # it has ended already
                loop.call_soon_threadsafe(self._end.set)

    def _warm(self) -> None:
        with suppress(Exception):  # whoever asks for the page is told
            self._facts.warm()


def _config(ground: Ground, facts: Facts) -> uvicorn.Config:
    return uvicorn.Config(
        make_app(ground, facts),
        loop="asyncio",
        http="h11",
        ws="none",
        lifespan="off",
        interface="asgi3",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        limit_concurrency=AT_ONCE,
        timeout_graceful_shutdown=STOP_S,
    )
