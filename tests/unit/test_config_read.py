"""A settings file becomes the settings it asks for, or each mistake is named where it stands."""

from __future__ import annotations

import os
import pickle
from datetime import date
from typing import TYPE_CHECKING

import pytest

from replicatord.config import Problem, SettingsProblems, parse_settings, read_settings
from replicatord.config.defaults import NEVER_TAKEN
from replicatord.config.problem import PROBLEMS_MAX
from replicatord.errors import SettingsError
from replicatord.model.copies import Medium
from replicatord.model.frames import Kind
from replicatord.model.settings import DigestAlgorithm, Drive, FixityCheck, Only, Source, Trip
from tests.config_text import CONFIG, FILE, VALID, changed, parsed, refused, refused_at_marks

if TYPE_CHECKING:
    from pathlib import Path

    from _pytest.mark import ParameterSet

DAY_S = 86_400.0


# ---- what is read ----


def test_the_example_is_read_whole() -> None:
    settings = read_settings(str(CONFIG / "replicatord.yaml"))
    assert settings.studio == "Tidewrack Studio"
    assert settings.ledger == "/var/lib/replicatord/ledger.sqlite"
    assert settings.log == "/var/log/replicatord/replication.jsonl"
    assert settings.digest is DigestAlgorithm.SHA256
    assert list(settings.sources.values()) == [
        Source(name="cards", folder="/srv/studio/cards"),
        Source(name="favourites", folder="/srv/studio/favourites"),
        Source(name="sd", card="/media/*/*"),
    ]
    assert list(settings.drives.values()) == [
        Drive(name="curlew", root="/mnt/curlew", is_mount=True, medium=Medium.HDD, shelf="studio"),
        Drive(name="snipe", root="/mnt/snipe", is_mount=True, medium=Medium.HDD, shelf="studio"),
        Drive(name="dunlin", root="/mnt/dunlin", is_mount=True, medium=Medium.SSD),
        Drive(
            name="plover", root="/mnt/plover", is_mount=True, medium=Medium.HDD, is_away=True,
            visit_every_s=31 * DAY_S,
        ),
        Drive(
            name="north-cloud", root="/home/studio/NorthCloud", is_mount=False, medium=Medium.CLOUD,
            limit_bytes=15_000_000_000,
        ),
    ]  # fmt: skip
    everything, best = settings.tiers.values()
    assert (everything.name, everything.sources) == ("everything", ("cards", "favourites", "sd"))
    assert (everything.shelves, everything.only) == (("studio", "dunlin", "plover"), Only())
    assert settings.drives_of(everything) == ("curlew", "snipe", "dunlin", "plover")
    assert everything.layout.text == "{year}/{month}/{folder}/{name}"
    assert (best.name, best.sources, best.shelves) == ("best", ("favourites",), ("north-cloud",))
    assert best.only == Only(kinds=frozenset({Kind.PHOTO}), min_stars=1)
    assert settings.trips == (Trip(name="Outer Skerries", first=date(2026, 1, 26), last=date(2026, 2, 4)),)
    assert (settings.cleared_copies, settings.keep_free_bytes) == (2, 20_000_000_000)
    assert settings.fixity_check == FixityCheck(every_s=90 * DAY_S, between=(60, 360))


def test_the_smallest_example_is_read_with_what_holds_by_default() -> None:
    settings = read_settings(str(CONFIG / "first-drive.yaml"))
    assert (len(settings.sources), len(settings.drives), len(settings.tiers)) == (1, 1, 1)
    assert (settings.digest, settings.cleared_copies, settings.keep_free_bytes) == (
        DigestAlgorithm.SHA256,
        2,
        0,
    )
    assert (settings.settle_s, settings.load_ends_after_s, settings.rescan_every_s) == (2.0, 60.0, 3600.0)
    assert (settings.log_rotate_bytes, settings.never_taken) == (64_000_000, NEVER_TAKEN)
    assert (settings.trips, settings.fixity_check) == ((), None)


def test_the_commented_keys_of_the_example_are_true_when_uncommented() -> None:
    text = (CONFIG / "replicatord.yaml").read_text()
    head, tail = text.split("# What follows is already so")
    lines = [line.removeprefix("# ") if ":" in line else line for line in tail.split("\n")[1:]]
    settings = parsed(head + "\n".join(lines))
    plain = parsed(text)
    assert (settings.settle_s, settings.load_ends_after_s) == (plain.settle_s, plain.load_ends_after_s)
    assert (settings.rescan_every_s, settings.log_rotate_bytes) == (
        plain.rescan_every_s,
        plain.log_rotate_bytes,
    )
    assert settings.never_taken == ("*.part", "*.tmp", ".*")


def test_optional_keys() -> None:
    settings = parsed(
        VALID
        + "digest: blake3\nsettle: 0.5s\nload_ends_after: 2m\nrescan_every: 12h\nlog_rotate: 1MB\n"
        + "never_take: ['*.part', draft]\nfixity_check: {every: 30d}\nkeep_free: 0B\ntrips: []\n"
    )
    assert settings.digest is DigestAlgorithm.BLAKE3
    assert (settings.settle_s, settings.load_ends_after_s, settings.rescan_every_s) == (0.5, 120.0, 43_200.0)
    assert (settings.log_rotate_bytes, settings.never_taken) == (1_000_000, ("*.part", "draft"))
    assert settings.fixity_check == FixityCheck(every_s=30 * DAY_S, between=None)


def test_every_condition_of_a_tier() -> None:
    only = (
        "only: {kinds: [photo, video, audio, other], formats: [jpg, jpeg, tif, cr3, 3fr], min_stars: -1, "
        "cameras: ['Estuary*', 7], folders: ['boats/*'], older_than: 30d, younger_than: 60d}"
    )
    settings = parsed(changed("    to: [", f"    {only}\n    to: ["))
    assert settings.tiers["everything"].only == Only(
        kinds=frozenset({Kind.PHOTO, Kind.VIDEO, Kind.AUDIO, Kind.OTHER}),
        formats=frozenset({"jpeg", "tiff", "cr3", "3fr"}),
        min_stars=-1,
        cameras=("Estuary*", "7"),
        folders=("boats/*",),
        older_than_s=30 * DAY_S,
        younger_than_s=60 * DAY_S,
    )


def test_an_empty_only_takes_everything() -> None:
    settings = parsed(changed("    to: [", "    only: {}\n    to: ["))
    assert settings.tiers["everything"].only == Only()


@pytest.mark.parametrize(
    "typed", ["1.10", "2026", "no", "on", "12:30", "010", "1_000", "2026-01-26", '"true"']
)
def test_text_stays_as_it_was_typed(typed: str) -> None:
    assert parsed(changed("Tidewrack Studio", typed)).studio == typed.strip('"')


def test_hours_need_no_quotes() -> None:
    settings = parsed(VALID + "fixity_check: {every: 90d, between: 23:30-06:00}\n")
    assert settings.fixity_check == FixityCheck(every_s=90 * DAY_S, between=(1410, 360))


def test_paths_are_normalised() -> None:
    assert parsed(changed("/mnt/dunlin", "//mnt//dunlin/./")).drives["dunlin"].root == "/mnt/dunlin"


# ---- what is refused, one mistake a time ----


def case(name: str, old: str, new: str, found: str, nearest: str | None = None) -> ParameterSet:
    """Give one change of the valid file, the mark where it is refused, and what is said."""
    return pytest.param(old, new, found, nearest, id=name)


MISTAKES = (
    # keys
    case("unknown key", "studio:", "»studoi: x\nstudio:", "the key 'studoi'", "studio"),
    case("unknown inner key", "medium: hdd}", "medium: hdd, »lable: x}", "the key 'lable'"),
    case("slip in an inner key", "hdd}", "hdd, »awya: true}", "the key 'awya'", "away"),
    case("equal keys", "drives:", "»studio: x\ndrives:", "the key 'studio' a second time"),
    case("key that is a number", "drives:", "»7: x\ndrives:", "the key 7", '"7"'),
    # YAML 1.1 where something else than text is meant
    case("no for false", "hdd}", "hdd, away: »no}", "'no'", "false"),
    case("on for true", "hdd}", "hdd, away: »on}", "'on'", "true"),
    case("1 for true", "hdd}", "hdd, away: »1}", "'1'", "true"),
    case("true in quotes", "hdd}", "hdd, away: »'true'}", "'true'", "true"),
    case("octal", "drives:", "cleared_when: {copies: »02}\ndrives:", "'02'", "2"),
    case("underscore", "drives:", "cleared_when: {copies: »1_0}\ndrives:", "'1_0'", "10"),
    case("number in quotes", "drives:", "cleared_when: {copies: »'2'}\ndrives:", "'2'", "2"),
    case("decimal", "drives:", "cleared_when: {copies: »2.0}\ndrives:", "'2.0'"),
    case("base sixty", "drives:", "cleared_when: {copies: »12:30}\ndrives:", "'12:30'"),
    case("no copies", "drives:", "cleared_when: {copies: »0}\ndrives:", "'0'"),
    case("fewer than none", "drives:", "cleared_when: {copies: »-1}\ndrives:", "'-1'"),
    case("true where text is meant", "Tidewrack Studio", "»true", "true", '"true"'),
    case("null where text is meant", "Tidewrack Studio", "»null", "nothing"),
    case("blank text", "Tidewrack Studio", "»' '", "' '"),
    case("list where text is meant", "Tidewrack Studio", "»[x]", "a list"),
    case("group where text is meant", "Tidewrack Studio", "»{x: y}", "a group of keys"),
    # units
    case("size without a unit", "drives:", "keep_free: »20\ndrives:", "'20'"),
    case("slip in a unit", "drives:", "keep_free: »20gb\ndrives:", "'20gb'", "20GB"),
    case("limit below zero", "cloud}", "cloud, limit: »-1GB}", "'-1GB'"),
    case("limit of zero", "cloud}", "cloud, limit: »0GB}", "'0GB'"),
    case("duration without a unit", "drives:", "settle: »2\ndrives:", "'2'"),
    case("tiny log files", "drives:", "log_rotate: »1kB\ndrives:", "'1kB'"),
    case("hours", "drives:", "fixity_check: {every: 9d, between: »1-6}\ndrives:", "'1-6'"),
    # choices
    case("medium", "medium: ssd", "medium: »sdd", "'sdd'", "ssd"),
    case("digest", "drives:", "digest: »sha265\ndrives:", "'sha265'", "sha256"),
    case("kind", "    to:", "    only: {kinds: [»fotos]}\n    to:", "'fotos'", "photo"),
    case("inner kind", "    to:", "    only: {kinds: [»sidecar]}\n    to:", "'sidecar'"),
    case("format", "    to:", "    only: {formats: [»jpge]}\n    to:", "'jpge'", "jpg"),
    case("format as .CR3", "    to:", "    only: {formats: [».CR3]}\n    to:", "'.CR3'", "cr3"),
    case("six stars", "    to:", "    only: {min_stars: »6}\n    to:", "'6'"),
    case("empty condition", "    to:", "    only: {kinds: »[]}\n    to:", "an empty list"),
    case("forgotten condition", "    to:", "    only:»\n    to:", "nothing"),
    case("null", "    to:", "    only: »null\n    to:", "nothing"),
    case("text where keys are meant", "    to:", "    only: »photo\n    to:", "'photo'"),
    case("text where a list is meant", "[cards, favourites]", "»cards", "'cards'"),
    case("no sources", "[cards, favourites]", "»[]", "an empty list"),
    case("pattern with a slash", "drives:", "never_take: [»a/b]\ndrives:", "'a/b'"),
    case("pattern that takes all", "drives:", "never_take: [»'*']\ndrives:", "'*'"),
    # names
    case("unknown source", "cards, fav", "»crads, fav", "'crads'", "cards"),
    case("unknown drive", "[curlew, dunlin", "[»curlw, dunlin", "'curlw'", "curlew"),
    case("drive like no other", "[curlew, dunlin", "[»godwit, dunlin", "'godwit'"),
    case("drive twice", "[curlew, dunlin", "[curlew, »curlew", "'curlew' a second time"),
    case("name with a blank", "  everything:", "  »every thing:", "the name 'every thing'"),
    case("name like an option", "  everything:", "  »-x:", "the name '-x'"),
    case("name with an umlaut", "  everything:", "  »Bärbel:", "the name 'Bärbel'"),
    # folders
    case("relative path", "/srv/studio/cards", "»studio/cards", "'studio/cards'"),
    case("home path", "/srv/studio/cards", "»~/cards", "'~/cards'"),
    case("path with ..", "/srv/studio/cards", "»/srv/../cards", "'/srv/../cards'"),
    case(
        "source inside a drive",
        "/srv/studio/cards",
        "»/mnt/curlew/in",
        "'/mnt/curlew/in', which is inside drive curlew",
    ),
    case(
        "drive inside a source",
        "/mnt/dunlin",
        "»/srv/studio/cards/dunlin",
        "'/srv/studio/cards/dunlin', which is inside source cards",
    ),
    case(
        "drive that is a source",
        "/mnt/dunlin",
        "»/srv/studio/cards",
        "'/srv/studio/cards', which is the same place as source cards",
    ),
    case(
        "source inside a source",
        "/srv/studio/favourites",
        "»/srv/studio/cards/fav",
        "'/srv/studio/cards/fav', which is inside source",
    ),
    case(
        "source around a source",
        "/srv/studio/favourites",
        "»/srv/studio",
        "'/srv/studio', which is around source cards",
    ),
    case(
        "one folder twice",
        "/srv/studio/favourites",
        "»/srv/studio/cards/",
        "'/srv/studio/cards', which is the same place",
    ),
    case(
        "two drives on one mount",
        "/mnt/dunlin",
        "»/mnt//curlew",
        "'/mnt/curlew', which is the same place as drive curlew",
    ),
    case(
        "drive inside a drive",
        "/mnt/dunlin",
        "»/mnt/curlew/b",
        "'/mnt/curlew/b', which is inside drive curlew",
    ),
    case(
        "ledger inside a source",
        "/var/lib/replicatord",
        "»/srv/studio/cards",
        "'/srv/studio/cards/ledger.sqlite', which is inside",
    ),
    case(
        "ledger on a drive",
        "/var/lib/replicatord",
        "»/mnt/curlew",
        "'/mnt/curlew/ledger.sqlite', which is inside drive curlew",
    ),
    case(
        "log inside a source",
        "/var/log/replicatord",
        "»/srv/studio/favourites",
        "'/srv/studio/favourites/replication.jsonl'",
    ),
    case(
        "log on a drive",
        "/var/log/replicatord",
        "»/mnt/dunlin",
        "'/mnt/dunlin/replication.jsonl', which is inside drive",
    ),
    case(
        "log that is the ledger",
        "/var/log/replicatord/replication.jsonl",
        "»/var/lib/replicatord/ledger.sqlite",
        "'/var/lib/replicatord/ledger.sqlite', which is the same place as the ledger",
    ),
    case(
        "mount and folder", "mount: /mnt/dunlin", "mount: /mnt/dunlin, »folder: /x", "both mount and folder"
    ),
    case(
        "neither mount nor folder",
        "  dunlin: {mount: /mnt/dunlin, ",
        "  »dunlin: {",
        "neither mount nor folder",
    ),
    # the rest of what needs more than one value
    case("visits", "hdd}", "hdd, »visit_every: 31d}", "visit_every for a drive that is not away"),
    case("cleared never", "drives:", "cleared_when: {copies: »3}\ndrives:", "3 copies, with 2 drives"),
    case(
        "ages that leave nothing",
        "    to:",
        "    only: {older_than: 9d, younger_than: »9d}\n    to:",
        "older_than and younger_than",
    ),
    case(
        "trip that ends before it begins",
        "drives:",
        "trips: [{name: A, from: 2026-02-04, until: »2026-02-03}]\ndrives:",
        "'2026-02-03'",
    ),
    case(
        "day that is none",
        "drives:",
        "trips: [{name: A, from: 2026-02-04, until: »2026-02-30}]\ndrives:",
        "'2026-02-30'",
    ),
    case(
        "trips that overlap",
        "drives:",
        "trips:\n  - {name: A, from: 2026-02-04, until: 2026-02-09}\n"
        "  - {name: B, from: »2026-02-09, until: 2026-02-09}\ndrives:",
        "'B', 2026-02-09 to 2026-02-09, which overlaps 'A'",
    ),
    # layouts: test_config_layout.py has the rest
    case("layout word", '"{year}/{m', '»"{yera}/{m', "the word '{yera}'", "{year}"),
    case("layout that leaves", '"{year}/{m', '»"../{m', "the part '..'"),
    case("absolute layout", '"{year}/{m', '»"/{m', "'/{month}", "{month}/{folder}/{name}"),
    case(
        "layout without a name",
        '"{year}/{month}/{folder}/{name}"',
        '»"{year}/{month}"',
        "'{year}/{month}', whose last part",
    ),
    case("layout without quotes", '"{year}/{month}/{folder}/{name}"', "»{name}", "a group of keys"),
)


@pytest.mark.parametrize(("old", "new", "found", "nearest"), MISTAKES)
def test_one_mistake(old: str, new: str, found: str, nearest: str | None) -> None:
    (problem,) = refused_at_marks(changed(old, new))
    assert problem.found.startswith(found), str(problem)
    assert problem.nearest == nearest
    assert problem.file == FILE


@pytest.mark.parametrize(
    ("key", "old", "new"),
    [
        ("studio", VALID, "»" + VALID.split("\n", 1)[1]),
        ("layout", VALID, VALID[: VALID.index("    layout:")].replace("  everything", "  »everything")),
        (
            "medium",
            VALID,
            VALID.replace("  dunlin: {mount: /mnt/dunlin, medium: ssd}", "  »dunlin: {mount: /d}"),
        ),
        ("copies", VALID, VALID + "»cleared_when: {}\n"),
        ("every", VALID, VALID + "»fixity_check: {between: '01:00-06:00'}\n"),
    ],
)
def test_a_missing_key_is_named_at_the_key_of_its_group(key: str, old: str, new: str) -> None:
    assert old != new
    (problem,) = refused_at_marks(new)
    assert problem.found == f"no key '{key}'"
    assert problem.expected.startswith(f"{key}: ")


@pytest.mark.parametrize("section", ["sources", "drives", "tiers"])
@pytest.mark.parametrize("empty", [" {}", "", " []", " text"])
def test_a_section_without_entries_is_refused(section: str, empty: str) -> None:
    lines = VALID.split("\n")
    start = lines.index(f"{section}:")
    end = next((i for i in range(start + 1, len(lines)) if not lines[i].startswith(" ")), len(lines))
    text = "\n".join([*lines[:start], f"{section}:{empty}", *lines[end:]]) + "\n"
    problems = refused(text.encode())
    column = len(section) + 2 + bool(empty)
    assert [(p.line, p.column) for p in problems if p.line == start + 1] == [(start + 1, column)]


# ---- all at once, and how it is said ----


def test_all_mistakes_of_a_file_are_reported_in_the_order_of_the_file() -> None:
    problems = refused_at_marks(
        """\
»studio: Tidewrack Studio
ledger: »ledger.sqlite
sources:
  cards: {folder: /srv/studio/cards, »foldr: /x}
  loop: {folder: »/mnt/curlew/in}
drives:
  curlew: {mount: /mnt/curlew, medium: hdd, away: »no}
  dunlin: {mount: »/mnt/curlew/b, medium: »sdd, limit: »5}
  »snipe: {medium: ssd}
tiers:
  best:
    from: [cards, »favourites]
    to: [»curlw, dunlin]
    only: {min_stars: »010}
    layout: »"{yera}/{name}"
trips:
  - {name: A, from: 2026-02-04, until: »2026-02-01}
keep_free: »20
»keep_free: 20GB
"""
    )
    assert problems[0].found == "no key 'log'"
    assert str(problems[10]) == (
        "config/replicatord.yaml:13:10: found 'curlw', expected one of the drives curlew, dunlin, snipe: "
        "did you mean curlew?"
    )


def test_the_number_of_reported_mistakes_is_bounded() -> None:
    many = "".join(f"unknown{number}: x\n" for number in range(PROBLEMS_MAX + 10))
    assert len(refused((VALID + many).encode())) == PROBLEMS_MAX


@pytest.mark.parametrize(
    ("problem", "line"),
    [
        (Problem(file="f", found="x", expected="y"), "f: found x, expected y"),
        (Problem(file="f", line=3, column=9, found="x", expected="y"), "f:3:9: found x, expected y"),
        (
            Problem(file="a\nb", line=1, column=1, found="\x1b\ud800", expected="y", nearest="z"),
            "a\\nb:1:1: found \\x1b\\ud800, expected y: did you mean z?",
        ),
    ],
)
def test_a_problem_is_one_line(problem: Problem, line: str) -> None:
    assert str(problem) == line


def test_problems_survive_pickling_and_are_settings_errors() -> None:
    error = SettingsProblems(refused(b""))
    assert isinstance(error, SettingsError)
    assert pickle.loads(pickle.dumps(error)).problems == error.problems  # noqa: S301  made the line before
    assert str(error) == "\n".join(str(problem) for problem in error.problems)


# ---- names that lead to one place ----


def studio_at(root: Path, **places: str) -> str:
    names = {"cards": "cards", "curlew": "curlew", "ledger": "ledger", **places}
    paths = {key: root / name for key, name in names.items()}
    return (
        f"studio: x\nledger: {paths['ledger']}\nlog: {root / 'log'}\n"
        f"sources:\n  cards: {{folder: {paths['cards']}}}\n"
        f"drives:\n  curlew: {{mount: {paths['curlew']}, medium: hdd}}\n"
        "tiers:\n  all: {from: [cards], to: [curlew], layout: '{name}'}\n"
    )


def test_a_source_that_leads_to_a_drive_by_a_symbolic_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "curlew" / "in").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "curlew")
    (problem,) = refused(studio_at(tmp_path, cards="link/in").encode())
    assert (problem.line, problem.column) == (5, 19)
    assert "inside drive curlew" in problem.found


def test_a_ledger_that_leads_to_a_drive_by_a_symbolic_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "curlew").mkdir()
    (tmp_path / "state").symlink_to(tmp_path / "curlew")
    (problem,) = refused(studio_at(tmp_path, ledger="state/ledger").encode())
    assert (problem.line, problem.column) == (2, 9)


def test_what_does_not_exist_is_compared_by_name_and_never_made(tmp_path: Path) -> None:
    assert parsed(studio_at(tmp_path)).sources["cards"].folder == str(tmp_path / "cards")
    assert list(tmp_path.iterdir()) == []


def test_a_name_that_begins_like_another_is_not_inside_it(tmp_path: Path) -> None:
    assert parsed(studio_at(tmp_path, cards="curlew-cards")).sources["cards"].folder.endswith("curlew-cards")


# ---- the file itself ----


def problem_of(path: str) -> Problem:
    with pytest.raises(SettingsProblems) as caught:
        read_settings(path)
    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.column) == (path, None, None)
    return problem


def test_a_file_is_read(tmp_path: Path) -> None:
    path = tmp_path / "replicatord.yaml"
    path.write_text(VALID)
    settings = read_settings(str(path))
    assert settings.file == str(path)
    assert settings == parse_settings(VALID.encode(), file=str(path))


def test_a_missing_file_says_where_to_start(tmp_path: Path) -> None:
    problem = problem_of(str(tmp_path / "none.yaml"))
    assert problem.found == "no such file"
    assert "first-drive.yaml" in problem.expected


@pytest.mark.parametrize("bad", ["", "nul\0inside", "x" * 5000, "half\ud800"])
def test_an_impossible_path_is_a_problem(tmp_path: Path, bad: str) -> None:
    problem_of(str(tmp_path / bad) if bad else bad)


def test_what_is_no_regular_file_is_refused_without_waiting(tmp_path: Path) -> None:
    fifo = tmp_path / "fifo"
    os.mkfifo(fifo)
    for path in (tmp_path, fifo, fifo / "below"):
        assert problem_of(str(path)).found.startswith("no readable file")


def test_a_file_that_may_not_be_read_is_a_problem(tmp_path: Path) -> None:
    path = tmp_path / "replicatord.yaml"
    path.write_text(VALID)
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user may read every file, so nothing can be refused")
    assert "permission" in problem_of(str(path)).expected


def test_a_file_over_the_size_bound_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "replicatord.yaml"
    path.write_bytes(VALID.encode() + b"#" * 2_000_000)
    with pytest.raises(SettingsProblems) as caught:
        read_settings(str(path))
    assert (caught.value.problems[0].line, caught.value.problems[0].column) == (1, 1)
