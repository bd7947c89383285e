"""A source that changes while it is read, as a camera, an editor or a pulled cable would change it (promise I9).

The program is stopped at each reading of one file, the file changes, and the program goes on. May not use any part of it.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Final

from tests.faults.looks import look
from tests.faults.passes import READING, Fault
from tests.faults.sweep import Bench, Result
from tests.studio import HIDDEN, Pass, Studio, make_frame, new_studio, stats, tree

# The program reads 4 MiB at once, so that this takes two readings.
RAW_BYTES: Final = 5_000_000
READINGS: Final = 8  # as many as there are of the file, by the looker and by both lanes
_DAY: Final = "2026:01:26 07:30:00"
_TIERS: Final = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'
_PLACE: Final = "shore/TIDE0001.DNG"
_KEPT: Final = ("drives", "state", "cards")
_PARTIAL: Final = f"{HIDDEN}/partial"
_GAP_MAX: Final = 4  # readings until it is changed back


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """The file changes at a reading of it, and perhaps back at a later one."""

    way: str
    at: int
    is_known: bool = False  # a former content of it was copied before
    back_after: int = 0  # readings; 0: it stays as it is
    mutant: str = ""


# What happens to the file.


def _cut(path: Path) -> None:
    os.truncate(path, RAW_BYTES // 2)


def _tear(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(RAW_BYTES // 2)
        file.write(_picture("torn")[: RAW_BYTES // 2])


def _append(path: Path) -> None:
    with path.open("ab") as file:
        file.write(_picture("appended")[:10_000])


def _rewrite(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(_picture("rewritten"))


def _replace(path: Path) -> None:
    new = path.with_suffix(".tmp")
    new.write_bytes(_picture("replaced"))
    new.replace(path)


def _in_its_time(change: Callable[[Path], None]) -> Callable[[Path], None]:
    def do(path: Path) -> None:
        at = path.stat()
        change(path)
        os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))

    return do


WAYS: Final[Mapping[str, Callable[[Path], None]]] = MappingProxyType(
    {
        "cut": _cut,
        "torn": _tear,
        "appended to": _append,
        "rewritten": _rewrite,
        "rewritten, its time put back": _in_its_time(_rewrite),
        "replaced": _replace,
        "replaced, its time put back": _in_its_time(_replace),
    }
)


def changes(chance: random.Random, count: int) -> Iterator[Change]:
    """Give changes in all ways at all readings; of what keeps its length every other one is changed back."""
    for number in range(count):
        way = list(WAYS)[number % len(WAYS)]
        is_back = "time put back" in way and chance.random() < 0.5
        yield Change(
            way=way,
            at=1 + number // len(WAYS) % READINGS,
            is_known=chance.random() < 0.5,
            back_after=chance.randint(1, _GAP_MAX) if is_back else 0,
        )


@dataclass(kw_only=True)
class _Shore:
    """A studio whose source is read and changes."""

    studio: Studio
    kept: Path
    contents: set[str] = field(default_factory=set)  # digests (hex) that files of the source ever had

    @property
    def file(self) -> Path:
        return self.studio.cards / _PLACE

    def set_back(self, *, is_known: bool) -> None:
        """Have a file that nobody has copied, or one whose former content was."""
        for name in _KEPT:
            shutil.rmtree(self.studio.folder / name)
            shutil.copytree(self.kept / ("known" if is_known else "new") / name, self.studio.folder / name)
        self.contents.clear()
        if is_known:
            self.note()
            self.file.write_bytes(_picture("second"))
        self.note()

    def keep(self, name: str) -> None:
        for each in _KEPT:
            shutil.copytree(self.studio.folder / each, self.kept / name / each)

    def note(self) -> None:
        """Remember what the source holds now."""
        self.contents.update(map(_digest, tree(self.studio.cards).values()))

    def look(self) -> list[str]:
        """Say what is wrong now: a name, a claim or a content in the ledger that no source ever had."""
        wrong = []
        state = self.studio.folder / "state"
        for name, root in self.studio.drives.items():
            looked = look(root, state, frozenset(self.contents), bay=name)
            wrong += [f"{name}: {violation}" for violation in looked.violations]
            if tree(root / HIDDEN / "set-aside"):
                wrong.append(f"I9: {name} is blamed for what its source did")
        with closing(sqlite3.connect(state / "ledger.sqlite")) as ledger:
            known = {digest.hex() for (digest,) in ledger.execute("SELECT digest FROM content")}
        wrong += ["I9: the ledger has a content that no source ever held"] if known - self.contents else []
        errors = [line for line in self.studio.lines() if line.get("level") == "error"]
        return wrong + [f"I9: it is told as an error: {line}" for line in errors]

    def held(self) -> dict[str, set[str]]:
        """Give the digests of all that each drive holds by a name of its own, in earlier/ too."""
        return {
            name: {_digest(text) for path, text in self.studio.tree(name).items() if _PARTIAL not in path}
            for name in self.studio.drives
        }


# The one of this process, since all cases have the same.
_SHORES: Final[dict[Path, _Shore]] = {}


def try_change(bench: Bench, case: Change) -> Result:
    """Have the file change under the reading, look, start again until it is quiet, look again."""
    shore = _shore(bench)
    shore.set_back(is_known=case.is_known)
    more = {"REPLICATORD_MUTANT": case.mutant} if case.mutant else {}
    was_hit, done = _change(bench, shore, case, more)
    wrong = [] if done.status in {0, 1} and "Traceback" not in done.said else [done.said[-3000:]]
    wrong += shore.look()
    before, sources = shore.held(), stats(shore.studio.cards)
    for _ in range(3):
        done = bench.passes.run(shore.studio, ("once",), more=more)
        if done.status == 0:
            break
    wrong += [] if done.status == 0 else [f"I11: starting again does not end well: {done.said[-300:]}"]
    wrong += shore.look()
    wrong += [] if stats(shore.studio.cards) == sources else ["I1: the source is not as it was"]
    for name, digests in shore.held().items():
        gone = before[name] & shore.contents - digests
        wrong += [f"I8: {name} lost {len(gone)} former contents"] if gone else []
        found = tree(shore.studio.drives[name])
        if {path: text for path, text in found.items() if not path.startswith(HIDDEN)} != tree(
            shore.studio.cards
        ):
            wrong.append(f"I11: {name} does not have what the source has now")
    return Result(case=case, was_hit=was_hit, wrong=tuple(wrong))


def _change(bench: Bench, shore: _Shore, case: Change, more: Mapping[str, str]) -> tuple[bool, Pass]:
    """Run a pass in which it happens; tell whether it did, and how the pass ended."""
    is_twice = bool(case.back_after)
    fault = Fault(at=case.at, act="stop", below=str(shore.file), kind=READING, for_ever=is_twice)
    bench.passes.start(shore.studio, ("once",), fault=fault, more=more)
    if not bench.passes.stops():
        return False, bench.passes.end()
    former, at = shore.file.read_bytes(), shore.file.stat()
    WAYS[case.way](shore.file)
    shore.note()
    sources = stats(shore.studio.cards)
    for _ in range(case.back_after):
        bench.passes.continue_to_next_stop()
    if is_twice:
        shore.file.write_bytes(former)
        os.utime(shore.file, ns=(at.st_atime_ns, at.st_mtime_ns))
        sources = stats(shore.studio.cards)
    done = bench.passes.go_on()
    return True, done if stats(shore.studio.cards) == sources else Pass(status=-1, said="I1: it was changed")


def _shore(bench: Bench) -> _Shore:
    if bench.folder not in _SHORES:
        studio = new_studio(bench.folder / "changing", drives=["curlew", "dunlin"], tiers=_TIERS)
        shore = _Shore(studio=studio, kept=bench.folder / "changing-kept")
        make_frame(studio.cards / "shore", "TIDE0001", random.Random(7), stars=0, captured=_DAY)
        shore.file.write_bytes(_picture("first"))
        shore.keep("new")
        done = bench.passes.run(studio, ("once",))
        assert done.status == 0, done.said
        shore.keep("known")
        _SHORES[bench.folder] = shore
    return _SHORES[bench.folder]


def _picture(name: str) -> bytes:
    """Give a raw of random bytes, of which no two pieces are alike."""
    return random.Random(name).randbytes(RAW_BYTES)


def _digest(text: bytes) -> str:
    return hashlib.sha256(text).hexdigest()
