"""The page of the running service on a real port, and going back: looking, marking, bringing originals back."""

from __future__ import annotations

import http.client
import json
import random
import re
import shutil
import socket
import sqlite3
import threading
import urllib.parse
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.faults import deaths
from tests.mailbox import free_port
from tests.pages import is_served, load, port_of, serve_at
from tests.studio import Service, Studio, make_frame, new_studio, running, tree, until

_STOP_S = 5.0
_STRUCK_S = 120.0


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """Make a studio with two frames, and a port of its own for the page."""
    studio = new_studio(tmp_path, drives=["curlew", "dunlin"], tiers=TIERS)
    serve_at(studio, free_port())
    studio.write_settings()
    chance = random.Random(3)
    for number in (1, 2):
        make_frame(studio.cards, f"TIDE000{number}", chance, stars=0, captured=f"2019:03:0{number} 10:00:00")
    return studio


TIERS = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{year}/{month}/{name}"}\n'


@contextmanager
def serving(studio: Studio) -> Iterator[Service]:
    """Run the service until the block ends, from when its page is served and all is copied."""
    with running(studio) as service:
        until(lambda: is_served(studio))
        for path in tree(studio.cards):
            service.wait_copies(f"cards/{path}", "curlew", "dunlin")
        yield service


def post(studio: Studio, address: str, token: str, **form: str) -> tuple[int, str]:
    """Post a form as a page of ours does; give the status and where it leads."""
    connection = http.client.HTTPConnection("127.0.0.1", port_of(studio), timeout=20)
    try:
        connection.request(
            "POST",
            address,
            urllib.parse.urlencode({"token": token, **form}),
            {
                "Content-Type": "application/x-www-form-urlencoded",
                "Origin": f"http://127.0.0.1:{port_of(studio)}",
                "Sec-Fetch-Site": "same-origin",
            },
        )
        answer = connection.getresponse()
        answer.read()
        return answer.status, answer.headers.get("location", "")
    finally:
        connection.close()


def test_the_service_serves_the_page_notes_what_is_posted_and_stops_at_once(studio: Studio) -> None:
    with serving(studio) as service:
        said = studio.ask("page")
        assert (said.returncode, said.stdout) == (0, f"http://127.0.0.1:{port_of(studio)}\n")
        until(lambda: "TIDE0001" in load(studio, "/month/2019-03"))
        month = load(studio, "/month/2019-03")
        (token,) = set(re.findall(r'name="token" value="([^"]+)"', month))
        first, second = re.findall(r'href="/frame/(\d+)"', month)
        until(
            lambda: '<h2 id="y2019">2019 <span class="quiet">2 frames' in load(studio, "/years")
        )  # counted anew at most every other second
        assert re.search(r"curlew: \S+ \(verified", load(studio, f"/frame/{first}"))
        assert post(studio, "/mark", "wrong", frame=first, marked="1")[0] == 403
        assert post(studio, "/mark", token, frame=first, marked="1") == (303, f"/frame/{first}")
        assert post(studio, "/looked", token, month="2019-03", frame=first) == (303, "/month/2019-03")
        said = studio.ask("revisit")
        assert "Look through March 2019: begun, 1 of 2 frames looked at." in said.stdout
        assert f"http://127.0.0.1:{port_of(studio)}/month/2019-03\n" in said.stdout
        assert post(studio, "/looked", token, month="2019-03", frame=second)[0] == 303
        # A browser that keeps its connection open holds nothing up.
        with socket.create_connection(("127.0.0.1", port_of(studio))) as kept:
            kept.sendall(b"GET /log HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % port_of(studio))
            assert kept.recv(15) == b"HTTP/1.1 200 OK"
            assert service.stop() < _STOP_S
    assert not is_served(studio)
    said = studio.ask("page")
    assert said.returncode == 1
    assert "is not served: the service is not running" in said.stdout
    assert json.loads(studio.ask("revisit", "--json").stdout)["last_through_at"] is not None


def test_a_port_that_is_taken_is_told_and_the_service_goes_on_until_it_gets_another(studio: Studio) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", port_of(studio)))  # and does not listen, so that nobody waits for its answer
        with running(studio) as service:
            line = service.wait_line("page_not_served", port=port_of(studio))
            assert line["level"] == "warning"
            for path in tree(studio.cards):
                service.wait_copies(f"cards/{path}", "curlew", "dunlin")
            done = studio.ask("page")
            assert done.returncode == 1
            assert "though the service runs" in done.stdout
            serve_at(studio, free_port())
            studio.write_settings()
            until(lambda: is_served(studio))
            assert len(studio.lines("page_not_served")) == 1
            studio.page = "page: {serve: false}\n" + f"# {port_of(studio)}\n"
            studio.write_settings()
            until(lambda: not is_served(studio))
            service.stop()


def test_a_page_whose_thread_is_killed_is_served_again_and_nothing_else_notices(studio: Studio) -> None:
    folder = studio.folder / "faults"
    with running(studio, deaths.asking_through(folder)) as service:
        until(lambda: is_served(studio))
        deaths.kill(folder, "page")
        # One that serves begins again until it is struck while it rests.
        until(lambda: (is_served(studio), deaths.find_death_s(folder))[1], within_s=_STRUCK_S)
        until(lambda: is_served(studio))
        for path in tree(studio.cards):
            service.wait_copies(f"cards/{path}", "curlew", "dunlin")
        service.stop()


def test_once_serves_no_page(studio: Studio) -> None:
    seen: list[bool] = []
    is_over = threading.Event()

    def watch() -> None:
        while not is_over.wait(0.05):
            seen.append(is_served(studio))

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        assert studio.once().status == 0
    finally:
        is_over.set()
        watcher.join()
    assert not any(seen)


# ---- going back ----


def mark(studio: Studio, *stems: str) -> None:
    """Mark frames as the page does, without a service."""
    with sqlite3.connect(studio.folder / "state" / "ledger.sqlite") as db:
        for stem in stems:
            db.execute(
                "INSERT INTO marked SELECT id, '2026-01-01T00:00:00Z' FROM frame WHERE stem = ?",
                (stem.encode(),),
            )


def test_originals_of_what_is_marked_are_brought_back_and_nothing_is_replaced(studio: Studio) -> None:
    assert studio.once().status == 0
    before = {name: tree(root) for name, root in studio.drives.items()}
    wanted = {
        f"2019/03/{name}": text for name, text in tree(studio.cards).items() if name.startswith("TIDE0001")
    }
    target = studio.folder / "desk"
    target.mkdir()
    assert "No frame is marked" in studio.ask("revisit", "--list").stdout
    mark(studio, "TIDE0001")
    listed = studio.ask("revisit", "--list")
    assert (listed.returncode, "TIDE0001" in listed.stdout, "on curlew, dunlin" in listed.stdout) == (
        0,
        True,
        True,
    )
    said = studio.ask("revisit", "--bring", str(target))
    assert said.returncode == 0, said.stdout + said.stderr
    assert tree(target) == wanted
    assert "restored and read back" in said.stdout
    again = studio.ask("revisit", "--bring", str(target))
    assert (again.returncode, "there already" in again.stdout) == (0, True)
    odd = next(target.rglob("TIDE0001*"))
    odd.write_bytes(b"edited")
    assert studio.ask("revisit", "--bring", str(target)).returncode == 1
    assert odd.read_bytes() == b"edited"
    assert {name: tree(root) for name, root in studio.drives.items()} == before


def test_what_no_drive_has_comes_from_its_source_and_only_as_it_was_read(studio: Studio) -> None:
    """Both drives are away, and the frames were never copied."""
    for root in studio.drives.values():
        shutil.rmtree(root)
    assert studio.once().status in (0, 1)
    mark(studio, "TIDE0001")
    target = studio.folder / "desk"
    target.mkdir()
    files = {name: text for name, text in tree(studio.cards).items() if name.startswith("TIDE0001")}
    assert studio.ask("revisit", "--bring", str(target)).returncode == 0
    assert tree(target) == files
    shutil.rmtree(target)
    target.mkdir()
    changed = next(name for name in files if name.endswith("JPG"))
    (studio.cards / changed).write_bytes(b"other content than was read")
    said = studio.ask("revisit", "--bring", str(target))
    assert said.returncode == 1
    assert "the source cards: it holds other content by now" in said.stdout
    assert tree(target) == {name: text for name, text in files.items() if name != changed}


def test_drives_that_are_not_here_are_named_to_be_fetched(studio: Studio) -> None:
    assert studio.once().status == 0
    shutil.rmtree(studio.cards)
    studio.cards.mkdir()
    for root in studio.drives.values():
        root.rename(root.with_suffix(".away"))
    studio.once()
    mark(studio, "TIDE0001")
    target = studio.folder / "desk"
    target.mkdir()
    said = studio.ask("revisit", "--bring", str(target))
    assert said.returncode == 1
    assert re.search(r"Fetch, and ask again:\n  curlew or dunlin: \d files", said.stdout), said.stdout
    assert tree(target) == {}


@pytest.mark.parametrize("where", ["cards", "drives/curlew", "nowhere"])
def test_a_folder_of_a_source_or_a_drive_is_refused(studio: Studio, where: str) -> None:
    assert studio.once().status == 0
    mark(studio, "TIDE0001")
    before = tree(studio.folder / "cards")
    assert studio.ask("revisit", "--bring", str(studio.folder / where)).returncode == 2
    assert tree(studio.folder / "cards") == before
