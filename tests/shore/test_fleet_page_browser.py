"""The fleet's page in a real headless Chromium, on a phone and on a desk: axe-core finds nothing, nothing overflows."""

import contextlib
from pathlib import Path

import fleet_rig as rig
import page_browser as b
import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

pytestmark = [pytest.mark.skipif(b.WHY_NOT is not None, reason=str(b.WHY_NOT)), pytest.mark.slow]
AXE = (Path(__file__).parents[1] / "outside" / "axe" / "axe.min.js").read_text()
RUN = "const done = arguments[0]; axe.run().then((r) => done(r.violations.map((v) => v.id)));"
PATHS = ("/", "/ship/skua-reach", "/engine/tern-passage/main", "/sisters", "/sisters/0", "/plan", "/notices")


def look(driver: Chrome, address: str) -> None:
    driver.get(address)
    driver.execute_script(AXE)
    assert driver.execute_async_script(RUN) == [], address
    assert driver.execute_script("return document.documentElement.scrollWidth - innerWidth") <= 0, address


def test_every_page_by_phone_and_desk_by_day_and_night(tmp_path: Path) -> None:
    """Besides, the log-in and the button in a real browser, whose forms send what the page's bounds expect."""
    url, s = f"sqlite:///{tmp_path / 'fleet.db'}", rig.settings()
    rig.fill(url, rig.NOW_S, years=2.0, step_days=10.0)
    link = f"/n/{rig.token_of_a_notice(url, s, rig.NOW_S)}"
    with contextlib.ExitStack() as stack:
        base, driver = stack.enter_context(rig.served(url, s)), stack.enter_context(b.chromium())
        look(driver, base + link)
        look(driver, base + "/login")
        driver.find_element(By.ID, "f-name").send_keys("paul")
        driver.find_element(By.ID, "f-password").send_keys(rig.PASSWORD)
        driver.find_element(By.CSS_SELECTOR, "main button").click()
        WebDriverWait(driver, 180).until(lambda d: "Fleet by urgency" in d.page_source)
        for size, light in ((b.PHONE, "light"), (b.DESK, "dark")):
            b.sized(driver, size, light)
            for path in PATHS:
                look(driver, base + path)
        driver.get(base + link)
        driver.find_element(By.CSS_SELECTOR, "main button").click()
        WebDriverWait(driver, 180).until(lambda d: "Seen by anna" in d.page_source)
