"""Serves the page on 127.0.0.1, in a thread of its own, for as long as the service runs.

May not end the service or keep it waiting: a port that is taken, or a failure of the server, is told in the log, and it
is tried again.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import TYPE_CHECKING, Final

from replicatord.page.ground import Ground

if TYPE_CHECKING:  # heavy: imported in the thread
    from replicatord.page.server import Server

ADDRESS: Final = "127.0.0.1"
AGAIN_S: Final = 30.0  # how soon a port that is taken is tried again, at the latest
_AGAIN_FIRST_S: Final = 1.0  # and at first; then each time twice as long
_WAITING_S: Final = 3.0  # so long a stop waits for answers that are under way
_QUEUE: Final = 64  # connections that wait to be taken; a browser has six


class PageServer:
    """The thread that serves the page. One for each port; another takes its place when the settings change."""

    def __init__(
        self, ground: Ground, say: Callable[[Mapping[str, object]], None], *, again_s: float = AGAIN_S
    ) -> None:
        """`say` tells in the log that the page cannot be served; it may raise when the service ends."""
        self._ground, self._say, self._again_s = ground, say, again_s
        self._stop = threading.Event()
        self._server: Server | None = None
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

    def leave(self) -> None:
        """End without being waited for."""
        self._stop.set()
        server = self._server
        if server is not None:
            server.end()

    def stop(self) -> None:
        """End; answers that take long are given up."""
        self.leave()
        if self._thread.ident is not None:
            self._thread.join(_WAITING_S)

    def _run(self) -> None:
        rest_s = min(_AGAIN_FIRST_S, self._again_s)
        while not self._stop.is_set():
            try:
                with _listen(self._ground.port) as listening:
                    rest_s = min(_AGAIN_FIRST_S, self._again_s)
                    self._serve(listening)
                self._told = ""
            except OSError as exc:
                self._tell(exc.strerror or str(exc))
            except (Exception, SystemExit) as exc:  # noqa: BLE001  the library ends the process for some failures
                self._tell(repr(exc))
            self._stop.wait(rest_s)
            rest_s = min(2 * rest_s, self._again_s)

    def _serve(self, listening: socket.socket) -> None:
        from replicatord.page.server import Server  # noqa: PLC0415

        self._server = server = Server(self._ground)
        try:
            if not self._stop.is_set():  # who told it to end before may not have seen the server
                server.serve_on(listening)
        finally:
            self._server = None

    def _tell(self, reason: str) -> None:
        """Say it in the log, once as long as it is the same."""
        if reason != self._told and not self._stop.is_set():
            self._told = reason
            with suppress(Exception):  # the ledger may be closed by now
                self._say({"level": "warning", "port": self._ground.port, "reason": reason})


def _listen(port: int) -> socket.socket:
    """Listen on this machine's own address alone. Raises OSError."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        # A port that was served a moment ago can be taken at once (socket(7)).
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((ADDRESS, port))
        listening.listen(_QUEUE)
    except OSError:
        listening.close()
        raise
    return listening
