"""Opens for reading without leaving an access time behind, where the system allows it.

May not open for anything but reading.
"""

from __future__ import annotations

import errno
import os
from typing import Final

_NO_TRACE: Final = getattr(os, "O_NOATIME", 0)  # Linux's


def open_untouched(path: str | bytes, flags: int, *, dir_fd: int | None = None) -> int:
    """Open a file or folder with `flags`, its access time left alone if that may be. Raises OSError.

    Only the owner of a file, or root, may ask for that (open(2), O_NOATIME: else EPERM); for anybody else the
    file is opened as usual, and how it is mounted decides.
    """
    try:
        return os.open(path, flags | _NO_TRACE, dir_fd=dir_fd)
    except PermissionError as exc:
        if exc.errno != errno.EPERM:
            raise  # EACCES: it may not be read at all
        return os.open(path, flags, dir_fd=dir_fd)
