"""A source of a million files through one pass of the program: how long, how much memory. Prints figures.

Each holds its own number; with --empty they are all empty, one picture under a million names.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from tests.studio import Studio, new_studio, until

FILES: Final = 1_000_000
PER_FOLDER: Final = 1_000
WITHIN_S: Final = 4 * 3600.0
TIER: Final = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{source}/{folder}/{name}"}\n'


def main() -> int:
    """Run it; gives 1 when the pass did not end well."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=FILES)
    parser.add_argument("--empty", action="store_true", help="all of one content, which is none")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="million-") as folder:
        studio = new_studio(Path(folder), drives=("curlew", "dunlin"), tiers=TIER)
        fill(studio.cards, arguments.files, is_empty=arguments.empty)
        print(f"{arguments.files:,} files", flush=True)
        is_well = True
        for words in ("first pass", "second pass, nothing new"):
            is_well = one_pass(studio, words, arguments.files) and is_well
    return 0 if is_well else 1


def fill(source: Path, count: int, *, is_empty: bool, per_folder: int = PER_FOLDER) -> None:
    """Make files, so many to a folder."""
    for number in range(count):
        folder, name = divmod(number, per_folder)
        if name == 0:
            (source / f"{folder:05d}").mkdir()
        fd = os.open(source / f"{folder:05d}" / f"TIDE{name:04d}.JPG", os.O_CREAT | os.O_WRONLY)
        if not is_empty:
            os.write(fd, b"%d" % number)
        os.close(fd)


def one_pass(studio: Studio, words: str, files: int) -> bool:
    """Make a pass, watch its memory, and print what it took; tell whether it ended well, with all files known."""
    begun = time.monotonic()
    process = studio.start(service=False)
    highest_kib = [0]

    def is_over() -> bool:
        if process.poll() is not None:
            return True
        highest_kib[0] = max(highest_kib[0], peak_kib(process.pid))
        return False

    until(is_over, within_s=WITHIN_S)
    seconds = time.monotonic() - begun
    known = [line for line in studio.lines("rescan_done", source="cards") if line["files"] == files]
    ledger = (studio.folder / "state" / "ledger.sqlite").stat().st_size
    print(
        f"{words}: status {process.returncode}, {seconds:.0f} s, {files / seconds:,.0f} files a second,"
        f" peak {highest_kib[0] / 1024:.0f} MiB, ledger {ledger / 1e6:.0f} MB",
        flush=True,
    )
    return process.returncode == 0 and bool(known)


def peak_kib(pid: int) -> int:
    """Give the most memory that a process ever had (proc(5), VmHWM); 0 when it has just ended."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM")), 0)


if __name__ == "__main__":
    sys.exit(main())
