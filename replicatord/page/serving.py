"""Serves the page on 127.0.0.1, in a thread of its own, for as long as the service runs.

May not end the service or keep it waiting: a port that is taken, or a failure of the server, is told in the log, and it
is tried again. What is imported here is heavy, so this module is imported only where a page is served.
"""

from __future__ import annotations

import asyncio
import socket
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Final

import uvicorn

from replicatord.page.app import make_app
from replicatord.page.facts import Facts
from replicatord.page.ground import Ground

ADDRESS: Final = "127.0.0.1"
AGAIN_S: Final = 30.0  # how soon a port that is taken is tried again
_STOP_S: Final = 2.0  # so long answers that are under way may take at a stop
_AT_ONCE: Final = 64  # connections; a browser has six


class PageServer:
    """The thread that serves the page. One for each port; another takes its place when the settings change."""

    def __init__(
        self, ground: Ground, say: Callable[[Mapping[str, object]], None], *, again_s: float = AGAIN_S
    ) -> None:
        """`say` tells in the log that the page cannot be served; it may raise when the service ends."""
        self._ground, self._say, self._again_s = ground, say, again_s
        self._facts = Facts(ground)
        self._stop = threading.Event()
        self._server: _Server | None = None
        self._told = ""
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)

    @property
    def port(self) -> int:
        """The port that it serves, or tries to."""
        return self._ground.port

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def is_alive(self) -> bool:
        """Tell whether its thread still lives."""
        return self._thread.is_alive()

    def stop(self) -> None:
        """End; answers that take long are given up."""
        self._stop.set()
        server = self._server
        if server is not None:
            server.end()
        if self._thread.ident is not None:
            self._thread.join(_STOP_S + 1.0)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                listening = _listen(self._ground.port)
            except OSError as exc:
                self._tell(exc.strerror or str(exc))
            else:
                self._told = ""
                with listening:
                    self._serve(listening)
            self._stop.wait(self._again_s)

    def _serve(self, listening: socket.socket) -> None:
        try:
            server = _Server(_config(self._ground, self._facts))
            self._server = server
            if self._stop.is_set():
                return
            threading.Thread(target=self._warm, name="page facts", daemon=True).start()
            server.run(sockets=[listening])
        except (Exception, SystemExit) as exc:  # noqa: BLE001  the library ends the process for some failures
            self._tell(repr(exc))
        finally:
            self._server = None

    def _warm(self) -> None:
        with suppress(Exception):  # whoever asks for the page is told
            self._facts.warm()

    def _tell(self, reason: str) -> None:
        """Say it in the log, once as long as it is the same."""
        if reason != self._told and not self._stop.is_set():
            self._told = reason
            with suppress(Exception):  # the ledger may be closed by now
                self._say({"level": "warning", "port": self._ground.port, "reason": reason})


class _Server(uvicorn.Server):
    """The library's server, which looks ten times a second whether it should end; this one waits to be told."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._end = asyncio.Event()

    async def main_loop(self) -> None:
        """Serve until it is told to end."""
        self._loop = asyncio.get_running_loop()
        await self.on_tick(0)
        while not self.should_exit:
            await self._end.wait()

    def end(self) -> None:
        """End, from another thread."""
        self.should_exit = True
        loop = self._loop
        if loop is not None:
            with suppress(RuntimeError):  # it has ended already
                loop.call_soon_threadsafe(self._end.set)


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
        limit_concurrency=_AT_ONCE,
        timeout_graceful_shutdown=round(_STOP_S),
    )


def _listen(port: int) -> socket.socket:
    """Listen on this machine's own address alone. Raises OSError."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # A port that was served a moment ago can be taken at once (socket(7)).
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((ADDRESS, port))
        listening.listen(_AT_ONCE)
    except OSError:
        listening.close()
        raise
    return listening
