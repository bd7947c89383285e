"""What takes long to reckon is made in a thread of its own and kept: whoever asks gets the last one at once.

May not keep a failure: it is raised to whoever asks, and tried again.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Final, Generic, TypeVar

from replicatord.errors import AppError

Made = TypeVar("Made")
_FRESH_S: Final = 2.0  # so old is as good as new
_SHARE: Final = 20  # making takes at most one part in so many of the time
_PATIENCE_S: Final = 0.12  # so long the answer may be late for being new
_FIRST_S: Final = 60.0  # so long the first one may take


class Kept(Generic[Made]):
    """One thing that is made anew when it is asked for and old."""

    def __init__(self, make: Callable[[], Made]) -> None:
        self._make = make
        self._changed = threading.Condition()
        self._made: Made | None = None
        self._failure: Exception | None = None
        self._at_s = -_FRESH_S  # when it was made, or could not be
        self._took_s = 0.0
        self._is_making = False

    def get(self) -> Made:
        """Give it, new if that takes no time to speak of. Raises what making it raised."""
        with self._changed:
            self._begin_if_old()
            if self._is_making:
                patience_s = _PATIENCE_S if self._made is not None else _FIRST_S
                self._changed.wait_for(lambda: not self._is_making, patience_s)
            if self._failure is not None:
                raise self._failure
            if self._made is None:
                raise AppError("it takes longer than a minute to read the ledger; try again later")
            return self._made

    def _begin_if_old(self) -> None:
        age_s = time.monotonic() - self._at_s
        if not self._is_making and age_s > max(_FRESH_S, _SHARE * self._took_s):
            thread = threading.Thread(target=self._renew, name="page facts", daemon=True)
            try:
                thread.start()  # it waits for the lock that is held here
            except RuntimeError as exc:  # no thread can be had just now
                self._failure = exc
            else:
                self._is_making = True

    def _renew(self) -> None:
        began_s = time.monotonic()
        made: Made | None = None
        failure: Exception | None = None
        try:
            made = self._make()
        except Exception as exc:  # noqa: BLE001  whoever asks gets it
            failure = exc
        with self._changed:
            self._made, self._failure = (made if failure is None else self._made), failure
            self._at_s = time.monotonic()
            self._took_s = self._at_s - began_s
            self._is_making = False
            self._changed.notify_all()
