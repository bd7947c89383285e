"""Runs the program's commands, each time in a child that is forked when everything is imported. A program of its own.

What to run comes in as a line of JSON; the child's number goes out, and, when it ended, its status. A start takes
milliseconds in this way, so that a fault can be tried at thousands of moments. May not know what a fault is for.
"""

from __future__ import annotations

import ctypes
import faulthandler
import gc
import json
import os
import random
import signal
import sys
import time
import traceback
from pathlib import Path
from typing import Any

import replicatord.cli.adopt
import replicatord.cli.fixity
import replicatord.cli.rebuild
import replicatord.cli.restore
import replicatord.cli.survey
import replicatord.once
import replicatord.service  # noqa: F401  each command imports what is its own, and here that is done before
from replicatord.cli.main import main
from tests.faults.mutants import switch_on

_CRASHED = 70  # an error that nobody caught, sysexits(3), EX_SOFTWARE


def serve() -> None:
    """Do what comes in until nothing does."""
    gc.freeze()  # so that a child does not copy all of it at its first collection
    for line in sys.stdin:
        asked = json.loads(line)
        child = os.fork()
        if not child:
            _become(asked)
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def _become(asked: dict[str, Any]) -> None:
    """Run the commands one after another, and end as the last of them."""
    status = _CRASHED
    try:
        said = os.open(asked["said"], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        for fd in (1, 2):
            os.dup2(said, fd)
        faulthandler.register(signal.SIGUSR1)
        os.environ.update(asked["environment"])
        time.tzset()
        random.seed()  # else all children would draw the same
        switch_on()
        fault = asked["fault"]
        if fault is not None:
            ctypes.CDLL(None).shim_set(
                fault["below"].encode(),
                fault["kind"],
                ctypes.c_long(fault["at"]),
                fault["act"].encode(),
                fault["for_ever"],
            )
        for words in asked["commands"]:
            status = main([*words, "--settings", asked["settings"]])
        if fault is not None:
            Path(asked["counted"]).write_text(str(ctypes.CDLL(None).shim_calls()))
    except SystemExit as exc:
        status = exc.code if isinstance(exc.code, int) else _CRASHED
    except BaseException:  # noqa: BLE001  told by the text and the status
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        os._exit(status)


if __name__ == "__main__":
    serve()
