"""Sends one message, or only looks whether its address is one: a program of its own, ended by whoever started it.

The library that sends is large, and what it talks to may hang; here neither costs the service anything. Reads what to
send from standard input, as JSON, so that no address is seen among the processes; writes a reason to standard output,
"" when it went well.

May not import anything of this program, and may not repeat a word that the library or the other side said: an address
may stand in it. What is known of a failure is said in words of our own.
"""

from __future__ import annotations

import json
import logging
import re
import signal
import sys
from typing import Any, Final

BAD_ADDRESS: Final = (
    "apprise cannot send to its address: is it right, and is what it needs for that installed?"
)
UNKNOWN: Final = "it could not be sent"
# Found in what the library logs, or in what Python says of a failed connection, in small letters.
_SAID: Final = (
    ("connection refused", "nothing answers there (connection refused)"),
    ("timed out", "it does not answer"),
    ("timeout", "it does not answer"),
    ("name or service not known", "its name cannot be found; is there a network?"),
    ("name resolution", "its name cannot be found; is there a network?"),
    ("nodename nor servname", "its name cannot be found; is there a network?"),
    ("network is unreachable", "there is no network"),
    (
        "address family not supported",
        "the service may not use the network: see the comments in its unit file",
    ),
    ("no route to host", "there is no way to it"),
    ("certificate", "its certificate is not trusted"),
    ("auth extension", "it takes no name and password on this way"),
    ("authentication", "it does not accept the name or the password"),
    ("ssl", "no secure connection with it could be made"),
    ("connection unexpectedly closed", "it ended the connection"),
    ("connection reset", "it ended the connection"),
    ("remote end closed", "it ended the connection"),
)
_HTTP: Final = re.compile(r"error=(\d{3})\b")
_SMTP: Final = re.compile(r"\((\d{3}), b?['\"]")


class _Listener(logging.Handler):
    """Keeps what the library says, for as long as it takes to find a reason in it."""

    def __init__(self) -> None:
        super().__init__(logging.DEBUG)
        self.said: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one thing that was said."""
        self.said.append(record.getMessage())


def main() -> None:
    """Do what standard input asks for."""
    job = json.load(sys.stdin)
    signal.alarm(int(job["within_s"]) + 1)  # should nobody be left to end it
    sys.stdout.write(json.dumps({"reason": _send(job)}))


def _send(job: dict[str, Any]) -> str:
    import apprise  # noqa: PLC0415  only when something is to be sent

    listener = _Listener()
    apprise.logger.setLevel(logging.DEBUG)
    apprise.logger.addHandler(listener)
    apprise.logger.propagate = False
    asset = apprise.AppriseAsset(
        app_id="replicatord",
        app_desc="replicatord",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        async_mode=False,
        interpret_escapes=False,
        allow_templates=False,
        storage_mode=apprise.PersistentStoreMode.MEMORY,
    )
    way = apprise.Apprise(asset=asset)
    if not way.add(job["address"]):
        return BAD_ADDRESS
    if job["is_only_looked_at"]:
        return ""
    for each in way:
        each.notify_format = apprise.NotifyFormat.TEXT
        # A short service gets the head of it, where the gravest stands.
        each.overflow_mode = apprise.OverflowMode.TRUNCATE
    is_sent = way.notify(
        title=job["subject"],
        body=job["body"],
        notify_type=apprise.NotifyType.WARNING if job["is_bad"] else apprise.NotifyType.INFO,
        body_format=apprise.NotifyFormat.TEXT,
    )
    return "" if is_sent else _reason(listener.said)


def _reason(said: list[str]) -> str:
    """Find why it failed, and say it in words of our own."""
    text = "\n".join(said)
    if found := _HTTP.search(text):
        return f"it answered with HTTP status {found.group(1)}"
    if found := _SMTP.search(text):
        return f"the mail server answered with {found.group(1)}"
    text = text.lower()
    return next((reason for words, reason in _SAID if words in text), UNKNOWN)


if __name__ == "__main__":
    main()
