"""What planning promises, one test a promise with the same number as in `replicatord.rules.plan`.

Frames come with hostile names, with content in common, with names that differ only in case, and with paths
that other pictures already have.
"""

from __future__ import annotations

import os
import unicodedata
from collections import defaultdict
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import Final

import pytest
from hypothesis import HealthCheck, assume, example, given, settings
from hypothesis import strategies as st

from replicatord.media.names import split_stem
from replicatord.model.copies import Placement
from replicatord.model.frames import Frame, FrameId, Kind, SeenFile, TimeOrigin
from replicatord.model.settings import Only, Settings, Trip
from replicatord.rules.paths import HIDDEN_FOLDER, NAME_MAX_BYTES, path_key, trip_of
from replicatord.rules.plan import frames_that_matter, plan_picture
from replicatord.rules.tiers import takes
from tests.core_builders import NothingKnown, captured, frame_of, seen, settings_of, tier

TODAY: Final = date(2026, 3, 1)
PICTURE: Final = b"a heron, raw"  # the content of every main file: frames of one picture
LAYOUTS: Final = (
    "{year}/{month}/{folder}/{name}",
    "{name}",
    "best/{format}/{year}/{name}",
    "{year}-{month}-{day} {name}",
    "{trip}{folder}/{camera}_{stem}.{ext}",
    "{stem}/{name}",
    "{folder}_{name}",
    "{source}/{kind}/{camera}/{name}",
)
EXTENSIONS: Final = (
    b"CR3",
    b"cr3",
    b"JPG",
    b"jpg",
    b"xmp",
    b"CR3.xmp",
    b"WAV",
    b"mp4",
    b"e\xcc\x81",
    b"\xff",
)
FEW: Final = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.filter_too_much])

Taken = Callable[[str, bytes], bool]


def nothing_taken(_drive: str, _key: bytes) -> bool:
    return False


def _is_name(part: bytes) -> bool:
    return part not in (b"", b".", b"..") and b"/" not in part and b"\0" not in part


parts = st.one_of(
    st.sampled_from(
        [b"TIDE0001", b"tide0001", b".replicatord", b".REPLICATORD", b"..x", b" ", b"a\nb", b"\\", b"x" * 240]
    ),
    st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1, max_size=80).map(str.encode),
    st.binary(min_size=1, max_size=250),
).filter(lambda part: _is_name(part) and len(part) <= NAME_MAX_BYTES)
folders = st.lists(parts, max_size=3).map(b"/".join)
usual = st.sampled_from(EXTENSIONS)
contents = st.sampled_from([PICTURE, b"jpeg", b"sidecar", b"voice"])
times = st.datetimes(datetime(1970, 1, 1), datetime(2100, 1, 1)).map(  # noqa: DTZ001  a camera's clock has no zone
    lambda moment: captured(moment.replace(microsecond=0).isoformat())
)


@st.composite
def frames(draw: st.DrawFn, number: int, extensions: st.SearchStrategy[bytes]) -> Frame:
    """One frame whose main file shows the picture; its other files hold anything, also the same."""
    stem, folder = draw(parts), draw(folders)
    source = draw(st.sampled_from(["cards", "favourites"]))
    names = [stem + b"." + ext for ext in draw(st.lists(extensions, min_size=1, max_size=4, unique=True))]
    names = [name for name in names if len(name) <= NAME_MAX_BYTES]
    assume(names)
    shared = split_stem(names[0])[0]
    names = [name for name in names if split_stem(name)[0] == shared]
    time, camera = draw(st.none() | times), draw(st.text(max_size=300))
    files: list[SeenFile] = [
        seen(name, draw(contents), source=source, folder=folder, time=time, camera=camera) for name in names
    ]
    main = frame_of(files).main
    shown = seen(main.name, PICTURE, source=source, folder=folder, time=time, camera=camera)
    files[names.index(main.name)] = replace(shown, facts=main.facts)
    stars = draw(st.integers(-1, 5))
    return replace(frame_of(files, number), stars=stars)


@st.composite
def pictures(draw: st.DrawFn, extensions: st.SearchStrategy[bytes] = usual) -> list[Frame]:
    """Up to three frames that show one picture, in no order."""
    numbers = draw(st.lists(st.integers(1, 99), min_size=1, max_size=3, unique=True))
    return [draw(frames(number, extensions)) for number in numbers]


@st.composite
def studios(draw: st.DrawFn) -> Settings:
    """Give settings with one or two tiers, their conditions, and perhaps a trip."""
    first = draw(st.dates(date(1970, 1, 1), date(2099, 1, 1)))
    trip = Trip(
        name=draw(st.sampled_from(["Outer Skerries", "../..", ".replicatord", "a/b", "~"])),
        first=first,
        last=first + timedelta(days=draw(st.integers(0, 20_000))),
    )
    only = Only(
        kinds=draw(st.sampled_from([frozenset[Kind](), frozenset({Kind.PHOTO})])),
        min_stars=draw(st.none() | st.integers(-1, 5)),
    )
    tiers = [tier(layout=draw(st.sampled_from(LAYOUTS)))]
    if draw(st.booleans()):
        drives = draw(st.sampled_from([("curlew",), ("north-cloud", "dunlin")]))
        tiers.append(tier("best", layout=draw(st.sampled_from(LAYOUTS)), drives=drives, only=only))
    return settings_of(*tiers, trips=(trip,) if draw(st.booleans()) else ())


def plan(
    picture: list[Frame], studio: Settings, taken: Taken = nothing_taken, today: date = TODAY
) -> tuple[Placement, ...]:
    return plan_picture(
        picture, settings=studio, today=today, taken=taken, split_stem=split_stem, view=NothingKnown()
    )


@FEW
@given(picture=pictures(), studio=studios())
def test_p1_every_file_that_a_tier_takes_is_wanted_on_each_drive(
    picture: list[Frame], studio: Settings
) -> None:
    planned = plan(picture, studio)
    for each in studio.tiers.values():
        earlier: set[bytes] = set()
        wanted = {(p.drive, p.frame, p.name, p.digest) for p in planned if p.tier == each.name}
        for frame in sorted(picture, key=lambda frame: frame.id):
            if not takes(each, frame, today=TODAY):
                assert not [p for p in planned if (p.tier, p.frame) == (each.name, frame.id)]
                continue
            for file in frame.files:
                for drive in studio.drives_of(each):
                    held = {digest for d, f, _, digest in wanted if (d, f) == (drive, frame.id)}
                    is_leader = not earlier
                    is_wanted = (drive, frame.id, file.name, file.digest) in wanted
                    assert is_wanted or file.digest in (earlier if is_leader else earlier | held)
            earlier |= {file.digest for file in frame.files}


@FEW
@given(picture=pictures(), studio=studios(), data=st.data())
def test_p2_no_path_is_given_to_two_contents_and_none_that_is_taken(
    picture: list[Frame], studio: Settings, data: st.DataObject
) -> None:
    free = sorted({(p.drive, path_key(p.path)) for p in plan(picture, studio)})
    taken = set(data.draw(st.lists(st.sampled_from(free), unique=True))) if free else set()
    planned = plan(picture, studio, lambda drive, key: (drive, key) in taken)
    assert {(p.drive, p.tier, p.frame, p.name) for p in planned} == {
        (p.drive, p.tier, p.frame, p.name) for p in plan(picture, studio)
    }
    given_to: dict[tuple[str, bytes], bytes] = {}
    for p in planned:
        assert (p.drive, path_key(p.path)) not in taken
        assert given_to.setdefault((p.drive, path_key(p.path)), p.digest) == p.digest


@FEW
@given(picture=pictures(), studio=studios(), data=st.data())
def test_p3_a_frame_stays_together_and_lies_alike_on_every_drive(
    picture: list[Frame], studio: Settings, data: st.DataObject
) -> None:
    free = sorted({(p.drive, path_key(p.path)) for p in plan(picture, studio)})
    taken = set(data.draw(st.lists(st.sampled_from(free), unique=True))) if free else set()
    planned = plan(picture, studio, lambda drive, key: (drive, key) in taken)
    laid: defaultdict[tuple[str, int], defaultdict[str, dict[bytes, bytes]]]
    laid = defaultdict(lambda: defaultdict(dict))
    for p in planned:
        laid[p.tier, p.frame][p.drive][p.name] = p.path
    leaders = {
        each.name: min((f.id for f in picture if takes(each, f, today=TODAY)), default=None)
        for each in studio.tiers.values()
    }
    for (tier_name, frame), by_drive in laid.items():
        first, *others = by_drive.values()
        assert all(other == first for other in others)
        is_twinned = len({path_key(name) for name in first}) < len(first)
        if frame == leaders[tier_name] and not is_twinned:
            assert len({os.path.dirname(path) for path in first.values()}) == 1
            ends = {path: b"." + split_stem(name)[1] for name, path in first.items()}
            assert all(path.endswith(end) for path, end in ends.items())
            assert len({path[: -len(end)] for path, end in ends.items()}) == 1


@FEW
@given(picture=pictures(), studio=studios(), data=st.data())
def test_p4_the_order_of_what_comes_in_does_not_matter(
    picture: list[Frame], studio: Settings, data: st.DataObject
) -> None:
    assert plan(data.draw(st.permutations(picture)), studio) == plan(picture, studio)


@FEW
@given(picture=pictures(), studio=studios(), data=st.data())
def test_p5_frames_that_do_not_matter_may_be_left_out(
    picture: list[Frame], studio: Settings, data: st.DataObject
) -> None:
    again = data.draw(st.lists(st.sampled_from(picture), max_size=5))  # the same under other numbers
    numbered = [replace(frame, id=FrameId(number)) for number, frame in enumerate(picture + again, 1)]
    few = frames_that_matter(numbered, settings=studio, today=TODAY)
    assert len(few) <= len(picture)
    assert plan(few, studio) == plan(numbered, studio)


@FEW
@given(picture=pictures(parts.filter(lambda part: b"." not in part)), studio=studios())
def test_hostile_names_never_leave_the_drive_nor_reach_its_hidden_folder(
    picture: list[Frame], studio: Settings
) -> None:
    for p in plan(picture, studio):
        pieces = p.path.split(b"/")
        assert all(_is_name(piece) and len(piece) <= NAME_MAX_BYTES for piece in pieces), p.path
        assert not path_key(pieces[0]).startswith(HIDDEN_FOLDER)


@pytest.mark.parametrize("layout", ["{name}", "{folder}/{name}", "{stem}/{name}", "{folder}_{name}"])
@pytest.mark.parametrize("hidden", [b".replicatord", b".RepLicatord"])
def test_a_name_like_the_hidden_folders_is_laid_beside_it(layout: str, hidden: bytes) -> None:
    """On a file system that folds case the second is the first."""
    frame = frame_of([seen(hidden + b".CR3", folder=hidden)])
    (placement,) = plan([frame], settings_of(tier(layout=layout, drives=("curlew",))))
    assert placement.path.startswith(b"_" + hidden[1:])


def test_a_name_too_long_for_its_layout_is_cut_alike_for_the_whole_frame() -> None:
    """250 bytes of stem and a date in front do not fit in 255; the extensions and the common stem stay."""
    stem = b"x" * 240
    frame = frame_of([seen(stem + b"." + ext, ext) for ext in (b"CR3", b"JPG", b"CR3.xmp")])
    studio = settings_of(tier(layout="{year}-{month}-{day} {name}", drives=("curlew",)))
    paths = [p.path for p in plan([frame], studio)]
    assert {path.partition(b".")[2] for path in paths} == {b"CR3", b"JPG", b"CR3.xmp"}
    assert len({path.partition(b".")[0] for path in paths}) == 1
    assert max(map(len, paths)) <= NAME_MAX_BYTES


def test_extensions_too_long_for_any_common_stem_get_names_of_their_own() -> None:
    """As hostile as names can be: 252 bytes of extension that differ in the last one, and a date in front."""
    frame = frame_of([seen(b"a." + b"x" * 252 + end, end) for end in (b"1", b"2")])
    studio = settings_of(tier(layout="{year}-{month}-{day} {name}", drives=("curlew",)))
    paths = {p.path for p in plan([frame], studio)}
    assert len(paths) == 2
    assert max(map(len, paths)) <= NAME_MAX_BYTES


def test_two_long_names_that_begin_alike_get_two_paths() -> None:
    long = [frame_of([seen(b"x" * 240 + end + b".CR3", end)], 1) for end in (b"1", b"2")]
    studio = settings_of(tier(layout="{year}-{month}-{day} {name}", drives=("curlew",)))
    one, two = (plan([frame], studio)[0].path for frame in long)
    assert one != two


def test_a_doubled_name_gets_the_start_of_its_digest_on_every_drive() -> None:
    """Two frames, one path, two contents: the second one's files all carry the main file's digest."""
    studio = settings_of(tier(layout="{name}"))
    frame = frame_of([seen(b"TIDE0001.CR3", PICTURE), seen(b"TIDE0001.xmp", b"sidecar")])
    mark = frame.main.digest.hex()[:8].encode()
    planned = plan([frame], studio, lambda drive, key: drive == "dunlin" and key == b"tide0001.xmp")
    expected = {b"TIDE0001-" + mark + b".CR3", b"TIDE0001-" + mark + b".xmp"}
    for drive in ("curlew", "dunlin"):
        assert {p.path for p in planned if p.drive == drive} == expected


def test_names_that_differ_only_in_case_get_paths_of_their_own() -> None:
    frame = frame_of([seen(b"TIDE0001.JPG", PICTURE), seen(b"TIDE0001.jpg", b"another")])
    planned = plan([frame], settings_of(tier(layout="{name}", drives=("curlew",))))
    assert len({path_key(p.path) for p in planned}) == 2


@given(
    first=st.dates(date(1990, 1, 1), date(2080, 1, 1)), length=st.integers(0, 400), day=st.integers(-3, 403)
)
def test_a_trip_is_filed_under_the_month_it_set_out(first: date, length: int, day: int) -> None:
    """Common practice, no published source: also when it ends in the next month or year."""
    trip = Trip(name="Outer Skerries", first=first, last=first + timedelta(days=length))
    taken_on = first + timedelta(days=day)
    frame = frame_of([seen(b"TIDE0001.CR3", time=captured(f"{taken_on.isoformat()}T12:00:00"))])
    (placement,) = plan(
        [frame], settings_of(tier(layout="{year}/{month}/{name}", drives=("curlew",)), trips=(trip,))
    )
    filed = first if 0 <= day <= length else taken_on
    assert placement.path == f"{filed:%Y/%m}/TIDE0001.CR3".encode()


def test_the_trip_of_the_scenario_ends_in_the_next_month_and_stays_whole() -> None:
    trip = Trip(name="Outer Skerries", first=date(2026, 1, 26), last=date(2026, 2, 4))
    assert trip_of(date(2026, 2, 4), (trip,)) is trip
    assert trip_of(date(2026, 2, 5), (trip,)) is None
    assert trip_of(date(2026, 1, 25), (trip,)) is None


def test_a_frame_without_capture_time_is_filed_by_file_time() -> None:
    frame = frame_of([seen(b"TIDE0001.CR3", time=None)])
    (placement,) = plan([frame], settings_of(tier(layout="{year}/{month}/{day}/{name}", drives=("curlew",))))
    assert frame.captured.origin is TimeOrigin.FILE
    assert placement.path == b"2026/01/26/TIDE0001.CR3"


@given(text=st.text(st.characters(codec="utf-8", exclude_characters="\0")))
@example("\u0345\u0323")  # folding case before bringing the marks in order would tell these apart
def test_a_path_key_does_not_see_composition(text: str) -> None:
    keys = {
        path_key(unicodedata.normalize("NFC", text).encode()),
        path_key(unicodedata.normalize("NFD", text).encode()),
        path_key(text.encode()),
    }
    assert len(keys) == 1


@given(path=st.binary() | st.text(st.characters(codec="utf-8")).map(str.encode))
def test_a_path_key_is_its_own_key_and_keeps_folders(path: bytes) -> None:
    key = path_key(path)
    assert path_key(key) == key
    assert key.count(b"/") == path.count(b"/")


@given(path=st.text(st.sampled_from("abcxyzABCXYZ/._-0123äÄéÉñÑøØ"), max_size=40))
def test_a_path_key_does_not_see_case(path: str) -> None:
    assert path_key(path.upper().encode()) == path_key(path.lower().encode())


@given(path=st.binary().map(lambda path: path + b"\xff"))
def test_bytes_that_are_no_text_keep_their_difference(path: bytes) -> None:
    assert path_key(path) == path.lower()
    assert path_key(path + b"\xfe") != path_key(path + b"\xff")
