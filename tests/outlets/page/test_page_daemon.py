"""The page of a real daemon with a real head: what is seen when the head falls silent and when the daemon is killed."""

import time
from pathlib import Path

import daemon_rig as daemons
import page_browser as b
import pytest
from mqtt_fakes import free_port
from selenium.common.exceptions import WebDriverException
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

pytestmark = pytest.mark.skipif(b.WHY_NOT is not None, reason=str(b.WHY_NOT))


def opened(driver: Chrome, url: str) -> bool:
    """Is it there by now?"""
    try:
        driver.get(url)
    except WebDriverException:
        time.sleep(0.2)
        return False
    return True


@pytest.mark.slow
def test_old_figures_are_seen_to_be_old(tmp_path: Path) -> None:
    """Pins that a vanished head and a killed daemon are shown on the page, each with its figures gone."""
    port = free_port()
    data = daemons.example(tmp_path, None)
    data["page"] = {"port": port}
    with daemons.daemon(daemons.written(tmp_path, data)) as process, b.chromium() as driver:

        def text(selector: str) -> str:
            return b.read(lambda: " ".join(e.text for e in driver.find_elements(By.CSS_SELECTOR, selector)))

        with daemons.head(tmp_path) as head:
            daemons.until(lambda: opened(driver, f"http://127.0.0.1:{port}/#now"), "the page answers")
            daemons.until(lambda: text("[data-figure=spring_mm]") not in ("", "–"), "a length")
            daemons.until(lambda: not driver.find_elements(By.CSS_SELECTOR, ".old"), "new figures keep coming")
            head.kill()
            # Its port is gone with it, which is seen at once: the figures go before they are old.
            daemons.until(lambda: text(".tile .word").strip() == "NO DATA", "the silent head is shown")
            daemons.until(lambda: text("[data-figure=spring_mm]") == "–", "no figure is shown")
            daemons.until(lambda: "vanished" in text(".alarm .more"), "the port is named")
        process.kill()
        daemons.until(lambda: "does not answer" in text("#banner"), "the loss is said")
        assert "stale" in str(driver.find_element(By.TAG_NAME, "body").get_attribute("class")).split()
        driver.get("about:blank")


@pytest.mark.slow
def test_a_report_is_made_from_the_page(tmp_path: Path) -> None:
    """Pins that a click gives the report of the days chosen, made beside the running daemon, or the reason why not."""
    port = free_port()
    data = daemons.example(tmp_path, None)
    data["page"] = {"port": port}
    with daemons.daemon(daemons.written(tmp_path, data)), b.chromium() as driver:
        daemons.until(lambda: opened(driver, f"http://127.0.0.1:{port}/#log"), "the page answers")
        daemons.until(lambda: driver.find_elements(By.ID, "report-from"), "the log is shown")
        form = "const form = document.querySelector('#report-from').form, why = form.querySelector('[role=status]');"
        kinds = driver.execute_script(
            "return [...document.querySelectorAll('#report-kind option')].map((o) => o.value)"
        )
        assert kinds == ["pdf", "html", "survey"]
        driver.execute_script(
            "document.querySelector('#report-kind').value = 'html';"
            "const real = URL.createObjectURL.bind(URL);"
            "URL.createObjectURL = (b) => { b.text().then((t) => { window.made = t; }); return real(b); };"
        )

        def asked(wanted: str) -> bool:
            """Is it shown? Asked again where something else is: the daemon may only just have begun its record."""
            again = f"if (!['{wanted}', 'being made'].some((t) => why.textContent.includes(t))) form.requestSubmit();"
            return wanted in str(driver.execute_script(f"{form} {again} return why.textContent"))

        daemons.until(lambda: asked("in the downloads"), "it is shown where the report is")
        daemons.until(lambda: driver.execute_script("return window.made"), "the file is read")
        saved = driver.execute_script("return window.made")
        assert saved.startswith("<!doctype html>") and "Report no. " in saved
        driver.execute_script(
            "document.querySelector('#report-from').value = '2001-02-03'; "
            "document.querySelector('#report-to').value = '2001-03-04';"
        )
        daemons.until(lambda: asked("no data of"), "the reason is shown")
        driver.get("about:blank")
