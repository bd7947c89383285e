"""What the program is at when a fault comes: a studio for each thing that it does, and what must be there in the end.

Each is made once and set back for each fault. What is there is looked at with other eyes than the program's. May not
make faults.
"""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Final

from tests.faults.looks import look
from tests.faults.passes import CHANGING, KILL, READING, WRITING, Fault, Passes
from tests.studio import HIDDEN, Pass, Studio, check_sums, make_frame, new_studio, sidecar, stats, tree

DAY: Final = "2026:01:26 07:30:00"
ONCE: Final = ("once",)
_TIERS: Final = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{folder}/{name}"}\n'
_FORMER: Final = 1_769_462_043  # 2026-01-26, s since the epoch
# Many files are replaced here within minutes, which would else be taken for an accident.
_NO_HOLD: Final = "hold_when: {changed: 100%, within: 10s}\n"
_BEING_RESTORED: Final = ".being-restored"
# Of which calls it is known how many a scene makes: kind, and folder of the studio.
COUNTED: Final = ((CHANGING, "."), (WRITING, "drives"), (READING, "drives"), (READING, "cards"))
Calls = dict[tuple[int, str], int]
KEPT: Final = ("drives", "state", "back")  # what the program may change
_OURS: Final = frozenset({"drive.json", "lock", "probe", "SHA256SUMS", "ledger.sqlite"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """One thing that the program does."""

    prepare: Callable[[Studio], None]  # after a load was copied
    commands: tuple[tuple[str, ...], ...]  # STUDIO stands for its folder
    loses_ledger: bool = False  # so that until it is done the log may tell more than the ledger knows
    lets_go: bool = False  # of old earlier versions, of which one stays anywhere
    serves: bool = False  # does not end by itself


@dataclass(kw_only=True)
class Ground:
    """A studio that is set back to where a scene begins, again and again."""

    studio: Studio
    scene: Scene
    passes: Passes
    calls: Calls = field(default_factory=dict)  # when nothing disturbs it
    usual_s: float = 0.0
    expected: dict[str, dict[str, bytes]] = field(default_factory=dict)  # what each root holds in the end
    _contents: frozenset[str] = frozenset()  # digests (hex) that files ever had
    _harmed: frozenset[str] = frozenset()
    _sources: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def keep(self, *, harmed: frozenset[str]) -> None:
        """Keep all as it is now, to be set back to."""
        self._harmed = harmed
        for name in KEPT:
            shutil.copytree(self.studio.folder / name, self._kept / name, dirs_exist_ok=True)
        self._sources = stats(self.studio.cards)

    def set_back(self) -> None:
        """Have all as it was kept; the sources, which nobody may change, are never touched."""
        for name in KEPT:
            shutil.rmtree(self.studio.folder / name)
            shutil.copytree(self._kept / name, self.studio.folder / name)

    @property
    def commands(self) -> list[list[str]]:
        """The scene's commands, for this studio."""
        return [
            [word.replace("STUDIO", str(self.studio.folder)) for word in words]
            for words in self.scene.commands
        ]

    def learn(self) -> None:
        """Let it run without a fault: learn how often it calls, how long it takes and what it comes to."""
        for kind, folder in () if self.scene.serves else COUNTED:
            self.set_back()
            fault = Fault(at=0, act=KILL, below=str(self.studio.folder / folder), kind=kind)
            begun = time.monotonic()
            done = self.passes.run(self.studio, *self.commands, fault=fault)
            self.usual_s = time.monotonic() - begun
            assert done.status in {0, 1}, done.said
            self.calls[kind, folder] = self.passes.calls
        if self.scene.serves:
            self.set_back()
            self.usual_s = 1.0  # it has long done its work by then
        done = self.passes.run(self.studio, ONCE)
        assert done.status == 0, done.said
        self._know()

    def _know(self) -> None:
        self.expected = {name: _visible(root) for name, root in self._roots().items()}
        before = [path for name in KEPT for path in _files(self._kept / name)]
        after = [path for root in self._roots().values() for path in _files(root)]
        self._contents = frozenset(map(_digest, [*before, *after, *_files(self.studio.cards)])) - self._harmed

    def good(self) -> Counter[tuple[str, str]]:
        """Count the files of each drive by their content, earlier/ and set-aside/ too; what is unproved does not count."""
        roots = {"": self.studio.folder / "drives"} if self.scene.lets_go else self.studio.drives
        found: Counter[tuple[str, str]] = Counter()
        for name, root in roots.items():
            for path in _files(root):
                if f"{HIDDEN}/partial" not in str(path) and path.name not in _OURS:
                    found[name, _digest(path)] += 1
        kept = {key: count for key, count in found.items() if key[1] in self._contents}
        return Counter(dict.fromkeys(kept, 1) if self.scene.lets_go else kept)

    def look(self, before: Counter[tuple[str, str]], *, is_done: bool = False) -> list[str]:
        """Say what is wrong now, whatever happened: no claim may be untrue, and no good copy gone."""
        wrong = []
        for drive, root in self.studio.drives.items():
            looked = look(
                root,
                self.studio.folder / "state",
                self._contents,
                bay=drive,
                harmed=self._harmed,
                is_log_behind=not self.scene.lets_go and (is_done or not self.scene.loses_ledger),
            )
            wrong += [f"{drive}: {violation}" for violation in looked.violations]
        after = self.good()
        wrong += [
            f"I8: {drive} had {count} of {digest[:8]} and has {after[drive, digest]}"
            for (drive, digest), count in before.items()
            if after[drive, digest] < count
        ]
        wrong += [] if stats(self.studio.cards) == self._sources else ["I1: a source is not as it was"]
        for path in _files(self.studio.folder / "back"):
            if path.parent.name != _BEING_RESTORED and _digest(path) not in self._contents:
                wrong.append(f"I2: {path.name} was brought back and holds what nobody ever had")
        return wrong

    def finish(self, before: Counter[tuple[str, str]], more: Mapping[str, str] | None = None) -> list[str]:
        """Start again until it ends well, and say what is not as if nothing had happened."""
        last = Pass(status=1, said="")
        commands = self.commands if not self.scene.serves else []
        commands = commands if commands == [list(ONCE)] else [*commands, list(ONCE)]
        for _ in range(3):  # what was in trouble is tried again at the next start
            last = self.passes.run(self.studio, *commands, more=more)
            if last.status == 0:
                break
        wrong = [] if last.status == 0 else [f"I11: starting again does not end well: {last.said[-300:]}"]
        wrong += self.look(before, is_done=True)
        for name, root in self._roots().items():
            found = _visible(root)
            if found != self.expected[name]:
                other = sorted(found.items() ^ self.expected[name].items())
                wrong.append(f"I11: {name} is not as it should be: {[path for path, _ in other]}")
        for name, root in self.studio.drives.items():
            left = [path.name for path in _files(root / HIDDEN / "partial")]
            wrong += [f"I11: {name} still has what nobody proved: {left}"] if left else []
            if not (root / HIDDEN / "SHA256SUMS").exists():
                wrong.append(f"I11: {name} has no list; what was said last: {last.said[-300:]}")
                continue
            try:
                check_sums(root, files=(root / HIDDEN / "SHA256SUMS").read_bytes().count(b"\n"))
            except AssertionError as exc:
                wrong.append(f"{name}: the stock utility does not agree with the list: {exc}")
        return wrong

    def _roots(self) -> dict[str, Path]:
        return {**self.studio.drives, "back": self.studio.folder / "back"}

    @property
    def _kept(self) -> Path:
        return self.studio.folder.with_name("kept")


def make_ground(folder: Path, scene: Scene, passes: Passes) -> Ground:
    """Make the studio of a scene, and let it run once without any fault to learn what it comes to."""
    studio = new_studio(folder / "studio", drives=["curlew", "dunlin"], tiers=_TIERS)
    studio.more = _NO_HOLD
    studio.write_settings()
    (studio.folder / "back").mkdir()
    chance = random.Random(7)
    for number in (1, 2):
        make_frame(studio.cards / "shore", f"TIDE000{number}", chance, stars=0, captured=DAY)
    copied = passes.run(studio, ONCE)
    assert copied.status == 0, copied.said
    before = frozenset(map(_digest, _files(studio.folder / "drives")))
    scene.prepare(studio)
    ground = Ground(studio=studio, scene=scene, passes=passes)
    is_harm = scene is SCENES["healing"]
    now = frozenset(map(_digest, _files(studio.folder / "drives")))
    ground.keep(harmed=now - before if is_harm else frozenset())
    ground.learn()
    return ground


def _visible(root: Path) -> dict[str, bytes]:
    return {
        path: content
        for path, content in tree(root).items()
        if not path.startswith((HIDDEN, _BEING_RESTORED))
    }


def _files(root: Path) -> list[Path]:
    return [Path(folder, name) for folder, _, names in os.walk(root) for name in names]


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _more_comes(studio: Studio) -> None:
    """Have a frame, a change of a sidecar, and a file with another time."""
    chance = random.Random(8)
    make_frame(studio.cards / "shore", "TIDE0003", chance, stars=0, captured=DAY)
    (studio.cards / "shore" / "TIDE0001.xmp").write_bytes(sidecar(5))
    os.utime(studio.cards / "shore" / "TIDE0001.DNG", (_FORMER, _FORMER))


def _bits_flip(studio: Studio) -> None:
    for drive, name in (("curlew", "TIDE0001.DNG"), ("dunlin", "TIDE0002.JPG")):
        path = studio.drives[drive] / "shore" / name
        at, content = path.stat(), bytearray(path.read_bytes())
        content[len(content) // 2] ^= 4
        path.write_bytes(content)
        os.utime(path, ns=(at.st_atime_ns, at.st_mtime_ns))


def _layout_changes(studio: Studio) -> None:
    studio.tiers = _TIERS.replace("{folder}/{name}", "{year}/{month}/{folder}/{name}")
    studio.write_settings()


def _nothing(_studio: Studio) -> None:
    pass


def _ledger_is_lost(studio: Studio) -> None:
    (studio.log.parent / "ledger.sqlite").unlink()


def _drive_is_bought(studio: Studio) -> None:
    """Buy one when the card folder has long been emptied, so that it is filled drive to drive."""
    for path in (studio.cards / "shore").iterdir():
        path.unlink()
    studio.tiers = _TIERS.replace("[curlew, dunlin]", "[curlew, dunlin, snipe]")
    (studio.folder / "drives" / "snipe").mkdir()
    studio.add_drive("snipe", "ssd", adopted=False)


def _old_files_lie_there(studio: Studio) -> None:
    """Put some on a drive, with content that is known among them, and elsewhere."""
    chance = random.Random(9)
    for root in (studio.drives["curlew"] / "2019", studio.folder / "drives" / "attic"):
        make_frame(root, "WELK0001", chance, stars=4, captured="2019:05:04 10:00:00")
    shutil.copy(studio.cards / "shore" / "TIDE0001.DNG", studio.drives["curlew"] / "2019")
    make_frame(studio.cards / "shore", "TIDE0003", chance, stars=1, captured=DAY)


def _earlier_versions_are_old(studio: Studio) -> None:
    """Have two of one sidecar, on both drives, older than the settings keep them."""
    for stars in (3, 5):
        (studio.cards / "shore" / "TIDE0001.xmp").write_bytes(sidecar(stars))
        assert studio.once().status == 0
    studio.more = _NO_HOLD + "keep_earlier: 1s\n"
    studio.write_settings()


SCENES: Final[MappingProxyType[str, Scene]] = MappingProxyType(
    {
        "taking in": Scene(prepare=_more_comes, commands=(ONCE,)),
        "healing": Scene(prepare=_bits_flip, commands=(("fixity", "--all"), ONCE)),
        "moving": Scene(prepare=_layout_changes, commands=(ONCE,)),
        "restoring": Scene(prepare=_nothing, commands=(("restore", "--all", "--to", "STUDIO/back", "--go"),)),
        "rebuilding": Scene(
            prepare=_ledger_is_lost, commands=(("rebuild", "--yes"), ONCE), loses_ledger=True
        ),
        "adopting": Scene(prepare=_drive_is_bought, commands=(("adopt", "snipe", "--yes"), ONCE)),
        "surveying": Scene(
            prepare=_old_files_lie_there,
            commands=(("survey", "STUDIO/drives/curlew", "STUDIO/drives/attic"), ONCE),
        ),
        "letting go": Scene(prepare=_earlier_versions_are_old, commands=(ONCE,), lets_go=True),
        "serving": Scene(prepare=_more_comes, commands=(("run",),), serves=True),
    }
)
