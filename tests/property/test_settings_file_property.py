"""A damaged settings file is never a crash, and never a rule that nobody wrote.

The committed example is damaged 1,000 times, saved, noticed and read as the running service does it. Of each
kind of damage it is said whether a rule changed:

F1  whatever the damage, nothing is raised but SettingsProblems
F2  cut short, overwritten with NULs or random bytes, or its halves swapped: no rule ever changes
F3  a byte flipped, a block dropped or doubled: such a file a person could have written, so a rule may change;
    then `check-config` accepts the file whole. How often that was is printed.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pytest

from replicatord.cli.check_config import check_config
from replicatord.config import SettingsProblems, parse_settings
from replicatord.model.settings import Settings
from replicatord.watching.settings_file import NewText, SettingsFile, Trouble
from tests.config_text import CONFIG

CORRUPTIONS: Final = 1_000
BLOCK_MIN_BYTES: Final = 16  # shorter than any device loses; of fewer random bytes some are text by chance
BLOCK_MAX_BYTES: Final = 1024
TURN_S: Final = 0.5
ANSWERS_WITHIN_TURNS: Final = 100

Damage = Callable[[bytes, random.Random], bytes]


def _block(whole: bytes, chance: random.Random) -> slice:
    size = chance.randint(BLOCK_MIN_BYTES, BLOCK_MAX_BYTES)
    begin = chance.randrange(len(whole) - size)
    return slice(begin, begin + size)


def cut(whole: bytes, chance: random.Random) -> bytes:
    return whole[: chance.randrange(len(whole))]


def nul_block(whole: bytes, chance: random.Random) -> bytes:
    block = _block(whole, chance)
    return whole[: block.start] + bytes(block.stop - block.start) + whole[block.stop :]


def random_block(whole: bytes, chance: random.Random) -> bytes:
    block = _block(whole, chance)
    return whole[: block.start] + chance.randbytes(block.stop - block.start) + whole[block.stop :]


def halves_swapped(whole: bytes, chance: random.Random) -> bytes:
    at = chance.randrange(1, len(whole))
    return whole[at:] + whole[:at]


def block_dropped(whole: bytes, chance: random.Random) -> bytes:
    block = _block(whole, chance)
    return whole[: block.start] + whole[block.stop :]


def block_doubled(whole: bytes, chance: random.Random) -> bytes:
    block = _block(whole, chance)
    return whole[: block.stop] + whole[block.start :]


def bytes_flipped(whole: bytes, chance: random.Random) -> bytes:
    content = bytearray(whole)
    for _ in range(chance.randint(1, 4)):
        content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
    return bytes(content)


NEVER_A_RULE: Final = (cut, nul_block, random_block, halves_swapped)
MAY_BE_A_PERSON: Final = (bytes_flipped, block_dropped, block_doubled)
KINDS: Final = (*NEVER_A_RULE, *MAY_BE_A_PERSON)


def rules(settings: Settings) -> tuple[object, ...]:
    """Give what decides which copies there should be, and when a card may be formatted."""
    return (
        dict(settings.sources),
        dict(settings.drives),
        dict(settings.tiers),
        settings.trips,
        settings.cleared_copies,
        settings.keep_free_bytes,
    )


@dataclass(kw_only=True)
class Running:
    """What the service does with its settings file, by a clock that the test moves."""

    path: Path
    file: SettingsFile
    clock: list[float]
    settings: Settings

    def answer(self) -> NewText | Trouble:
        """Turn the main loop until it has an answer; there must be one."""
        for _ in range(ANSWERS_WITHIN_TURNS):
            self.clock[0] += TURN_S
            answer = self.file.look(self.clock[0])
            if answer is not None:
                return answer
        raise AssertionError("a change of the file's content was never noticed")

    def turn(self) -> str:
        """Take what is there if it can be taken; say what came of it."""
        answer = self.answer()
        if isinstance(answer, Trouble):
            return "half-saved"
        try:
            new = parse_settings(answer.text, file=str(self.path))
        except SettingsProblems:
            return "broken"
        self.settings = new
        self.file.taken(answer.text)
        return "taken"

    def restore(self, whole: bytes, settings: Settings) -> None:
        """Go back to where it began, as by a mend of the file and a start of the service."""
        self.path.write_bytes(whole)
        self.answer()
        self.settings = settings
        self.file.taken(whole)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    path = tmp_path / "replicatord.yaml"
    path.write_bytes((CONFIG / "replicatord.yaml").read_bytes())
    clock = [1000.0]
    file = SettingsFile(str(path), monotonic=lambda: clock[0])
    file.start()
    assert not file.why_deaf
    text = file.read()
    file.taken(text)
    yield Running(path=path, file=file, clock=clock, settings=parse_settings(text, file=str(path)))
    file.stop()


def test_a_thousand_corruptions_are_never_a_crash_and_never_a_rule_that_nobody_wrote(
    running: Running, capsys: pytest.CaptureFixture[str]
) -> None:
    seed = random.randrange(1 << 32)
    chance = random.Random(seed)
    whole, settings = running.path.read_bytes(), running.settings
    outcomes: Counter[tuple[str, str]] = Counter()
    changed: Counter[str] = Counter()
    for number in range(CORRUPTIONS):
        kind = KINDS[number % len(KINDS)]
        content = kind(whole, chance)
        if content == whole:
            outcomes[kind.__name__, "no damage"] += 1
            continue
        running.path.write_bytes(content)
        said = running.turn()
        outcomes[kind.__name__, said] += 1
        if rules(running.settings) != rules(settings):
            changed[kind.__name__] += 1
            assert kind in MAY_BE_A_PERSON, f"{seed=} {number=}"
            status = check_config(str(running.path), as_json=False)
            assert status == 0, f"{seed=} {number=}: {capsys.readouterr()}"
            capsys.readouterr()
        running.restore(whole, settings)
    print(f"{seed=}")
    for kind in KINDS:
        by_outcome = {said: count for (name, said), count in outcomes.items() if name == kind.__name__}
        print(f"{kind.__name__}: {by_outcome}, rules changed {changed[kind.__name__]} times")
    # Proof that damage was noticed and read at all, in each way that it can end.
    assert outcomes["cut", "half-saved"] >= CORRUPTIONS // len(KINDS) - 5, f"{seed=}"
    assert sum(count for (_, said), count in outcomes.items() if said == "broken") > CORRUPTIONS // 4
    assert sum(count for (_, said), count in outcomes.items() if said == "taken") > 0
