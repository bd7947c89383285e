"""What the demo needs and may miss: the errors that its drawing raises.

May not import Pillow: it is what says that Pillow is missing.
"""

from __future__ import annotations

from replicatord.errors import AppError


class DemoNeedsPillow(AppError):  # noqa: N818 - says what is the matter, as a sentence does
    """The pictures of the demo cannot be drawn: Pillow is not installed."""

    def __str__(self) -> str:
        """Say what is missing and how to get it."""
        return "could not draw the demo's pictures: Pillow is missing; install it with `pip install Pillow`"


class DemoCannotWrite(AppError):  # noqa: N818 - as above
    """A file of the demo could not be written; what was written before it stays."""

    def __init__(self, path: str, cause: str) -> None:
        super().__init__(path, cause)  # all parts in args, so the error survives pickling
        self.path, self.cause = path, cause

    def __str__(self) -> str:
        """Say which file, why, and what to do."""
        return f"could not write {self.path}: {self.cause}; choose an empty folder that you may write to"
