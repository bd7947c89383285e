"""`page`: where the page is, and whether the service really serves it.

May not say that it is served unless it answered, and is this studio's.
"""

from __future__ import annotations

import http.client
import json

from replicatord.ledger.lock import find_running
from replicatord.model.settings import Settings
from replicatord.page.ground import PULSE_PATH, pulse_of

_ADDRESS = "127.0.0.1"
_PATIENCE_S = 3.0
_ANSWER_BYTES = 256


def show_page(settings: Settings, *, as_json: bool) -> int:
    """Print the address, and whether it answers; give 0 when it does, else 1."""
    address = address_of(settings)
    served = is_served(settings)
    if as_json:
        print(json.dumps({"address": address, "served": served}))
    elif address is None:
        print("The settings serve no page: `page: {serve: false}`.")
    elif served:
        print(address)
    elif find_running(settings.ledger) is None:
        print(f"{address} is not served: the service is not running. `replicatord run` starts it.")
    else:
        print(
            f"{address} is not served, though the service runs: another program may have the port, see"
            " `replicatord log --problems`."
        )
    return 0 if served else 1


def address_of(settings: Settings) -> str | None:
    """Give the address of the page; None where none is served."""
    return None if settings.page_port is None else f"http://{_ADDRESS}:{settings.page_port}"


def is_served(settings: Settings) -> bool:
    """Tell whether the page of this studio answers there."""
    if settings.page_port is None:
        return False
    connection = http.client.HTTPConnection(_ADDRESS, settings.page_port, timeout=_PATIENCE_S)
    try:
        connection.request("GET", PULSE_PATH)
        answer = connection.getresponse().read(_ANSWER_BYTES)
    except (OSError, http.client.HTTPException):
        return False
    finally:
        connection.close()
    return answer == pulse_of(settings.ledger).encode()
