"""The page: who may ask, what each view says, what a person may note, and names that mean harm."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path

import pytest

from replicatord.duties.board import DriveNow
from replicatord.model.copies import CopyState
from replicatord.page.ground import Moving
from replicatord.page.guard import HEADERS
from replicatord.previews.store import preview_path
from tests.cli_ground import SETTINGS, SHELF_SETTINGS, Ground, end_load, hold, make_ground, set_room, take
from tests.page_ground import ADDRESS, OURS, PORT, Page, page_of

VIEWS = ("/", "/drives", "/years", "/month/2026-01", "/log", "/now")
HOSTILE = b"<img src=x onerror=alert(1)>\n\xff\xe2\x80\xae'\".JPG"  # with an invalid byte, and one that turns text about


@pytest.fixture
def ground(tmp_path: Path) -> Ground:
    """Three frames in January, two of them on two drives."""
    ground = make_ground(tmp_path)
    ground.put("101TIDEW/TIDE0001.JPG", b"one")
    ground.put("101TIDEW/TIDE0002.JPG", b"two")
    take(ground, "101TIDEW/TIDE0001.JPG", "101TIDEW/TIDE0002.JPG")
    hold(ground, "curlew", "dunlin")
    end_load(ground)
    return ground


@pytest.fixture
def page(ground: Ground) -> Page:
    return page_of(ground)


def frames(ground: Ground) -> list[int]:
    with ground.open_ledger() as ledger:
        return sorted(row[0] for row in ledger._db.execute("SELECT id FROM frame"))


# ---- who may ask ----


@pytest.mark.parametrize("address", [*VIEWS, "/frame/1", "/nothing/here", "/static/page.css"])
def test_every_answer_has_the_headers_that_keep_it_to_itself(page: Page, address: str) -> None:
    answer = page.browser.get(address)
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS
    assert "unsafe" not in answer.headers["content-security-policy"]


@pytest.mark.parametrize("address", [*VIEWS, "/frame/1"])
def test_no_view_has_a_script_or_a_style_inside(page: Page, address: str) -> None:
    text = page.text(address)
    assert text.count("<script") == text.count('<script src="/static/page.js"')
    for inline in ("<style", "style=", "onclick", "javascript:", "http://", "https://"):
        assert inline not in text.replace("http://www.w3.org/2000/svg", "")


@pytest.mark.parametrize(
    "host",
    [
        "estuary.example",
        f"estuary.example:{PORT}",
        "127.0.0.1",
        "127.0.0.1:1",
        f"127.0.0.1:{PORT}.example",
        "",
    ],
)
def test_another_host_is_refused(page: Page, host: str) -> None:
    """Source: RFC 9110, 15.5.20: 421, the request was meant for another server."""
    assert page.browser.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "host", [f"127.0.0.1:{PORT}", f"localhost:{PORT}", f"[::1]:{PORT}", f"LOCALHOST:{PORT}"]
)
def test_this_machine_by_any_of_its_names_is_answered(page: Page, host: str) -> None:
    assert page.browser.get("/now", headers={"host": host}).status_code == 200


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(page: Page, method: str) -> None:
    assert page.browser.request(method, "/").status_code == 405


def test_posting_to_a_view_and_reading_an_act_are_refused(page: Page) -> None:
    assert page.browser.post("/", headers=OURS).status_code == 405
    assert page.browser.get("/mark").status_code == 405


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "null"},
        {"origin": "http://estuary.example"},
        {"origin": "http://127.0.0.1:1"},
        {"origin": "http://estuary.example", "sec-fetch-site": "same-origin"},
        {"origin": ADDRESS, "sec-fetch-site": "cross-site"},
        {"origin": ADDRESS, "sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ],
)
def test_what_another_page_posts_is_refused_though_it_had_the_token(
    ground: Ground, page: Page, headers: dict[str, str]
) -> None:
    form = {"token": page.ground.token, "frame": str(frames(ground)[0]), "marked": "1"}
    assert page.browser.post("/mark", data=form, headers=headers).status_code == 403
    with ground.open_ledger() as ledger:
        assert ledger.sheets.marked() == []


@pytest.mark.parametrize("headers", [OURS, {"origin": ADDRESS}, {"origin": f"http://localhost:{PORT}"}])
def test_what_our_page_posts_is_taken(ground: Ground, page: Page, headers: dict[str, str]) -> None:
    frame = frames(ground)[0]
    form = {"token": page.ground.token, "frame": str(frame), "marked": "1"}
    assert page.browser.post("/mark", data=form, headers=headers, follow_redirects=False).status_code == 303
    with ground.open_ledger() as ledger:
        assert ledger.sheets.marked() == [frame]


@pytest.mark.parametrize("token", ["", "x", "é", "0" * 43])
def test_without_the_token_nothing_is_noted(ground: Ground, page: Page, token: str) -> None:
    form = {"token": token, "frame": str(frames(ground)[0]), "marked": "1"}
    assert page.browser.post("/mark", data=form, headers=OURS).status_code == 403
    with ground.open_ledger() as ledger:
        assert ledger.sheets.marked() == []


def test_a_form_that_is_too_long_is_refused(page: Page) -> None:
    assert page.post("/mark", frame="1" * 5_000) == 413


@pytest.mark.parametrize(
    "wanted", ["http://estuary.example/", "//estuary.example", "/month/../x", "/\\x", "/frame/1\r\nx: y"]
)
def test_nothing_leads_elsewhere(ground: Ground, page: Page, wanted: str) -> None:
    frame = frames(ground)[0]
    form = {"token": page.ground.token, "frame": str(frame), "marked": "1", "next": wanted}
    answer = page.browser.post("/mark", data=form, headers=OURS, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, f"/frame/{frame}")


# ---- what the views say ----


def test_tonight_says_the_one_thing_to_do_and_the_loads(ground: Ground) -> None:
    words = page_of(ground).words("/")
    assert "cleared" in words
    assert "Nothing needs you." in words
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.set_meta("settings_trouble", "line 3: <b>what</b>")
    text = page_of(ground).text("/")
    assert "This needs you first" in text
    assert "Mend the settings file" in text
    assert "line 3: &lt;b&gt;what&lt;/b&gt;" in text


def test_a_load_that_is_cleared_by_a_pretence_is_not_called_cleared_alone(ground: Ground) -> None:
    assert '<span class="verdict good">cleared</span>' in page_of(ground).text("/")
    text = ground.file.read_text()
    ground.file.write_text(text.replace("medium: ssd", "medium: ssd, pretend_disk: tern", 1))
    pretended = page_of(ground).text("/")
    assert '<span class="verdict wait">cleared, but PRETENDED</span>' in pretended
    assert '<span class="verdict good">' not in pretended


def test_what_is_copied_now_is_told_with_speed_and_time(ground: Ground) -> None:
    drive = DriveNow(
        name="curlew", is_disk=True, state="here", reason="", is_visiting=True, left_files=3,
        left_bytes=600_000_000, held_files=1, held_bytes=200_000_000, refused_files=0, bytes_per_s=None,
    )  # fmt: skip
    page = page_of(ground, moving=(Moving(drive=drive, bytes_per_s=10_000_000.0),))
    assert "copying: 3 files, 600.0 MB to come, 10.0 MB/s, about 1 min; DO NOT UNPLUG" in page.words("/")
    assert "25 in a hundred of it are there" in page.text("/now")


def test_drives_draws_the_room_and_says_it_in_words(ground: Ground) -> None:
    set_room(ground, "curlew", 3_000_000_000_000)
    words, text = page_of(ground).words("/drives"), page_of(ground).text("/drives")
    assert "3.0 TB free for more" in words
    assert "waits for it nothing" in words
    assert 'aria-label="The room of curlew: ' in text
    assert "never looked for" in words  # plover
    assert "Its room is not known" in words


def test_a_folder_with_a_limit_is_drawn_as_what_it_may_hold(tmp_path: Path) -> None:
    ground = make_ground(tmp_path, SHELF_SETTINGS)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger.bays.note_names(tuple(ground.settings.drives))
    set_room(ground, "north-cloud", 12_000_000_000)  # of 15 GB, on a disk of 8 TB
    text = page_of(ground).text("/drives")
    (drawn,) = re.findall(r'aria-label="The room of north-cloud: ([^"]*)"', text)
    assert "12.0 GB free for more" in drawn
    assert "3.0 GB other things, or kept free" in drawn


def test_years_leads_to_the_month_and_the_month_to_each_frame(ground: Ground, page: Page) -> None:
    assert '<a href="/month/2026-01">' in page.text("/years")
    assert "Jan uary 2026 2 frames" in page.words("/years")
    month = page.words("/month/2026-01")
    assert "January 2026" in month
    assert "2 frames, 2 without stars" in month
    assert "Wednesday 28 January 2026" in month
    for frame in frames(ground):
        assert f'href="/frame/{frame}"' in page.text("/month/2026-01")
    one = page.text(f"/frame/{frames(ground)[0]}")
    assert f'rel="next" href="/frame/{frames(ground)[1]}"' in one
    assert re.search(r"curlew: \S+ \(verified 2026-02-07", one)


@pytest.mark.parametrize(
    ("state", "words"),
    [
        (CopyState.VERIFIED, "(verified 2026"),
        (CopyState.EARLIER, "(kept as an earlier version 2026"),
        (CopyState.SET_ASIDE, "(set aside, good no longer: it was verified 2026"),
        (CopyState.CHANGED, "(changed by hand, left as it is: verified before that, 2026"),
        (CopyState.SUSPECT, "(in doubt: it was verified 2026"),
        (CopyState.UNPROVED, "(not proved since the ledger was rebuilt: said to be verified 2026"),
        (CopyState.UNPROVED_EARLIER, "(an earlier version, not proved since the ledger was rebuilt"),
    ],
)
def test_a_frame_says_of_each_copy_what_is_true_of_it(ground: Ground, state: CopyState, words: str) -> None:
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger._db.execute("UPDATE copy SET state = ?", (state.value,))
    said = page_of(ground).words(f"/frame/{frames(ground)[0]}")
    assert re.search(r"curlew: \S+/TIDE0001\.\w+ " + re.escape(words), said), said


def test_a_trip_over_the_end_of_a_month_is_in_the_month_it_set_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    trip = "trips: [{name: Outer <Skerries>, from: 2025-12-30, until: 2026-01-29}]\n"
    ground = make_ground(
        tmp_path, SETTINGS.replace("settle", trip.replace("{", "{{").replace("}", "}}") + "settle")
    )
    ground.put("TIDE0001.JPG", b"one")
    take(ground, "TIDE0001.JPG")
    page = page_of(ground)
    assert "Dec ember 2025 1 frame" in page.words("/years")
    assert "Outer &lt;Skerries&gt;" in page.text("/month/2025-12")
    assert "No frame here" in page.words("/month/2026-01")
    ground.run("status", "--by", "month", "-v")
    assert "  2025-12  1 frame" in capsys.readouterr().out


def test_a_picture_that_two_frames_show_stands_there_once(ground: Ground) -> None:
    ground.put("102TIDEW/TIDE0001.JPG", b"one")
    take(ground, "102TIDEW/TIDE0001.JPG")
    page = page_of(ground)
    assert "2 frames" in page.words("/month/2026-01")
    assert "2 frames" in page.words("/years")
    assert "TIDE0001.JPG" in page.text(f"/frame/{frames(ground)[-1]}")  # it can be asked for all the same


def test_only_what_has_no_stars_is_shown_when_asked(ground: Ground, page: Page) -> None:
    first, second = frames(ground)
    with ground.open_ledger() as ledger, ledger.transaction():
        ledger._db.execute("UPDATE frame SET stars = 3 WHERE id = ?", (first,))
    assert "★★★" in page.text("/month/2026-01")
    text = page.text("/month/2026-01?only=unrated")
    assert f"/frame/{first}" not in text
    assert f"/frame/{second}?only=unrated" in text


def test_a_preview_is_shown_where_there_is_one_and_drawn_where_not(ground: Ground, page: Page) -> None:
    with ground.open_ledger() as ledger:
        (found,) = ledger.answers.by_source_path("cards", b"101TIDEW", b"TIDE0001.JPG")
    text = page.text("/month/2026-01")
    assert "<img" not in text
    assert "JPEG" in text
    path = Path(preview_path(ground.settings.ledger, found.digest))
    path.parent.mkdir(parents=True)
    path.write_bytes(b"\xff\xd8\xff\xe0 a picture")
    address = f"/preview/{found.digest.hex()}.jpg"
    assert f'<img src="{address}" alt="" width="320" height="214" loading="lazy"' in page.text(
        "/month/2026-01"
    )
    answer = page.browser.get(address)
    assert (answer.content, answer.headers["content-type"]) == (path.read_bytes(), "image/jpeg")


@pytest.mark.parametrize("what", ["html", "link", "pipe", "folder"])
def test_what_is_no_preview_is_not_given_out(ground: Ground, page: Page, tmp_path: Path, what: str) -> None:
    path = Path(preview_path(ground.settings.ledger, bytes(32)))
    path.parent.mkdir(parents=True)
    if what == "html":
        path.write_text("<script>alert(1)</script>")
    elif what == "link":
        (tmp_path / "aside").write_bytes(b"\xff\xd8\xff")
        path.symlink_to(tmp_path / "aside")
    elif what == "pipe":
        os.mkfifo(path)
    else:
        path.mkdir()
    assert page.browser.get(f"/preview/{'0' * 64}.jpg").status_code == 404


@pytest.mark.parametrize(
    "address",
    [
        "/month/2026-13", "/month/x", "/month/2026-01-01", "/frame/999", f"/frame/{1 << 63}", "/frame/x",
        "/preview/../ledger.sqlite", "/preview/%2e%2e%2fx.jpg", "/static/../app.py", "/static/%2e%2e%2fapp.py", "/x",
    ],
)  # fmt: skip
def test_what_is_not_there_is_said_to_be_not_there(page: Page, address: str) -> None:
    assert page.browser.get(address).status_code == 404


@pytest.mark.parametrize(
    "address", ["/month/2026-01?page=x", "/month/2026-01?page=99999", "/month/0001-01", "/month/9999-12"]
)
def test_odd_words_in_an_address_do_no_harm(page: Page, address: str) -> None:
    page.text(address)


def test_names_that_mean_harm_stay_names(tmp_path: Path) -> None:
    ground = make_ground(tmp_path)
    ground.put(os.fsdecode(HOSTILE), b"one")
    take(ground, os.fsdecode(HOSTILE))
    page = page_of(ground)
    for address in ("/month/2026-01", f"/frame/{frames(ground)[0]}"):
        text = page.text(address)
        assert "<img" not in text
        assert "&lt;img src=x onerror=alert(1)&gt;\\n\\xff\\u202e&#39;&#34;.JPG" in text


def test_an_empty_ledger_has_a_page_too(tmp_path: Path) -> None:
    ground = make_ground(tmp_path)
    ground.open_ledger().close()
    page = page_of(ground)
    for address in VIEWS:
        page.text(address)
    assert "No load has come yet" in page.words("/")
    assert "No frame is known yet" in page.words("/years")


def test_a_ledger_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    ground = make_ground(tmp_path)
    page = page_of(ground)
    assert "there is no ledger at" in page.words("/", status=503)
    (tmp_path / "state" / "ledger.sqlite").write_bytes(b"no ledger" * 1_000)
    assert "cannot be shown just now" in page.words("/month/2026-01", status=503)


def test_reading_changes_nothing(ground: Ground, page: Page) -> None:
    ledger = Path(ground.settings.ledger)
    before = ledger.read_bytes(), ledger.stat().st_mtime_ns
    for address in (*VIEWS, f"/frame/{frames(ground)[0]}"):
        page.text(address)
    assert (ledger.read_bytes(), ledger.stat().st_mtime_ns) == before


# ---- the log ----


def write_log(ground: Ground, lines: list[dict[str, object]]) -> None:
    Path(ground.settings.log).write_text("".join(json.dumps(line) + "\n" for line in lines))


def line(seq: int, at: str, **fields: object) -> dict[str, object]:
    return {"seq": seq, "at": at, "event": "drive_waits", "offset": "+00:00", "drive": "curlew", **fields}


def test_the_log_is_shown_newest_first_and_by_what_is_asked(ground: Ground, page: Page) -> None:
    write_log(
        ground,
        [
            line(1, "2026-01-01T12:00:00.000Z", reason="oldest", level="warning"),
            line(2, "2026-01-02T12:00:00.000Z", reason="middle"),
            line(3, "2026-01-02T13:00:00.000Z", reason="<b>newest</b>", drive="dunlin"),
        ],
    )
    words = page.words("/log")
    assert words.index("newest") < words.index("middle") < words.index("oldest")
    assert "<b>" not in page.text("/log")
    assert "PROBLEM waits: oldest" in words
    assert "oldest" not in page.words("/log?day=2026-01-02")
    assert "newest" not in page.words("/log?day=2026-01-01")
    assert "newest" not in page.words("/log?drive=curlew")
    problems = page.words("/log?problems=1")
    assert "oldest" in problems
    assert "middle" not in problems
    assert "No such line" in page.words("/log?day=2026-01-03")


@pytest.mark.parametrize(
    "words",
    [
        "day=x",
        "drive=%3Cscript%3E",
        "before=x&seq=-1",
        "day=9999-12-31",
        "day=0001-01-01",
        "before=0001-01-01T00:00:00Z",
    ],
)
def test_words_that_make_no_sense_are_left_out(page: Page, words: str) -> None:
    assert "<script>" not in page.text(f"/log?{words}")


def test_a_long_log_is_turned_over_page_by_page_and_each_line_is_there_once(
    ground: Ground, page: Page
) -> None:
    # Many lines of one instant: a page ends among them.
    lines = [line(seq, f"2026-01-01T12:{seq // 150:02}:00.000Z", reason=f"no{seq}.") for seq in range(1, 701)]
    write_log(ground, lines)
    found: list[int] = []
    address = "/log"
    while address:
        text = page.text(address)
        found += [int(part.split(".")[0]) for part in text.split("waits: no")[1:]]
        mark = 'rel="next" href="'
        address = text.split(mark)[1].split('"')[0].replace("&amp;", "&") if mark in text else ""
    assert found == list(range(700, 0, -1))


# ---- how far somebody got ----


def test_the_page_remembers_how_far_somebody_got(ground: Ground, page: Page) -> None:
    first, second = frames(ground)
    assert page.post("/looked", month="2026-01", frame=str(first), next="/month/2026-01?page=2") == 303
    assert "You have looked at 1 of them" in page.words("/month/2026-01")
    assert "begun, 1 of 2 frames looked at" in page.words("/")
    assert page.post("/looked", month="2026-01", frame=str(second)) == 303
    assert "You looked through it on 2026-02-08" in page.words("/month/2026-01")
    assert "looked through 2026-02-08" in page.words("/years")


@pytest.mark.parametrize(
    ("month", "frame"), [("2026-02", "1"), ("x", "1"), ("2026-01", "99"), ("2026-01", "x"), ("2026-01", "")]
)
def test_what_is_not_of_the_month_is_not_noted(ground: Ground, page: Page, month: str, frame: str) -> None:
    assert page.post("/looked", month=month, frame=frame) == 404
    with ground.open_ledger() as ledger:
        assert ledger.sheets.looks() == {}


def test_a_mark_is_put_and_taken_off(ground: Ground, page: Page) -> None:
    frame = frames(ground)[0]
    assert page.post("/mark", frame=str(frame), marked="1") == 303
    assert "another look" in page.words("/month/2026-01")
    assert page.post("/mark", frame=str(frame), marked="0") == 303
    assert page.post("/mark", frame="999", marked="1") == 404
    with ground.open_ledger() as ledger:
        assert ledger.sheets.marked() == []


def test_a_ledger_that_cannot_be_written_is_said_and_nothing_is_noted(ground: Ground, page: Page) -> None:
    frame = frames(ground)[0]
    folder = Path(ground.settings.ledger).parent
    Path(ground.settings.ledger).rename(folder / "moved")
    folder.rename(folder.with_name("gone"))
    assert page.post("/mark", frame=str(frame), marked="1") == 503
