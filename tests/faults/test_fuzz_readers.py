"""A share of the fuzzing that needs no fuzzer: broken files by a seed, all that was once read wrongly, and bombs.

I19  whatever a file holds, reading its facts is bounded and raises nothing
F1   whatever the settings file holds, nothing is raised but SettingsProblems, and each problem is a plain line
F2   what lies on a drive or beside the ledger is read or refused, and ends nobody

The targets, with what each may raise: `tests.faults.fuzz.targets`. Led by the code: `tests/soak/run fuzz`.
"""

from __future__ import annotations

import random
import time
from pathlib import Path
from typing import Final

import pytest

from replicatord.config import SettingsProblems, parse_settings
from tests.config_text import VALID, refused
from tests.faults.fuzz.mutate import Mutator
from tests.faults.fuzz.targets import CASES, TARGETS, Target
from tests.media_builders import facts_of

EXECUTIONS: Final = 400  # of each target, in one run
FEWER: Final = {"settings": 120, "spare": 60}  # these take milliseconds each
SLOWEST_S: Final = 5.0  # of one bomb: the slowest takes well under 1 s
MIB: Final = 1 << 20


@pytest.mark.parametrize("target", TARGETS.values(), ids=list(TARGETS))
def test_broken_files_are_read_or_refused(target: Target) -> None:
    seed = random.randrange(1 << 32)
    print(f"{seed=}")
    mutator = Mutator(target.seeds(), seed)
    for number in range(FEWER.get(target.name, EXECUTIONS)):
        data = mutator.next()[: target.max_bytes]
        try:
            target.check(data)
        except Exception as wrong:
            wrong.add_note(f"{seed=} {number=} {data[:200]!r}")
            raise


@pytest.mark.parametrize("target", TARGETS.values(), ids=list(TARGETS))
def test_whole_files_are_read(target: Target) -> None:
    for seed in target.seeds():
        target.check(seed)


@pytest.mark.parametrize(
    "case", sorted(CASES.glob("*/*.bin")), ids=lambda case: f"{case.parent.name}-{case.stem}"
)
def test_what_was_once_read_wrongly(case: Path) -> None:
    TARGETS[case.parent.name].check(case.read_bytes())


# ---- bombs ----

DOCTYPE: Final = b'<?xml version="1.0"?><!DOCTYPE x ['
LAUGHS: Final = b"".join(
    b'<!ENTITY l%d "%s">' % (number, b"&l%d;" % (number - 1) * 10 if number else b"ha")
    for number in range(30)
)
XML: Final = {
    # A billion laughs, and one entity of much text named very often: Python documentation, "XML vulnerabilities".
    "entities of entities": DOCTYPE + LAUGHS + b"]><x>&l29;</x>",
    "one long entity": DOCTYPE + b'<!ENTITY a "' + b"a" * 100_000 + b'">]><x>' + b"&a;" * 100_000 + b"</x>",
    "entity of a file": DOCTYPE + b'<!ENTITY e SYSTEM "file:///etc/passwd">]><x>&e;</x>',
    "entity of parameters": DOCTYPE + b'<!ENTITY % p SYSTEM "file:///etc/passwd">%p;]><x/>',
    "a DTD elsewhere": b'<!DOCTYPE x SYSTEM "file:///dev/zero"><x/>',
    "deep": b"<x>" * (MIB // 3),
    "one long name": b"<" + b"x" * MIB,
    "one long comment": b"<!--" + b"-x" * (MIB // 2),
    "one long CDATA": b"<x><![CDATA[" + b"]" * MIB,
    "one long attribute": b'<x a="' + b"&amp;" * (MIB // 5) + b'"/>',
}


@pytest.mark.parametrize("bomb", XML.values(), ids=list(XML))
def test_i19_an_xml_bomb_costs_little_and_tells_nothing_of_this_machine(bomb: bytes) -> None:
    begun = time.process_time()
    facts = facts_of(bomb, b"a.xmp")
    assert time.process_time() - begun < SLOWEST_S
    assert (facts.stars, facts.captured, facts.camera) == (None, None, "")
    assert "root:" not in facts.problem


YAML: Final = {
    "aliases of aliases": b"a: &a [x, x]\nb: &b [*a, *a]\nc: &c [*b, *b]\nstudio: *c\n",
    "an alias of itself": b"studio: &a [*a]\n",
    "merge keys": b"a: &a {x: 1}\nb: {<<: *a}\n",
    "deep flow": b"studio: " + b"[" * 100_000,
    "deep mappings": b"studio: " + b"{a: " * 50_000,
    "deep blocks": b"".join(b" " * depth + b"a:\n" for depth in range(1000)),
    "deep sequences": b"- " * 100_000 + b"x\n",
    "a huge integer": b"keep_free: " + b"9" * 100_000 + b"\n",
    "a huge fraction": b"keep_free: 1." + b"9" * 100_000 + b"\n",
    "a huge exponent": b"keep_free: 1e999999999\n",
    "a huge number in a directive": b"%YAML " + b"9" * 50_000 + b".1\n---\na: b\n",
    "beyond Unicode": b'studio: "\\UFFFFFFFF"\n',
    "a tag that builds": b"studio: !!python/object/apply:os.system [true]\n",
    "many entries": b"trips: [" + b"a," * 400_000 + b"]\n",
    "many keys": b"".join(b"a%d: b\n" % number for number in range(90_000)),
    "many wrong drives": VALID.encode() + b"".join(b"d%d: {mont: x}\n" % number for number in range(5_000)),
    "one long key": b"a" * (MIB - 8) + b": b\n",
    "one long text": b"studio: '" + b"a" * (MIB - 16) + b"'\n",
    "many quotes": b"studio: '" + b"''" * (MIB // 3) + b"\n",
    "many lines": b"\n" * (MIB - 1) + b"a",
    "a MiB of nothing": b"#" * MIB,
    "more than a MiB": b"#" * (MIB + 1),
}


@pytest.mark.parametrize("bomb", YAML.values(), ids=list(YAML))
def test_f1_a_yaml_bomb_is_refused_in_a_bounded_time(bomb: bytes) -> None:
    begun = time.process_time()
    problems = refused(bomb)
    assert time.process_time() - begun < SLOWEST_S
    assert all(str(problem).isprintable() and len(str(problem)) < 2_000 for problem in problems)


def test_f1_a_whole_file_behind_a_long_comment_is_whole() -> None:
    comment = b"# " + b"a" * (MIB // 2) + b"\n"
    try:
        parse_settings(comment + VALID.encode(), file="replicatord.yaml")
    except SettingsProblems as problems:
        pytest.fail(str(problems))
