"""Which placements should exist for frames that show the same picture.

May not look anything up: whether a path is taken is answered by the `taken` argument.

Invariants, one property test each:
  P1  every file of a frame that a tier takes is wanted on each of the tier's shelves, or a file with
      the same content of this or an earlier frame of the same picture is
  P2  no path is given to two contents, and none that is taken is given out
  P3  the files of one frame share a folder and a stem on a drive, the same on every shelf of a tier;
      apart from them lie only what a later frame adds, and names that differ from another's in case alone
  P4  the answer depends on nothing but the arguments, not on their order
  P5  the answer is the same for all frames of a picture as for the `frames_that_matter`
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from replicatord.errors import InvariantError
from replicatord.model.copies import Placement
from replicatord.model.frames import Digest, Frame, SeenFile
from replicatord.model.settings import Settings, Tier
from replicatord.rules.paths import SUFFIX_HEX_DIGITS, path_key, path_of, suffixed, words_of
from replicatord.rules.shelves import Laid, ShelfView, choose_drive
from replicatord.rules.tiers import takes

_STEMS_MAX: Final = 1_000  # nothing real needs more than the plain stem and one suffix

Taken = Callable[[str, bytes], bool]  # (drive, path key) -> some other picture has that path
SplitStem = Callable[[bytes], tuple[bytes, bytes]]


@dataclass(frozen=True, slots=True)
class _Laid:
    tier: str
    frame: Frame
    file: SeenFile
    path: bytes


def plan_picture(  # noqa: PLR0913  what a plan depends on, all of it given
    frames: Sequence[Frame],
    *,
    settings: Settings,
    today: date,
    taken: Taken,
    split_stem: SplitStem,
    view: ShelfView,
) -> tuple[Placement, ...]:
    """Plan all frames whose main files have the same content, as one picture.

    A card that was not formatted brings the same frames again under new names: the first frame
    that a tier takes says where the picture lies, later ones only add files with new content.
    Sorted by drive, tier and path.
    """
    ordered = sorted(frames, key=lambda frame: frame.id)
    claimed: dict[tuple[str, bytes], Digest] = {}
    on_shelves: dict[str, list[_Laid]] = {}
    for tier in settings.tiers.values():
        chosen = [frame for frame in ordered if takes(tier, frame, today=today)]
        if chosen:
            namer = _Namer(
                chosen[0], tier, settings=settings, taken=taken, claimed=claimed, split_stem=split_stem
            )
            for laid in _lay_out(chosen, namer, tier):
                for shelf in tier.shelves:
                    claimed[shelf, path_key(laid.path)] = laid.file.digest
                    on_shelves.setdefault(shelf, []).append(laid)
    placements = [
        placement
        for shelf, files in on_shelves.items()
        for placement in _on_one_drive(files, settings.shelves[shelf], view)
    ]
    return tuple(sorted(placements, key=lambda p: (p.drive, p.tier, p.path)))


def frames_that_matter(frames: Iterable[Frame], *, settings: Settings, today: date) -> list[Frame]:
    """Leave out the frames of a picture that change nothing in its plan; needs them in the order of their numbers.

    Such a one is taken by the same tiers as earlier ones, so it leads in none, and they have all of its content. A
    picture may have a hundred thousand of them: the same file under many names.
    """
    known: dict[tuple[str, ...], set[Digest]] = {}  # the tiers that take a frame -> contents of those so far
    kept: list[Frame] = []
    for frame in frames:
        takers = tuple(tier.name for tier in settings.tiers.values() if takes(tier, frame, today=today))
        digests = {file.digest for file in frame.files}
        contents = known.setdefault(takers, set())
        if not digests <= contents:
            contents |= digests
            kept.append(frame)
    return kept


def _on_one_drive(files: Sequence[_Laid], drives: Sequence[str], view: ShelfView) -> Iterator[Placement]:
    """Put all that a shelf gets of a picture on one of its drives."""
    drive = drives[0] if len(drives) == 1 else choose_drive(drives, _contents(files), view)
    for laid in files:
        yield Placement(
            drive=drive,
            tier=laid.tier,
            frame=laid.frame.id,
            name=laid.file.name,
            digest=laid.file.digest,
            size_bytes=laid.file.stat.size_bytes,
            path=laid.path,
        )


def _contents(files: Sequence[_Laid]) -> Sequence[Laid]:
    """Give each content at each path once."""
    contents = {
        (laid.path, laid.file.digest): Laid(
            path=laid.path, digest=laid.file.digest, size_bytes=laid.file.stat.size_bytes
        )
        for laid in files
    }
    return tuple(contents.values())


class _Namer:
    """Finds paths in one tier for the files of a picture, led by its first frame."""

    def __init__(  # noqa: PLR0913  the planner's own context, handed over once
        self,
        leader: Frame,
        tier: Tier,
        *,
        settings: Settings,
        taken: Taken,
        claimed: dict[tuple[str, bytes], Digest],
        split_stem: SplitStem,
    ) -> None:
        self._leader, self._tier, self._taken, self._claimed = leader, tier, taken, claimed
        self._split_stem = split_stem
        self._drives = settings.drives_of(tier)
        self._words = words_of(leader, settings.trips)
        self._main_ext = split_stem(leader.main.name)[1]
        self._here: dict[bytes, Digest] = {}  # path key -> content, as far as given out

    def find_together(self, files: Sequence[SeenFile], mark: Digest) -> list[bytes] | None:
        """Find a path for each of `files` on one stem; the plain stem unless something is in its way."""
        longest = max(len(self._split_stem(file.name)[1]) for file in files)
        for stem in _stems(self._leader.stem, mark, longest):
            paths = [self._path(stem, file.name, longest) for file in files]
            trial = dict(self._here)
            if all(self._claim(trial, path, file.digest) for path, file in zip(paths, files, strict=True)):
                self._here = trial
                return paths
        return None

    def get_alone(self, file: SeenFile) -> bytes:
        """Give a path for one file. Raises InvariantError when every name is taken."""
        paths = self.find_together([file], file.digest)
        if paths is None:
            raise InvariantError(f"no free path for {self._leader.stem!r} after {_STEMS_MAX} names")
        return paths[0]

    def _path(self, stem: bytes, name: bytes, longest_ext: int) -> bytes:
        return path_of(
            self._tier.layout,
            self._words,
            stem=stem,
            ext=self._split_stem(name)[1],
            main_ext=self._main_ext,
            longest_ext=longest_ext,
        )

    def _claim(self, here: dict[bytes, Digest], path: bytes, digest: Digest) -> bool:
        key = path_key(path)
        is_free = (
            here.get(key, digest) == digest
            and all(self._claimed.get((shelf, key), digest) == digest for shelf in self._tier.shelves)
            and not any(self._taken(drive, key) for drive in self._drives)
        )
        if is_free:
            here[key] = digest
        return is_free


def _lay_out(chosen: Sequence[Frame], namer: _Namer, tier: Tier) -> list[_Laid]:
    """Lay out one tier's frames of a picture: the first as a whole, then what later ones add."""
    leader = chosen[0]
    together, apart = _apart(leader.files)
    paths = namer.find_together(together, leader.main.digest)
    if paths is None:  # extensions so long that no shared stem tells the files apart
        together, apart, paths = [], list(leader.files), []
    laid = [_Laid(tier.name, leader, file, path) for file, path in zip(together, paths, strict=True)]
    laid += [_Laid(tier.name, leader, file, namer.get_alone(file)) for file in apart]
    known = {file.digest for file in leader.files}
    for frame in chosen[1:]:
        for file in frame.files:
            if file.digest not in known:
                known.add(file.digest)
                laid.append(_Laid(tier.name, frame, file, namer.get_alone(file)))
    return laid


def _stems(stem: bytes, mark: Digest, longest_ext: int) -> Iterator[bytes]:
    """Give the stems to try: the plain one, then with more and more of a digest, then counted."""
    yield stem
    for hex_digits in SUFFIX_HEX_DIGITS:
        yield suffixed(stem, mark, hex_digits=hex_digits, longest_ext=longest_ext)
    for count in range(2, _STEMS_MAX):
        counted = b"%d" % count
        cut = suffixed(stem, mark, hex_digits=64, longest_ext=longest_ext + len(counted) + 1)
        yield cut + b"-" + counted


def _apart(files: Sequence[SeenFile]) -> tuple[list[SeenFile], list[SeenFile]]:
    """Part a frame's files from those whose names only differ in case from an earlier one's.

    Such files (A.JPG beside A.jpg) cannot share a stem on every file system, so they get names of their own.
    """
    first: dict[bytes, Digest] = {}
    together: list[SeenFile] = []
    apart: list[SeenFile] = []
    for file in files:
        same = first.setdefault(path_key(file.name), file.digest) == file.digest
        (together if same else apart).append(file)
    return together, apart
