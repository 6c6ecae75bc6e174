"""A real headless Chromium for the tests of the page, talking to loopback only; `None` where there is none."""

import contextlib
import shutil
import tempfile
from collections.abc import Callable, Iterator
from typing import TypeVar

import pytest

pytest.importorskip("selenium", reason="selenium is not installed; it comes with the extra `test`")
from selenium import webdriver
from selenium.common.exceptions import StaleElementReferenceException
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

T = TypeVar("T")
PHONE, DESK, LARGE = (390, 844), (1280, 800), (1920, 1080)
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
WHY_NOT = None if CHROMIUM and DRIVER else "no chromium with chromedriver here (Debian: chromium, chromium-driver)"
NU_CHECKER = ("java", "-Xss1m", "-XX:TieredStopAtLevel=1", "-XX:+UseSerialGC", "-jar")
"""How Java is called for a few small documents: half the time goes where the usual compiler is still warming up."""
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage", "--hide-scrollbars",
    # Whatever a browser wants to ask of the world beside the page ends here.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)  # fmt: skip


@contextlib.contextmanager
def chromium(*more: str) -> Iterator[webdriver.Chrome]:
    """A fresh browser with a folder of its own."""
    assert CHROMIUM is not None and DRIVER is not None
    with tempfile.TemporaryDirectory(prefix="camdrift-chromium-") as folder:
        options = Options()
        options.binary_location = CHROMIUM
        for flag in (*FLAGS, f"--user-data-dir={folder}", *more):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        driver = webdriver.Chrome(options=options, service=Service(DRIVER))
        try:
            driver.set_page_load_timeout(180)
            driver.set_script_timeout(180)
            yield driver
        finally:
            driver.quit()


def as_new(driver: webdriver.Chrome) -> webdriver.Chrome:
    """A browser that others have used, without what they left: page, log-in, size of the screen, complaints."""
    driver.get("about:blank")
    driver.execute_cdp_cmd("Network.clearBrowserCookies", {})
    driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {})
    driver.get_log("browser")
    return driver


def read(ask: Callable[[], T]) -> T:
    """What `ask` returns; where the page has just replaced the element it is asked again, at most a hundred times."""
    for _ in range(100):
        try:
            return ask()
        except StaleElementReferenceException:
            continue
    return ask()


def sized(driver: webdriver.Chrome, size: tuple[int, int], light: str = "light", motion: str = "") -> None:
    """A screen of this size; a phone's is touched and drawn finer."""
    width, height = size
    phone = size == PHONE
    metrics = {"width": width, "height": height, "deviceScaleFactor": 2 if phone else 1, "mobile": phone}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    features = [{"name": "prefers-color-scheme", "value": light}, {"name": "prefers-reduced-motion", "value": motion}]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
