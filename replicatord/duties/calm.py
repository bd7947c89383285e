"""When a reckoning that goes through everything is worth while: once nothing has changed for some time.

May not reckon, nor look at a clock: whoever asks says what time it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

_CALM_S: Final = 10.0  # how long nothing is to have changed
_SHARE: Final = 20  # at most one second in so many goes into it


@dataclass(kw_only=True)
class Calm:
    """For one reckoning, which has a `mark`, whatever that is, of what it was made from."""

    took_s: float = 0.0  # how long it took last
    _mark: object = None
    _due_s: float = 0.0

    def is_due(self, mark: object, *, reckoned: object, now_s: float) -> bool:
        """Tell whether it is time, by the marks of how all is now and of how it was when it was `reckoned` last."""
        if mark != self._mark:
            self._mark, self._due_s = mark, now_s + max(_CALM_S, _SHARE * self.took_s)
            return False
        return mark != reckoned and now_s >= self._due_s
