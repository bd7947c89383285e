"""Killed with SIGKILL while it heals, replaces or restores: there are never fewer good copies than before (I2, I8, I11).

For the quick test and for the soak.
"""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.studio import HIDDEN, TIERS, Studio, check_sums, new_studio, until

FILES: Final = 12
FILE_BYTES: Final = 60_000
_BEGUN: Final = 1_769_462_043  # 2026-01-26: by this file time all are filed


@dataclass(kw_only=True)
class Kills:
    """A studio whose program is killed again and again."""

    studio: Studio
    target: Path
    chance: random.Random
    longest_s: dict[str, float] = field(default_factory=dict)  # what each action takes undisturbed
    killed: Counter[str] = field(default_factory=Counter)  # action -> how often it was killed in its midst
    _former: set[str] = field(default_factory=set)  # contents that were replaced in the source

    def round(self, action: str) -> None:
        """Do one action and kill it somewhere, look, then let it end, and look again. Fails by assertion."""
        prepare, words = {
            "healing": (self._rot, ["fixity", "--all"]),
            "replacing": (self._edit, ["once"]),
            "restoring": (self._empty_target, ["restore", "--all", "--to", str(self.target), "--go"]),
        }[action]
        prepare()
        before = self.good()
        if self._kill_in(action, words):
            self.killed[action] += 1
        after = self.good()
        fewer = {
            content: (count, after[content]) for content, count in before.items() if after[content] < count
        }
        assert not fewer, (action, fewer)
        self._assert_whole_names()
        self._finish(words)
        self._assert_all_good()

    def good(self) -> Counter[tuple[str, str]]:
        """Count the files of each drive by their content, those in earlier/ too; what is not proved does not count."""
        found: Counter[tuple[str, str]] = Counter()
        wanted = self._wanted()
        for name, root in self.studio.drives.items():
            for path in _files(root):
                digest = _digest(path)
                if f"{HIDDEN}/partial" not in str(path) and digest in wanted:
                    found[name, digest] += 1
        return found

    def _wanted(self) -> set[str]:
        return {_digest(path) for path in _files(self.studio.cards)} | self._former

    def _kill_in(self, action: str, words: list[str]) -> bool:
        """Start it and kill it within the time that it takes; tell whether it was still at work."""
        usual_s = self.longest_s.get(action)
        begun = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-m", "replicatord", *words, "--settings", str(self.studio.settings)],
            env=self.studio.environment(),
            cwd=self.studio.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        if usual_s is None:
            process.wait(timeout=120)
            self.longest_s[action] = time.monotonic() - begun
            return False
        moment = begun + self.chance.uniform(0.25, 1.0) * usual_s  # the first quarter is Python's own start
        until(lambda: process.poll() is not None or time.monotonic() >= moment)
        was_at_work = process.poll() is None
        process.kill()
        process.wait()
        return was_at_work

    def _finish(self, words: list[str]) -> None:
        for _ in range(2):
            done = self.studio.ask(*words)
            assert done.returncode in (0, 1), done.stdout + done.stderr
        assert self.studio.once().status == 0

    def _assert_whole_names(self) -> None:
        """Check that no half file has a final name in the folder of a restore."""
        wanted = self._wanted()
        for path in _files(self.target):
            assert path.parent.name == ".being-restored" or _digest(path) in wanted, path

    def _assert_all_good(self) -> None:
        now = {_digest(path) for path in _files(self.studio.cards)}
        good = self.good()
        for drive, root in self.studio.drives.items():
            assert all(good[drive, digest] for digest in now), drive
            listed = (root / HIDDEN / "SHA256SUMS").read_bytes().count(b"\n")
            check_sums(root, files=listed)

    def _rot(self) -> None:
        """Flip a bit in some copies, each content on one drive only."""
        drive = self.chance.choice(sorted(self.studio.drives))
        root = self.studio.drives[drive]
        paths = sorted(path for path in _files(root) if HIDDEN not in path.parts)
        for path in self.chance.sample(paths, 3):
            at, content = path.stat(), bytearray(path.read_bytes())
            content[self.chance.randrange(len(content))] ^= 1 << self.chance.randrange(8)
            path.write_bytes(content)
            os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))

    def _edit(self) -> None:
        """Replace some files of the source by others, as an export does."""
        for path in self.chance.sample(sorted(_files(self.studio.cards)), 3):
            self._former.add(_digest(path))
            path.write_bytes(self.chance.randbytes(FILE_BYTES))
            os.utime(path, (_BEGUN, _BEGUN))

    def _empty_target(self) -> None:
        for path in _files(self.target):
            path.unlink()


def _files(root: Path) -> list[Path]:
    return [Path(folder, name) for folder, _, names in os.walk(root) for name in names]


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


ACTIONS: Final = ("healing", "replacing", "restoring")


def kill_rounds(
    folder: Path, *, rounds: int, seed: int, show: Callable[[int], None] = lambda _: None
) -> Counter[str]:
    """Make so many rounds, after one of each action that nobody disturbs; give how often each was killed at work."""
    studio = new_studio(folder / "studio", drives=["curlew", "dunlin"], tiers=TIERS.split("  best:")[0])
    # Many files are replaced here within minutes, which would else be taken for an accident.
    studio.more = "hold_when: {changed: 100%, within: 10s}\n"
    studio.write_settings()
    (folder / "back").mkdir()
    chance = random.Random(seed)
    (studio.cards / "shore").mkdir()
    for number in range(FILES):
        path = studio.cards / "shore" / f"TIDE{number:04d}.DNG"
        path.write_bytes(chance.randbytes(FILE_BYTES))
        os.utime(path, (_BEGUN, _BEGUN))
    assert studio.once().status == 0
    kills = Kills(studio=studio, target=folder / "back", chance=chance)
    for number in range(rounds + len(ACTIONS)):
        kills.round(ACTIONS[number % len(ACTIONS)])
        show(number + 1)
    return kills.killed
