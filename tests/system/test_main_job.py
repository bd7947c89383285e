"""The main job: a load of 400 frames in two sources, onto two drives and a cloud folder."""

from __future__ import annotations

import random
from pathlib import Path

from tests.studio import assert_load_is_whole, make_load, new_studio, stats, tree

_FRAMES = 400
_SEED = 20260126


def test_a_load_of_400_frames_is_copied_proved_and_logged_exactly_once(tmp_path: Path) -> None:
    studio = new_studio(tmp_path)
    make_load(studio, random.Random(_SEED), first=0, frames=_FRAMES)
    before = [(stats(source), tree(source)) for source in (studio.cards, studio.favourites)]
    assert sum(len(files) for _, files in before) == 3 * _FRAMES

    done = studio.once()

    assert done.status == 0, done.said
    assert_load_is_whole(studio)
    # Promise I1: sources are as they were.
    assert [(stats(source), tree(source)) for source in (studio.cards, studio.favourites)] == before
    ended = studio.lines("load_ended")
    assert {line["source"]: (line["files"], line["cleared"]) for line in ended} == {
        "cards": (600, True),
        "favourites": (600, True),
    }


def test_a_second_pass_finds_nothing_to_do_and_says_nothing_twice(tmp_path: Path) -> None:
    studio = new_studio(tmp_path)
    make_load(studio, random.Random(_SEED), first=0, frames=10)
    assert studio.once().status == 0
    before = {drive: stats(root) for drive, root in studio.drives.items()}

    assert studio.once().status == 0

    assert_load_is_whole(studio)
    for drive, root in studio.drives.items():
        after = stats(root)
        for path, stat in before[drive].items():
            if "/.replicatord" not in path:
                assert after[path] == stat, path
