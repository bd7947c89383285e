"""A real browser without a window, for the tests of the page.

Needs Chromium with its driver, and selenium. May not load anything from elsewhere.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.chrome.webdriver import WebDriver

AXE_VARIABLE: Final = "REPLICATORD_AXE"  # names the file axe.min.js of axe-core, which is not ours to carry
DESKTOP: Final = (1280, 900)
PHONE: Final = (390, 844)
_FLAGS: Final = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage"),
)


def why_no_browser() -> str:
    """Say why there is no browser to test with; "" when there is."""
    missing = [name for name in ("chromium", "chromedriver") if shutil.which(name) is None]
    return (
        f"the page is tested in Chromium, and {' and '.join(missing)} is not installed here"
        if missing
        else ""
    )


def why_no_axe() -> str:
    """Say why nothing can be judged by axe-core; "" when it can."""
    path = os.environ.get(AXE_VARIABLE, "")
    return "" if os.path.isfile(path) else f"{AXE_VARIABLE} names no axe.min.js of axe-core"


@contextmanager
def browser(folder: Path, *, has_script: bool = True) -> Iterator[WebDriver]:
    """Run one with a profile of its own until the block ends."""
    options = Options()
    options.binary_location = shutil.which("chromium") or ""
    for flag in (*_FLAGS, f"--user-data-dir={folder}", f"--window-size={DESKTOP[0]},{DESKTOP[1]}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    if not has_script:
        options.add_experimental_option("prefs", {"profile.managed_default_content_settings.javascript": 2})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        driver.set_page_load_timeout(60)
        yield driver
    finally:
        driver.quit()


def show_as(
    driver: WebDriver, size: tuple[int, int] = DESKTOP, *, scheme: str = "dark", medium: str = ""
) -> None:
    """Have pages shown so large, light or dark, on a screen or on paper."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE},
    )
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": medium, "features": features})


def complaints(driver: WebDriver) -> list[str]:
    """Give what the browser complained of since the last look: refused by the policy, not found, failed."""
    return [str(entry["message"]) for entry in driver.get_log("browser")]  # type: ignore[no-untyped-call]


def findings(driver: WebDriver) -> Sequence[Mapping[str, object]]:
    """Give what axe-core finds wrong with the page that is shown."""
    axe = Path(os.environ[AXE_VARIABLE]).read_text(encoding="utf-8")
    driver.execute_script(axe)
    found = driver.execute_async_script(
        "const done = arguments[0]; axe.run().then(r => done(r.violations.map(v => "
        "({id: v.id, help: v.help, where: v.nodes.map(n => n.html + ' ' + n.failureSummary)}))))"
    )
    assert isinstance(found, list)
    return found
