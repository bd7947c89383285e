"""The page of the running service in a real browser: views load without a complaint, keys work, axe-core finds nothing.

Skipped where Chromium is not installed, and the judgement of axe-core where no copy of it is named (`tests.browser`).
"""

from __future__ import annotations

import io
import random
import shutil
import socket
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from PIL import Image
from selenium.webdriver.chrome.webdriver import WebDriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from replicatord.config import read_settings
from replicatord.ledger.ledger import read_ledger
from replicatord.media.names import split_stem
from replicatord.page.ground import PULSE_PATH
from replicatord.previews.store import preview_path
from tests.browser import (
    DESKTOP,
    PHONE,
    browser,
    complaints,
    findings,
    show_as,
    why_no_axe,
    why_no_browser,
)
from tests.studio import Studio, new_studio, photo, running, until

_NO_BROWSER = why_no_browser()
_NO_AXE = why_no_axe()
pytestmark = pytest.mark.skipif(bool(_NO_BROWSER), reason=_NO_BROWSER)
MONTH, BUSY = "2019-03", "2021-06"
FRAMES = 250  # of the busy month: more than one page has


@dataclass(frozen=True, kw_only=True)
class Site:
    """A studio whose service serves its page."""

    studio: Studio
    address: str

    def __call__(self, path: str) -> str:
        return self.address + path


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Run a service over frames of a quiet month and a busy one."""
    tiers = '  everything: {from: [cards], to: [curlew, dunlin], layout: "{year}/{month}/{name}"}\n'
    studio = new_studio(tmp_path_factory.mktemp("site"), drives=["curlew", "dunlin"], tiers=tiers)
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = int(one.getsockname()[1])
    studio.page = f"page: {{port: {port}}}\n"
    studio.more = "trips: [{name: Outer Skerries, from: 2019-03-02, until: 2019-03-03}]\n"
    studio.write_settings()
    chance = random.Random(11)
    studio.cards.mkdir(exist_ok=True)
    for number, day in enumerate(("2019:03:01", "2019:03:02", "2019:03:02", "2019:03:09")):
        name = f"TIDE000{number}.JPG" if number else "TIDE <b>&amp; \xe9\n.JPG"
        (studio.cards / name).write_bytes(photo(chance, f"{day} 10:0{number}:00"))
    for number in range(FRAMES):
        taken = f"2021:06:{1 + number // 30:02} 09:{number % 60:02}:00"
        (studio.cards / f"GULL{number:04}.JPG").write_bytes(photo(chance, taken))
    with running(studio) as service:
        # More than one load where the machine is so slow that seconds go by between two of its files.
        until(lambda: sum(int(str(line["files"])) for line in studio.lines("load_ended")) == FRAMES + 4)
        _put_previews(studio, chance)
        yield Site(studio=studio, address=f"http://127.0.0.1:{port}")
        service.stop()


@pytest.fixture(scope="module")
def driver() -> Iterator[WebDriver]:
    """Run a browser. Its profile lies in a short path: a socket is made in it (unix(7))."""
    folder = Path(tempfile.mkdtemp(prefix="browser-"))
    with browser(folder) as made:
        yield made
    shutil.rmtree(folder, ignore_errors=True)


def _put_previews(studio: Studio, chance: random.Random) -> None:
    """Give each frame a preview, as whoever makes previews would."""
    settings = read_settings(str(studio.settings))
    with read_ledger(settings.ledger, split_stem=split_stem) as ledger:
        rows = ledger._db.execute("SELECT digest FROM content").fetchall()
    for (digest,) in rows:
        path = Path(preview_path(settings.ledger, digest))
        path.parent.mkdir(parents=True, exist_ok=True)
        made = io.BytesIO()
        Image.new("RGB", (320, 214), (chance.randrange(256), 90, 120)).save(made, "JPEG")
        path.write_bytes(made.getvalue())


def frames_on(driver: WebDriver) -> list[str]:
    return [link.get_attribute("href") or "" for link in driver.find_elements(By.CSS_SELECTOR, ".sheet a")]


def views(driver: WebDriver, site: Site) -> list[str]:
    driver.get(site(f"/month/{MONTH}"))
    return [
        site(path) for path in ("/", "/drives", "/years", f"/month/{MONTH}", "/log", "/nothing")
    ] + frames_on(driver)[:1]


def test_every_view_loads_and_the_browser_complains_of_nothing(site: Site, driver: WebDriver) -> None:
    for address in views(driver, site):
        complaints(driver)
        driver.get(address)
        assert driver.find_element(By.TAG_NAME, "h1").text
        told = [each for each in complaints(driver) if not (address.endswith("/nothing") and "404" in each)]
        assert told == [], address
        # The script of ours ran: its policy lets it, and nothing else.
        assert driver.execute_script("return typeof again") == "function"


@pytest.mark.skipif(bool(_NO_AXE), reason=_NO_AXE)
@pytest.mark.parametrize(("size", "scheme"), [(DESKTOP, "dark"), (DESKTOP, "light"), (PHONE, "dark")])
def test_axe_core_finds_nothing(site: Site, driver: WebDriver, size: tuple[int, int], scheme: str) -> None:
    """Source: axe-core, whose rules follow WCAG 2.2 of the W3C."""
    addresses = views(driver, site)
    show_as(driver, size, scheme=scheme)
    for address in addresses:
        driver.get(address)
        assert findings(driver) == [], address


@pytest.mark.skipif(bool(_NO_AXE), reason=_NO_AXE)
def test_axe_core_finds_what_is_wrong(site: Site, driver: WebDriver) -> None:
    """The check above can fail."""
    driver.get(site("/"))
    driver.execute_script("document.documentElement.removeAttribute('lang')")
    assert [found["id"] for found in findings(driver)] == ["html-has-lang"]


@pytest.mark.parametrize("size", [DESKTOP, PHONE])
def test_nothing_is_wider_than_the_window(site: Site, driver: WebDriver, size: tuple[int, int]) -> None:
    addresses = views(driver, site)
    show_as(driver, size)
    for address in addresses:
        driver.get(address)
        wide = driver.execute_script("return document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0, address


def test_a_month_is_gone_through_with_keys_and_a_frame_is_marked(site: Site, driver: WebDriver) -> None:
    show_as(driver, DESKTOP)
    driver.get(site(f"/month/{MONTH}"))
    frames = frames_on(driver)
    assert len(frames) == 4
    body = driver.find_element(By.TAG_NAME, "body")
    body.send_keys(Keys.ARROW_RIGHT)
    assert driver.switch_to.active_element.get_attribute("href") == frames[0]
    driver.switch_to.active_element.send_keys(Keys.ARROW_RIGHT)
    assert driver.switch_to.active_element.get_attribute("href") == frames[1]
    driver.switch_to.active_element.send_keys(Keys.ARROW_DOWN)  # to the next day
    assert driver.switch_to.active_element.get_attribute("href") == frames[3]
    driver.switch_to.active_element.send_keys(Keys.ARROW_UP, Keys.ARROW_LEFT, Keys.ENTER)
    until(lambda: driver.current_url == frames[0])
    press(driver, Keys.ARROW_RIGHT, frames[1])
    press(driver, Keys.ARROW_RIGHT, frames[2])
    press(driver, Keys.ARROW_LEFT, frames[1])
    driver.find_element(By.TAG_NAME, "body").send_keys("m")
    until(lambda: "Take it off the list" in driver.page_source)
    assert driver.current_url == frames[1]
    driver.find_element(By.TAG_NAME, "body").send_keys(Keys.ESCAPE)
    until(lambda: f"/month/{MONTH}#f" in driver.current_url)
    assert [each.text for each in driver.find_elements(By.CSS_SELECTOR, ".flag")] == ["another look"]
    assert "TIDE0001.JPG" in site.studio.ask("revisit", "--list").stdout


def press(driver: WebDriver, key: str, leads_to: str) -> None:
    driver.find_element(By.TAG_NAME, "body").send_keys(key)
    until(lambda: driver.current_url == leads_to)


def test_a_busy_month_loads_no_more_previews_than_are_seen(site: Site, driver: WebDriver) -> None:
    show_as(driver, PHONE)
    driver.get(site(f"/month/{BUSY}"))
    assert len(frames_on(driver)) == 240
    first = loaded(driver)
    assert 0 < first < 150
    driver.execute_script("window.scrollTo(0, document.body.scrollHeight)")
    until(lambda: loaded(driver) > first)
    show_as(driver, DESKTOP)
    driver.find_element(By.CSS_SELECTOR, ".onward button").click()
    until(lambda: driver.current_url.endswith("page=2"))
    assert len(frames_on(driver)) == FRAMES - 240
    assert "You have looked at 240 of them" in driver.page_source


def loaded(driver: WebDriver) -> int:
    """Count the previews that the browser asked for."""
    script = (
        "return performance.getEntriesByType('resource').filter(e => e.name.includes('/preview/')).length"
    )
    return int(driver.execute_script(script))


def test_without_javascript_all_is_read_and_noted(site: Site) -> None:
    folder = Path(tempfile.mkdtemp(prefix="browser-"))
    with browser(folder, has_script=False) as driver:
        driver.get(site(f"/month/{MONTH}"))
        frames = frames_on(driver)
        driver.get(frames[3])
        assert driver.find_element(By.TAG_NAME, "h1").text == "TIDE0003.JPG"
        driver.find_element(By.CSS_SELECTOR, "#mark button").click()
        until(lambda: "Take it off the list" in driver.page_source)
        driver.find_element(
            By.CSS_SELECTOR, "form[action='/looked'] button"
        ).click()  # it is the month's last
        until(lambda: driver.current_url == site("/years"))
        until(lambda: "looked through" in driver.page_source)
        driver.get(site(PULSE_PATH))
        until(lambda: "replicatord " in driver.page_source)  # the browser may still be laying it out
    shutil.rmtree(folder, ignore_errors=True)


def test_tonight_that_is_left_open_shows_what_came_meanwhile(site: Site, driver: WebDriver) -> None:
    driver.get(site("/"))
    foot = "return document.querySelector('footer').textContent"
    before = driver.execute_script(foot)
    driver.execute_script("document.querySelector('a.big').focus()")
    # Its instant is told to the second, and what is shown may be some seconds old.
    until(lambda: driver.execute_script("now().dataset.whole = 0; renew(); " + foot) != before)
    assert driver.execute_script("return document.activeElement.className") == "big"
    until(lambda: driver.execute_script("return now().dataset.whole") == "30")
