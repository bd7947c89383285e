"""A file that a drive's file system cannot hold goes to another drive of its shelf."""

from __future__ import annotations

import resource
from pathlib import Path
from typing import Final

from tests.studio import check_sums, new_studio

TIERS: Final = '  everything: {from: [cards], to: [loft], layout: "{folder}/{name}"}\n'
LIMIT_BYTES: Final = 2 << 20  # whole blocks, as file systems have their limits


def test_what_is_too_large_for_one_drive_goes_to_the_shelfs_other(tmp_path: Path) -> None:
    """EFBIG by the limit on the size of files that a process may write (setrlimit(2), RLIMIT_FSIZE)."""
    studio = new_studio(tmp_path, drives=(), tiers=TIERS)
    for name in ("curlew", "snipe"):
        studio.shelves[name] = "loft"
        studio.add_drive(name, "hdd")
    for name, size in (("SMALL.DNG", 1_000), ("LARGE.DNG", LIMIT_BYTES * 2)):
        (studio.cards / "shore").mkdir(exist_ok=True)
        (studio.cards / "shore" / name).write_bytes(name.encode().ljust(size, b"."))
    away = tmp_path / "away"
    studio.drives["snipe"].rename(away)  # in the cupboard while curlew, the first of the shelf, refuses
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (LIMIT_BYTES, before[1]))
    try:
        done = studio.once()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    assert studio.lines("copy_refused"), (done, studio.lines())
    (refused,) = studio.lines("copy_refused")
    assert (refused["drive"], refused["path"]) == ("curlew", "shore/LARGE.DNG")
    assert "shore/LARGE.DNG" not in studio.tree("curlew")
    away.rename(studio.drives["snipe"])
    assert studio.once().status == 0
    assert set(studio.tree("curlew")) == {"shore/SMALL.DNG"}
    assert set(studio.tree("snipe")) == {"shore/LARGE.DNG"}
    check_sums(studio.drives["snipe"], files=1)
    assert studio.needs() == []
