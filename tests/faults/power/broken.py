"""A disk that gives errors under a real file system, in the midst of copying, and then works again.

After a flush that failed the next one may succeed though nothing was written (Rebello and others, "Can Applications
Recover from fsync Failures?", USENIX ATC 2020), and a file system may give up its journal.
"""

from __future__ import annotations

import hashlib
import random
from itertools import product
from pathlib import Path
from types import MappingProxyType
from typing import Final

from tests.faults.looks import look
from tests.faults.power.cuts import DAY, MAKES, TIERS, power_disk
from tests.studio import HIDDEN, make_frame, new_studio

# What fails, and after how many calls of the second load.
WAYS: Final = MappingProxyType({"write": 1, "flush": 1, "read": 0})
CASES: Final = tuple(product(MAKES, WAYS))


def break_disk(folder: Path, file_system: str, what: str) -> list[str]:
    """Have it happen; give what is wrong."""
    studio = new_studio(folder / "studio", drives=[], tiers=TIERS)
    state = studio.folder / "state"
    with power_disk(folder / "drive", folder / "drive" / "mnt", file_system) as disk:
        studio.add_drive("curlew", "ssd", root=disk.point)
        chance = random.Random(5)
        make_frame(studio.cards / "shore", "TIDE0001", chance, stars=0, captured=DAY)
        passed = studio.once()
        wrong = [] if passed.status == 0 else [passed.said]
        make_frame(studio.cards / "shore", "TIDE0002", chance, stars=1, captured=DAY)
        disk.fail(what, after=WAYS[what])
        studio.once()
        # Of readings, the page cache may have all names and inodes that are asked for.
        is_told = any(line.get("level") in {"warning", "error"} for line in studio.lines("drive_waits"))
        wrong += [] if is_told or what == "read" else ["I10: nobody was told"]
        disk.mend()
        files = list((studio.cards / "shore").iterdir())
        contents = frozenset(hashlib.sha256(path.read_bytes()).hexdigest() for path in files)
        wrong += look(disk.point, state, contents).violations
        passed = studio.once()
        wrong += [] if passed.status == 0 else [passed.said]
        looked = look(disk.point, state, contents)
        wrong += looked.violations
        wrong += [] if looked.verified == len(files) else [f"{looked.verified} of {len(files)} verified"]
        held = {path: text for path, text in studio.tree("curlew").items() if not path.startswith(HIDDEN)}
        if held != {f"shore/{path.name}": path.read_bytes() for path in files}:
            wrong.append(f"in the end it holds {sorted(held)}")
    return wrong
