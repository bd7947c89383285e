"""Talks to systemd: ready, stopping, and the watchdog's ping (sd_notify(3)).

May not fail the service: without systemd every call does nothing.
"""

from __future__ import annotations

import os
import socket
from typing import Final

# A few datagrams that nobody fetches fill the socket (unix(7)); a stop may not wait for its reader.
_PATIENCE_S: Final = 1.0


class Notifier:
    """Sends states to the socket that systemd named in NOTIFY_SOCKET."""

    def __init__(self, environment: dict[str, str]) -> None:
        """Read the socket's name and the watchdog's time from the environment."""
        self._address = environment.get("NOTIFY_SOCKET", "")
        if self._address.startswith("@"):
            self._address = "\0" + self._address[1:]  # an abstract socket (unix(7))
        usec = environment.get("WATCHDOG_USEC", "")
        is_ours = environment.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.watchdog_s = int(usec) / 1e6 if usec.isdigit() and is_ours else None

    def send(self, *states: str) -> None:
        """Send states such as READY=1, one datagram."""
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sender:
            sender.settimeout(_PATIENCE_S)
            try:
                sender.sendto("\n".join(states).encode(), self._address)
            except OSError:
                return  # systemd is gone, restarting or busy; nothing of ours depends on it
