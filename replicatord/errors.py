"""Who can help when something goes wrong: the four families of errors.

May not import anything of ours. A message says what was tried, on what, what happened, what to do.
"""


class AppError(Exception):
    """Anything that this program raises on purpose."""


class SettingsError(AppError):
    """The person who edits the settings can help. Carries every mistake found, not the first."""


class DriveError(AppError):
    """A drive did not do what was asked. Part of normal life: the work waits or is tried again."""

    def __init__(self, drive: str, act: str, path: bytes, cause: str) -> None:
        super().__init__(drive, act, path, cause)  # all parts in args, so the error survives pickling
        self.drive, self.act, self.path, self.cause = drive, act, path, cause

    def __str__(self) -> str:
        """Say what was tried, on what, and what happened."""
        name = self.path.decode("utf-8", "backslashreplace")
        return f"could not {self.act} {name} on drive {self.drive}: {self.cause}"


class LedgerError(AppError):
    """The operator can help: the ledger is not readable, not writable, or not ours."""


class InvariantError(AppError):
    """We can help: something that must stay true did not. Ends the process."""
