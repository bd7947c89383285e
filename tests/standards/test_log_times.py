"""Every time in the replication log is what RFC 3339 says a time is."""

from __future__ import annotations

import random
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

import pytest

from tests.studio import make_frame, new_studio

# RFC 3339, section 5.6, rule by rule. "T" and "Z" may be in lower case there; ours are not.
_FULL_DATE: Final = r"[0-9]{4}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
_PARTIAL_TIME: Final = r"([01][0-9]|2[0-3]):[0-5][0-9]:([0-5][0-9]|60)(\.[0-9]+)?"
_NUM_OFFSET: Final = r"[+-]([01][0-9]|2[0-3]):[0-5][0-9]"
_DATE_TIME: Final = rf"{_FULL_DATE}T{_PARTIAL_TIME}(Z|{_NUM_OFFSET})"
_ANY_YEAR: Final = re.compile(r"^[0-9]{4}-?[0-9]{2}")  # what looks as if it were meant for a time


@pytest.mark.parametrize(
    ("zone", "offset_minutes"), [("UTC", 0), ("Asia/Kathmandu", 345), ("America/St_Johns", None)]
)
def test_every_time_in_the_log_is_rfc_3339(tmp_path: Path, zone: str, offset_minutes: int | None) -> None:
    studio = new_studio(tmp_path)
    studio.zone = zone
    for source in (studio.cards, studio.favourites):
        make_frame(
            source / "t", "TIDE0001", random.Random(str(source)), stars=1, captured="2026:01:26 07:30:00"
        )
    studio.drives["curlew"].rename(tmp_path / "away")
    begun = datetime.now().astimezone()
    assert studio.once().status == 0
    lines = studio.lines()
    assert {"copy_verified", "drive_waits", "load_ended", "rescan_done"} <= {line["event"] for line in lines}
    times = 0
    for line in lines:
        assert re.fullmatch(_NUM_OFFSET, str(line["offset"])), line
        hours, minutes = str(line["offset"])[1:].split(":")
        east = (int(hours) * 60 + int(minutes)) * (-1 if str(line["offset"])[0] == "-" else 1)
        assert offset_minutes is None or east == offset_minutes
        assert offset_minutes is not None or east < 0
        assert str(line["at"]).endswith("Z")
        for key, value in line.items():
            if key == "at" or key.endswith("_at"):
                times += 1
                assert re.fullmatch(_DATE_TIME, str(value)), (key, value)
                moment = datetime.fromisoformat(str(value))
                assert begun - timedelta(seconds=1) <= moment <= datetime.now().astimezone()
            elif isinstance(value, str) and key not in {"path", "source", "frame", "text", "digest"}:
                assert not _ANY_YEAR.match(value), f"is {key} a time that goes by another name?"
    assert times >= len(lines) + 2
