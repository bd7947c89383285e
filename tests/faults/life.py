"""One studio's life: whatever people do to its sources and drives, whatever the program does, and what must be true.

Anything may come in any order. What was harmed, and what the ledger said of it then, is written down as it is done, so
that whatever else is wrong is the program's fault. May not choose what comes next: `tests.faults.everything` does.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field, replace
from itertools import count
from pathlib import Path
from typing import Any, Final

from tests.faults.looks import Claim, ask, look
from tests.faults.passes import WRITING, Fault, Passes
from tests.studio import HIDDEN, Pass, Studio, adopt, make_frame, photo, sidecar, stats, tree

ONCE: Final = ("once",)
CHECK: Final = ("fixity", "--all")
REBUILD: Final = ("rebuild", "--yes")
_KILLED: Final = -9
# A shelf of two, the first of which is soon full; one that is a shelf of its own; one for rated frames; one bought later.
_DRIVES: Final = {"curlew": "hdd", "snipe": "ssd", "dunlin": "ssd", "north-cloud": "cloud", "plover": "hdd"}
_SHELF: Final = frozenset({"curlew", "snipe"})
_LIMIT: Final = "40kB"  # less than the first frames: with its identity and list, some of them
LAYOUTS: Final = ("{folder}/{name}", "{year}/{month}/{folder}/{name}", "{year}/{source}/{name}")
_RATED: Final = 'best: {from: [favourites], only: {kinds: [photo], min_stars: 1}, to: [north-cloud], layout: "best/{name}"}'
_FOLDERS: Final = ("cards/shore", "cards/shore/DCIM", "cards/harbour", "favourites/best", "favourites/shore")
_RAW_BYTES: Final = 3_000
_ROUNDS: Final = 4  # of starts until all is quiet; what was in trouble is tried again at the next one
_KEPT_APART: Final = ("earlier", "set-aside")


@dataclass(kw_only=True)
class Tally:
    """What lives came to, in figures; and what was wrong in the first that went wrong."""

    lives: int = 0
    steps: int = 0
    starts: int = 0  # of the program
    faults: int = 0  # that came while it was at work
    copies: int = 0  # verified in the end
    lost: int = 0  # contents that the test harmed everywhere
    wrong: list[str] = field(default_factory=list)


@dataclass(kw_only=True)
class Life:
    """A studio from its first frames to its end."""

    folder: Path
    passes: Passes
    tally: Tally
    mutant: str = ""
    story: list[str] = field(default_factory=list)  # what happened so far
    layout: str = LAYOUTS[0]
    is_rebuilt: bool = False  # the ledger was lost, so that it may know less than the log
    has_bought: bool = False
    _count: int = 0
    _sourced: set[str] = field(default_factory=set)  # digests (hex) of all that a source ever held
    _other: set[str] = field(default_factory=set)  # of what the test put on drives
    _excused: set[Claim] = field(default_factory=set)
    _harmed: dict[str, set[str]] = field(default_factory=dict)  # paths, by drive
    _strangers: dict[tuple[str, str], tuple[bytes, int, int]] = field(default_factory=dict)
    _others: dict[str, dict[str, bytes]] = field(default_factory=dict)  # drives that are in another's place
    _has_replaced: bool = False  # something in a source
    _has_lied: bool = False  # a call that wrote

    def __post_init__(self) -> None:
        """Build it: empty drives, and the first frames."""
        self.studio = Studio(folder=self.folder)
        for path in (
            self.studio.cards,
            self.studio.favourites,
            self.studio.log.parent,
            self._away,
            self._back,
        ):
            path.mkdir(parents=True)
        for name, medium in _DRIVES.items():
            self.studio.add_drive(name, medium)
            self._harmed[name] = set()
        self.studio.shelves = dict.fromkeys(_SHELF, "studio")
        self.studio.limits = {"curlew": _LIMIT}
        self._write_settings()
        for number in range(5):
            self.add_frame(number)

    # What people do to sources

    def add_frame(self, pick: int) -> None:
        """Put a frame into a source: a raw, a picture, a sidecar."""
        folder, stem = self._new_frame(pick)
        self._note(f"a frame comes: {folder}/{stem}")
        make_frame(
            self.folder / folder,
            stem,
            self._chance(),
            stars=pick % 4,
            captured=f"2026:{1 + pick % 3:02d}:15 10:00:{pick % 60:02d}",
            raw_bytes=_RAW_BYTES,
        )

    def rate(self, pick: int) -> None:
        """Give other stars to a frame, in its sidecar."""
        for path in self._some(pick, ".xmp"):
            self._note(f"{self._short(path)} gets {pick % 6} stars")
            path.write_bytes(sidecar(pick % 6))
            self._has_replaced = True

    def export_again(self, pick: int) -> None:
        """Write a picture anew."""
        for path in self._some(pick, ".JPG"):
            self._note(f"{self._short(path)} is exported again")
            path.write_bytes(photo(self._chance(), "2026:02:15 10:00:00"))
            self._has_replaced = True

    def change_all(self, pick: int) -> None:
        """Write every picture of a source anew, as malware might; twice, and the source is held."""
        source = (self.studio.cards, self.studio.favourites)[pick % 2]
        self._note(f"all pictures of {source.name} are other ones")
        for path in self._source_files(source):
            if path.suffix != ".xmp":
                path.write_bytes(self._chance().randbytes(700))
                self._has_replaced = True

    def rename(self, pick: int) -> None:
        """Give a file of a source another name, which may be another frame's."""
        for path in self._some(pick):
            other = path.with_stem(f"TIDE{pick % 7:04d}")
            if not other.exists():
                self._note(f"{self._short(path)} is now {other.name}")
                path.rename(other)

    def move(self, pick: int) -> None:
        """Move a frame, or one file of it, to another folder, perhaps of the other source."""
        for path in self._some(pick):
            target = self.folder / _FOLDERS[pick % len(_FOLDERS)]
            target.mkdir(parents=True, exist_ok=True)
            for each in sorted(path.parent.glob(f"{path.stem}.*")) if pick % 2 else [path]:
                if not (target / each.name).exists():
                    self._note(f"{self._short(each)} is now in {self._short(target)}")
                    each.rename(target / each.name)

    def choose(self, pick: int) -> None:
        """Put a frame into the favourites as well."""
        for path in self._some(pick):
            target = self.studio.favourites / "best"
            target.mkdir(parents=True, exist_ok=True)
            for each in sorted(path.parent.glob(f"{path.stem}.*")):
                if not (target / each.name).exists():
                    self._note(f"{self._short(each)} is a favourite")
                    shutil.copy2(each, target / each.name)

    def delete(self, pick: int) -> None:
        """Delete a file of a source."""
        for path in self._some(pick):
            self._note(f"{self._short(path)} is deleted")
            path.unlink()

    def delete_folder(self, pick: int) -> None:
        """Delete a folder of a source with all that is in it."""
        folder = self.folder / _FOLDERS[pick % len(_FOLDERS)]
        if folder.exists():
            self._note(f"{self._short(folder)} is deleted")
            shutil.rmtree(folder)

    # What people do to drives

    def take_away(self, pick: int) -> None:
        """Unplug a drive."""
        name = self._drive(pick)
        if name not in self._gone():
            self._note(f"{name} goes")
            self.studio.drives[name].rename(self._away / name)

    def bring_back(self, pick: int) -> None:
        """Plug a drive in again that is away; whatever was in its place goes."""
        for name in self._gone()[pick % max(len(self._gone()), 1) :][:1]:
            self._note(f"{name} comes back")
            self._take_other(name)
            (self._away / name).rename(self.studio.drives[name])

    def put_other(self, pick: int) -> None:
        """Plug another drive in where one that is away belongs."""
        for name in self._gone()[pick % max(len(self._gone()), 1) :][:1]:
            root = self.studio.drives[name]
            if not root.exists():
                self._note(f"godwit comes in the place of {name}")
                root.mkdir()
                adopt(root, "godwit")
                (root / "letter.txt").write_bytes(b"somebody's")
                self._others[name] = tree(root)

    def rot(self, pick: int) -> None:
        """Have a copy hold other bytes, and the time that it had."""
        for name, path in self._some_copy(pick):
            self._note(f"{name}: {self._short(path)} rots")
            at = path.stat()
            self._harm(name, path, [path.read_bytes()[:-1] + b"?", b""][pick % 5 == 0])
            os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))

    def edit(self, pick: int) -> None:
        """Edit a copy on a drive by hand."""
        for name, path in self._some_copy(pick):
            self._note(f"{name}: {self._short(path)} is edited by hand")
            self._harm(name, path, b"edited by hand %d" % self._next())

    def lose(self, pick: int) -> None:
        """Delete a copy on a drive."""
        for name, path in self._some_copy(pick):
            self._note(f"{name}: {self._short(path)} is deleted")
            self._harm(name, path, None)

    def lose_all(self, pick: int) -> None:
        """Have all copies of a content go bad, wherever they are, and perhaps what is in the sources."""
        for _, path in self._some_copy(pick):
            digest = _digest(path)
            self._note(f"whatever is like {self._short(path)} goes bad everywhere")
            for name in _DRIVES:
                for other in self._copies(name):
                    if _digest(other) == digest:
                        self._harm(name, other, b"rotten %d" % self._next())
            for file in self._source_files():
                if _digest(file) == digest:
                    file.unlink()

    def leave_letter(self, pick: int) -> None:
        """Put somebody else's file on a drive: anywhere, or, before a frame comes, where a copy of it will want to be."""
        name = self._drive(pick)
        folder, stem = self._new_frame(pick)
        path = self._root(name) / "letters" / f"{self._next()}.txt"
        if pick % 3 and name != "north-cloud":
            source, _, inner = folder.partition("/")
            at = LAYOUTS[LAYOUTS.index(self.layout)].format(
                year="2026", month=f"{1 + pick % 3:02d}", folder=inner, source=source, name=f"{stem}.DNG"
            )
            path = self._root(name) / at
        if not path.exists():
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(b"somebody's %d" % self._next())
            self._note(f"{name}: somebody puts {self._short(path)} there")
            self._other.add(_digest(path))
            self._strangers[name, str(path.relative_to(self._root(name)))] = _as_it_is(path)
        if pick % 3:
            self.add_frame(pick)

    def lose_ledger(self, _pick: int) -> None:
        """Lose the ledger, if some drive that is here has a spare of it."""
        if self._ledger.exists() and any(self._spares()):
            self._note("the ledger is lost")
            self._ledger.unlink()
            (self.studio.log.parent / "ledger.sqlite-journal").unlink(missing_ok=True)
            self.is_rebuilt = True

    def change_layout(self, pick: int) -> None:
        """Have copies of the large tier lie elsewhere."""
        self.layout = LAYOUTS[pick % len(LAYOUTS)]
        self._note(f"the layout is {self.layout}")
        self._write_settings()

    def buy(self, _pick: int) -> None:
        """Send the large tier to one drive more, or do so no longer."""
        self.has_bought = not self.has_bought
        self._note(f"plover is {'asked for' if self.has_bought else 'asked for no longer'}")
        self._write_settings()

    # What the program does

    def run(self, *words: str, fault: Fault | None = None) -> Pass:
        """Have the program do something, perhaps with a fault, and see that it ends as it may."""
        self._note(f"replicatord {' '.join(words)}{'' if fault is None else f', with {fault}'}")
        self._has_lied = self._has_lied or (fault is not None and fault.kind == WRITING)
        was_lost = not self._ledger.exists()
        with self._judged():
            done = self.passes.run(self.studio, words, fault=self._placed(fault), more=self._more)
            if was_lost and self._ledger.exists():
                self._excused.clear()  # what a spare says of copies counts for nothing
        return self._ended(done, fault)

    def run_with(self, what: Callable[[], None], *, at: int) -> None:
        """Have a pass, and something else happen while it is at that call."""
        fault = Fault(at=at, act="stop", below=".")
        self._note(f"replicatord once, and at call {at}:")
        with self._judged():
            self.passes.start(self.studio, ONCE, fault=self._placed(fault), more=self._more)
            has_stopped = self.passes.stops()
        if has_stopped:
            what()
        with self._judged():
            done = self.passes.go_on() if has_stopped else self.passes.end()
        self.tally.faults += has_stopped
        self._ended(done, None)

    def check(self) -> None:
        """Have all copies read again; then nothing is claimed that is not so, whoever did it."""
        is_lost = not self._ledger.exists()
        self.run(*CHECK)
        here = [name for name in _DRIVES if name not in self._gone()]
        self.demand([] if is_lost else [wrong for name in here for wrong in self._untrue(name)])

    def restore(self) -> None:
        """Have everything brought back: all that is in use, as far as a drive that is here has it, and nothing else.

        Which drives are here it knows from the last pass.
        """
        here = [self._good(name) for name in self._seen() if name not in self._gone()]
        wanted = set().union(*here) & {_digest(path) for path in self._source_files()}
        is_lost = not self._ledger.exists()
        done = self.run("restore", "--all", "--to", str(self._back), "--go")
        found = {hashlib.sha256(content).hexdigest() for content in tree(self._back).values()}
        shutil.rmtree(self._back)
        self._back.mkdir()
        self.demand(
            [f"{digest[:8]} was brought back, and no source ever held it" for digest in found - self._sourced]
        )
        missing = [] if is_lost else wanted - found
        self.demand(
            [f"{digest[:8]} was not brought back, though a drive has it: {done.said}" for digest in missing]
        )

    def release(self) -> None:
        """Say that whatever changed in the sources was meant."""
        for source in ("cards", "favourites"):
            self.run("release", source, "--yes")

    # What must be true

    def look(self) -> None:
        """See that no claim is untrue, nothing of anybody's was touched, and the log has no gap."""
        self._learn()
        self._follow_harm()
        wrong = []
        for name in _DRIVES:
            looked = look(
                self._root(name),
                self.studio.log.parent,
                frozenset(self._sourced | self._other),
                bay=name,
                excused=frozenset(self._excused),
                unlisted=frozenset(self._harmed[name]),
                # Of a copy that was deleted behind its back the ledger may know nothing once a newer one is in its place.
                is_log_behind=not self.is_rebuilt and not self._harmed[name],
            )
            wrong += [f"{name}: {violation}" for violation in looked.violations]
        for (name, at), was in self._strangers.items():
            path = self._root(name) / at
            wrong += (
                []
                if path.exists() and _as_it_is(path) == was
                else [f"I3: somebody's {at} on {name} is not as it was"]
            )
        for name in self._gone():
            root = self.studio.drives[name]
            is_as_before = tree(root) == self._others[name] if name in self._others else not root.exists()
            wrong += [] if is_as_before else [f"I7: something was written where {name} should be"]
        seen = [line["seq"] for line in self.studio.lines()]
        wrong += [] if seen == list(range(1, len(seen) + 1)) else [f"the log's numbers have gaps: {seen}"]
        self.demand(wrong)

    def end(self) -> None:
        """Have all drives back and no more faults: then all that can be well is, and the rest is told."""
        for _ in self._gone():
            self.bring_back(0)
        if not self._ledger.exists():
            self.run(*REBUILD)
        self._until_quiet()
        doomed = self._doomed()
        told = len(self.studio.lines())
        self.check()
        self._until_quiet()
        self.look()
        critical = {
            str(line.get("digest")) for line in self.studio.lines()[told:] if line.get("level") == "critical"
        }
        self.demand([f"I10: {digest[:8]} is lost, and nobody was told" for digest in doomed - critical])
        self._judge_end()
        self.tally.lost += len(doomed)
        self.tally.copies += sum(len(self._good(name)) for name in _DRIVES)

    def demand(self, wrong: Sequence[str]) -> None:
        """Fail with what is wrong, if anything is, and the story so far."""
        if wrong:
            self.tally.wrong = [*wrong, "what happened:", *self.story]
        assert not wrong, "\n".join(self.tally.wrong)

    def _until_quiet(self) -> None:
        """Start it until it has nothing more to do: what was in trouble is tried again at the next start."""
        last = None
        for _ in range(_ROUNDS):
            before, last = last, self.run(*ONCE)
            if self._held():
                self.release()
            elif last.status == 0 or last == before:
                return

    def _judge_end(self) -> None:
        good = {name: self._good(name) for name in _DRIVES}
        # What came to the drives after the spare was made, and is in no source, only a survey finds again.
        where = self._known_on if self.is_rebuilt else self._bytes_on
        anywhere = set().union(*map(where, _DRIVES))
        wrong = []
        for path in self._source_files():
            digest = _digest(path)
            for shelf in self._shelves_for(path):
                held = set().union(*(good[name] for name in shelf))
                wrong += (
                    [] if digest in held else [f"{self._short(path)} is not verified on {' or '.join(shelf)}"]
                )
        for name, at, digest, trouble in self._wanted():
            if digest in anywhere:
                wrong.append(f"{name} lacks {at}, and a good {digest[:8]} is there: {trouble}")
            elif not trouble:
                wrong.append(f"I10: {name} lacks {at}, which is nowhere, and does not say so")
        for name in _DRIVES:
            left = tree(self._root(name) / HIDDEN / "partial")
            wrong += [f"I11: {name} still has what nobody proved: {sorted(left)}"] if left else []
        self.demand(wrong + self._unexplained())

    def _unexplained(self) -> list[str]:
        """Say what `status` tells that nothing in this life explains."""
        done = self.run("status", "--json")
        needs = json.loads(done.said)["needs_you"]
        is_lost = bool(self._wanted())
        may = [
            ("could not be copied to", is_lost),
            ("or `replicatord once`", is_lost),
            ("did not match any more", bool(self._other) or self._has_lied),
            ("replaced in the source before there were enough copies", self._has_replaced),
        ]
        wrong = [need for need in needs if not any(words in need and is_so for words, is_so in may)]
        is_set_aside = any(tree(self._root(name) / HIDDEN / "set-aside") for name in _DRIVES)
        if not needs and (is_lost or (is_set_aside and not self.is_rebuilt)):
            wrong.append("I10: something needs a person, and nobody is told")
        return wrong + ([] if done.status == bool(needs) else [f"status ended with {done.status}: {needs}"])

    def _doomed(self) -> set[str]:
        """Give what is called verified somewhere, in use, and is nowhere."""
        sources = {_digest(path) for path in self._source_files()}
        there = sources.union(*(self._bytes_on(name) for name in _DRIVES))
        return {
            claim.digest for name in _DRIVES for claim in self._claims(name) if not claim.is_earlier
        } - there

    @contextmanager
    def _judged(self) -> Iterator[None]:
        """See that no file of a source was touched meanwhile, and none on a drive removed."""
        self._learn()
        sources, files = self._sources(), {name: self._kept(name) for name in _DRIVES}
        yield
        self.tally.starts += 1
        wrong = [] if self._sources() == sources else ["I1: a source is not as it was"]
        for name, before in files.items():
            gone = before - self._kept(name)
            wrong += [
                f"I8: {name} had {digest[:8]}, and has it {count} times less"
                for digest, count in gone.items()
            ]
        self.demand(wrong)

    def _ended(self, done: Pass, fault: Fault | None) -> Pass:
        self.story[-1] += f" -> {done.status}"
        was_hit = fault is not None and (done.status == _KILLED or self.passes.calls >= fault.at)
        self.tally.faults += was_hit
        usual = {0, 1, 2} if fault is None else {0, 1, 2, _KILLED}
        is_usual = done.status in usual and "Traceback" not in done.said
        self.demand([] if is_usual else [f"it ended with {done.status}: {done.said[-6000:]}"])
        return done

    # Looking

    def _claims(self, name: str) -> list[Claim]:
        known = ask(self._ledger, name)
        return [] if known is None else known.copies

    def _follow_harm(self) -> None:
        """Note where what was harmed was moved to, and what is claimed no more: nothing excuses that from now on."""
        if not self._ledger.exists():
            return
        claimed = {name: self._excused.intersection(self._claims(name)) for name in _DRIVES}
        for name, claims in claimed.items():
            places = {claim: claim.places for claim in self._claims(name)}
            self._harmed[name] |= {at for claim in claims for at in places[claim]}
        self._excused = set().union(*claimed.values())

    def _untrue(self, name: str) -> list[str]:
        """Say which copies in use are called verified, and are not."""
        root = self._root(name)
        return [
            f"{name}: {claim.places[0]} is called verified after all was read again"
            for claim in self._claims(name)
            if not claim.is_earlier and _digest_if_there(root / claim.places[0]) != claim.digest
        ]

    def _good(self, name: str) -> set[str]:
        """Give the contents that a drive is said to hold, in use, and holds."""
        return {claim.digest for claim in self._true(name) if not claim.is_earlier}

    def _known_on(self, name: str) -> set[str]:
        """Give those, and the contents of earlier versions."""
        return {claim.digest for claim in self._true(name)}

    def _true(self, name: str) -> list[Claim]:
        root = self._root(name)
        return [
            claim for claim in self._claims(name) if _digest_if_there(root / claim.places[0]) == claim.digest
        ]

    def _bytes_on(self, name: str) -> set[str]:
        return set(self._kept(name))

    def _kept(self, name: str) -> Counter[str]:
        """Count what a drive holds, by digest: all that is not the program's own."""
        root = self._root(name)
        apart = [path for folder in _KEPT_APART for path in _files(root / HIDDEN / folder)]
        return Counter(map(_digest, [*_visible(root), *apart]))

    def _wanted(self) -> list[tuple[str, str, str, str]]:
        """Give what the ledger says is still to be copied: drive, path, digest, trouble."""
        rows = self._ask(
            "SELECT bay, path, content.digest, trouble FROM placement JOIN content ON content.id = placement.content"
            " WHERE state = 0"
        )
        return [(bay, os.fsdecode(path), digest.hex(), trouble) for bay, path, digest, trouble in rows]

    def _held(self) -> bool:
        return bool(self._ask("SELECT 1 FROM meta WHERE key LIKE 'hold:%'"))

    def _seen(self) -> set[str]:
        """Give the drives that were here when the program last looked."""
        if not self._ledger.exists():
            return set()
        return {str(name) for (name,) in self._ask("SELECT name FROM bay WHERE state IN ('here', 'full')")}

    def _ask(self, question: str) -> list[Any]:
        with closing(sqlite3.connect(self._ledger)) as opened:
            return opened.execute(question).fetchall()

    def _shelves_for(self, path: Path) -> list[tuple[str, ...]]:
        """Give the shelves on which a file of a source should be: the drives of each."""
        shelves = [tuple(sorted(_SHELF)), ("dunlin",), *([("plover",)] if self.has_bought else [])]
        stars = path.with_suffix(".xmp")
        is_photo = any(path.with_suffix(suffix).exists() for suffix in (".DNG", ".JPG"))
        is_rated = stars.exists() and stars.read_bytes() != sidecar(0) and is_photo
        is_chosen = path.is_relative_to(self.studio.favourites) and is_rated
        return shelves + ([("north-cloud",)] if is_chosen else [])

    def _sources(self) -> list[dict[str, tuple[int, ...]]]:
        return [stats(self.studio.cards), stats(self.studio.favourites)]

    def _source_files(self, *roots: Path) -> list[Path]:
        return sorted(
            path for root in roots or (self.studio.cards, self.studio.favourites) for path in _files(root)
        )

    def _learn(self) -> None:
        self._sourced |= {_digest(path) for path in self._source_files()}

    def _spares(self) -> list[Path]:
        roots = [self.studio.drives[name] for name in _DRIVES if name not in self._gone()]
        return [root for root in roots if (root / HIDDEN / "ledger.sqlite").exists()]

    # Choosing, and doing

    def _some(self, pick: int, suffix: str = "") -> list[Path]:
        """Give one file of the sources, if there is any."""
        paths = [path for path in self._source_files() if path.suffix == suffix or not suffix]
        return paths[pick % max(len(paths), 1) :][:1]

    def _drive(self, pick: int) -> str:
        return sorted(_DRIVES)[pick % len(_DRIVES)]

    def _gone(self) -> list[str]:
        return sorted(path.name for path in self._away.iterdir())

    def _root(self, name: str) -> Path:
        """Give where a drive's files are, plugged in or not."""
        return self._away / name if (self._away / name).exists() else self.studio.drives[name]

    def _copies(self, name: str) -> list[Path]:
        """Give the files of a drive that are copies, or were: in use, and earlier versions."""
        root = self._root(name)
        paths = [*_visible(root), *_files(root / HIDDEN / "earlier")]
        return sorted(path for path in paths if (name, str(path.relative_to(root))) not in self._strangers)

    def _some_copy(self, pick: int) -> list[tuple[str, Path]]:
        """Give one copy on some drive, if there is any."""
        found = [(name, path) for name in sorted(_DRIVES) for path in self._copies(name)]
        return found[pick % max(len(found), 1) :][:1]

    def _harm(self, name: str, path: Path, content: bytes | None) -> None:
        """Change a copy behind the program's back, or delete it; what it was said to be until then is excused."""
        at = str(path.relative_to(self._root(name)))
        self._harmed[name].add(at)
        self._excused |= {claim for claim in self._claims(name) if at in claim.places}
        if content is None:
            path.unlink()
        else:
            path.write_bytes(content)
            self._other.add(_digest(path))

    def _take_other(self, name: str) -> None:
        if self._others.pop(name, None) is not None:
            shutil.rmtree(self.studio.drives[name])

    def _new_frame(self, pick: int) -> tuple[str, str]:
        """Give a folder and a stem that no frame of it has."""
        folder = _FOLDERS[pick % len(_FOLDERS)]
        numbers = (
            number
            for number in count(pick % 4)
            if not list((self.folder / folder).glob(f"TIDE{number:04d}.*"))
        )
        return folder, f"TIDE{next(numbers):04d}"

    def _write_settings(self) -> None:
        bought = ", plover" if self.has_bought else ""
        everything = f'{{from: [cards, favourites], to: [studio, dunlin{bought}], layout: "{self.layout}"}}'
        self.studio.tiers = f"  everything: {everything}\n  {_RATED}\n"
        self.studio.write_settings()

    def _placed(self, fault: Fault | None) -> Fault | None:
        return None if fault is None else replace(fault, below=str(self.folder / fault.below))

    def _note(self, what: str) -> None:
        self.story.append(what)

    def _next(self) -> int:
        self._count += 1
        return self._count

    def _chance(self) -> random.Random:
        return random.Random(self._next())

    def _short(self, path: Path) -> str:
        return str(path.relative_to(self.folder))

    @property
    def _more(self) -> dict[str, str]:
        return {"REPLICATORD_MUTANT": self.mutant} if self.mutant else {}

    @property
    def _ledger(self) -> Path:
        return self.studio.log.parent / "ledger.sqlite"

    @property
    def _away(self) -> Path:
        return self.folder / "away"

    @property
    def _back(self) -> Path:
        return self.folder / "back"


def _files(root: Path) -> list[Path]:
    return [Path(folder, name) for folder, _, names in os.walk(root) for name in names]


def _visible(root: Path) -> list[Path]:
    return [path for path in _files(root) if HIDDEN not in path.relative_to(root).parts]


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _digest_if_there(path: Path) -> str:
    return _digest(path) if path.is_file() else ""


def _as_it_is(path: Path) -> tuple[bytes, int, int]:
    at = path.stat()
    return path.read_bytes(), at.st_mtime_ns, at.st_ino
