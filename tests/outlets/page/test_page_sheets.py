"""Work sheets in a real headless Chromium: followed at the drive on a phone, and laid out on a desk and on paper."""

import io
import json
import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import pytest
import zxingcpp
from PIL import Image
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from firmware_sim import Truth
from gateway.engine.sheet_facts import facts_at_rest
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings
from gateway.outlets.control_client import ask
from gateway.store.reader import StateReader
from gateway.worksheet.catalogue import SHEETS, as_data, sheet
from tests import page_browser as b
from tests import page_rig as rig
from tests.daemon_rig import free_port
from tests.outlets.page.test_page_browser import Screen
from tests.sheet_rig import aboard, standing

pytestmark = pytest.mark.skipif(b.WHY_NOT is not None, reason=str(b.WHY_NOT))


OVER = """return [...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > innerWidth)
.map((e) => e.tagName + '.' + e.className + ' ' + e.textContent.slice(0, 40))"""
"""Whatever hangs over the right edge."""


ON_PAPER = """const said = (s) => [...document.querySelectorAll(s)]
.map((x) => x.getClientRects().length ? x.innerText.trim() : '');
return [said('.sheet > .cautions li'), said('.sheet > .steps > li')]"""
"""The cautions above a sheet and its steps, without what takes no place on the paper."""


MIDDLE = """const [within, done] = arguments;
const e = document.querySelector(within);
e.scrollIntoView({block: 'center'});
requestAnimationFrame(() => requestAnimationFrame(() => {
  const r = e.getBoundingClientRect();
  done([r.x + r.width / 2, r.y + r.height / 2]);
}));"""
"""Where an element's middle is, once it is drawn there: before that, a touch falls on what was drawn before."""
FIRST = "Take the pumps' compensation off first"
DRAWN = "const x = document.querySelector('.code'); return x.complete && x.naturalWidth > 0"


class Address:
    """What a screen wants to know of a server that runs elsewhere."""

    def __init__(self, url: str) -> None:
        self.url = url


def type_in(screen: Screen, label: str, value: str) -> None:
    """Type into the field with this label."""
    field = screen.driver.find_element(By.XPATH, f"//label[starts-with(., '{label}')]//input")
    field.clear()
    field.send_keys(value)


def press(screen: Screen, words: str, within: str = "") -> None:
    """Press the button that says this, next to a label where several do."""
    path = f"//div[label[starts-with(., '{within}')]]/button" if within else f"//button[starts-with(., '{words}')]"

    def pressed() -> bool:
        # The page draws the sheet anew now and then: the button may just be going.
        button = screen.driver.find_element(By.XPATH, path)
        if not button.text.startswith(words):
            return False
        screen.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
        button.click()
        return True

    screen.until(pressed, f"{words!r} is pressed")


def shot(screen: Screen, folder: Path, name: str) -> None:
    """A picture of the screen, for whoever wants to look."""
    screen.driver.save_screenshot(str(folder / f"{name}.png"))


def length(screen: Screen) -> float:
    """The first of the large figures, the spring's length."""
    return float(screen.text(".bigs dd").split()[0])


@pytest.mark.slow
def test_typed_then_opened_and_booked_without_ticks(driver: Chrome, tmp_path: Path) -> None:
    """Pins that what was typed before a sheet is open goes into it, that the position outlives a tablet that is put
    away, that a booking with no ticks is refused until there is a reason, and that it is made once."""
    port = free_port()
    page = {"port": port, "users": [{"name": "second", "password_hash": rig.HASH}]}
    start = float(Truth(standing()).spring_mm(30.0))
    with aboard(tmp_path, standing(), page) as ship, ship.beating():
        screen = Screen(driver, Address(f"http://127.0.0.1:{port}"), None)  # type: ignore[arg-type]
        ship.until(30.0)
        driver.get("about:blank")
        screen.open("sheets", b.PHONE)
        screen.until(lambda: len(screen.texts(".sheet-list button")) == len(SHEETS), "all sheets are listed")
        press(screen, "Retighten")
        screen.until(lambda: abs(length(screen) - start) < 0.05, "the length before")
        assert "20 min" in screen.text(".cautions") and screen.sideways() <= 0
        press(screen, "Take 1", within="Spring length before")
        type_in(screen, "Free length measured", "202,9")
        screen.until(lambda: "179.90" in screen.text(".sheet .figures"), "the target")
        box = driver.find_element(By.CSS_SELECTOR, ".steps input")
        assert not box.is_enabled(), "a step can be ticked at an open sheet alone"
        screen.log_in()
        screen.until(lambda: "Log out" in screen.text("#login-button"), "logged in")
        press(screen, "Open this sheet")
        record: dict[str, Any] = {}
        screen.until(
            lambda: (
                record.update(ship.sheet("retighten").get("record") or {}) or record["figures"]["free_mm"] == "202,9"
            ),
            "in it",
        )
        assert float(record["figures"]["before_mm"]) == pytest.approx(start, abs=0.05)
        for name in ("there_mm", "held_mm"):
            ship.act("retighten", "figure", key=name, value="179.9")
        for _ in range(3):
            press_hidden(screen, "Next")
        screen.until(lambda: "step 4 of" in screen.text(".phase-card"), "the fourth step")
        screen.open("sheets/retighten", b.PHONE)
        screen.until(lambda: "step 4 of" in screen.text(".phase-card"), "still the fourth")
        shot(screen, tmp_path, "phone-card")
        to_the_list_and_back(screen, 4)
        press_hidden(screen, "To the booking")
        screen.until(lambda: "Retightened. Free length 202.9 mm." in screen.text(".book"), "in words")
        press_hidden(screen, "Check")
        screen.until(lambda: "steps are not ticked" in screen.text(".book .why"), "refused")
        driver.find_element(By.CSS_SELECTOR, ".book input").send_keys("ticked on paper")
        press_hidden(screen, "Check")
        screen.until(lambda: "Nothing is booked yet" in screen.text(".book .why"), "checked")
        press_hidden(screen, "Book it")
        screen.until(lambda: "Booked as" in screen.text(".book .why"), "booked")
        screen.until(lambda: "Book the correction" in screen.text(".book"), "what follows is a correction")
        press_hidden(screen, "Check")
        screen.until(lambda: "give a reason" in screen.text(".book .why"), "a second one wants a reason")
        event = ship.booked()
        driver.get("about:blank")
    assert event["by"] == "second" and "ticks missing: ticked on paper" in event["text"]
    assert event["before"]["spring_mm"] == pytest.approx(start, abs=0.05)


def to_the_list_and_back(screen: Screen, step: int) -> None:
    """One swipe, or one key, shows all steps; another the card again, at the same step. A finger that scrolls does
    neither."""
    driver = screen.driver

    def swipe(within: str, by_x: int, by_y: int = 0) -> None:
        """A finger that begins in the middle of this element."""
        x, y = driver.execute_async_script(MIDDLE, within)
        for kind, part in (("touchStart", 0.0), ("touchMove", 0.5), ("touchMove", 1.0), ("touchEnd", 1.0)):
            points = [] if kind == "touchEnd" else [{"x": x + by_x * part, "y": y + by_y * part}]
            driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def seen() -> tuple[int, bool]:
        """How many steps the list shows, and whether the card stands alone."""
        rows = "return [...document.querySelectorAll('.sheet > .steps > li')].filter((x) => x.offsetParent).length"
        return int(driver.execute_script(rows)), "at-work" in str(
            driver.execute_script("return document.body.className")
        )

    def key() -> None:
        driver.find_element(By.CSS_SELECTOR, "body").send_keys("l")

    many = int(driver.execute_script("return document.querySelectorAll('.sheet > .steps > li').length"))
    assert many > 10 and seen() == (0, True)
    ways = [(lambda: swipe(".step-now", -150), lambda: swipe(".sheet > .steps > li:nth-child(2)", 150)), (key, key)]
    for to_list, back in ways:
        to_list()
        screen.until(lambda: seen() == (many, False), "all steps", 20)
        back()
        screen.until(lambda: seen() == (0, True), "the card", 20)
        assert f"step {step} of {many}" in screen.text(".phase-card")
    key()
    screen.until(lambda: seen() == (many, False), "all steps", 20)
    swipe(".sheet > .steps > li:nth-child(2)", 70, 200)
    # The list's class changes with the swipe itself, before anything is drawn again.
    assert driver.execute_script("return document.querySelector('.sheet.list') !== null"), "scrolling is no swipe"
    key()
    screen.until(lambda: seen() == (0, True), "the card again", 20)


@pytest.mark.slow
def test_after_retiming_the_pumps_come_first_until_they_are_booked_at_0(driver: Chrome, tmp_path: Path) -> None:
    """Pins that the trend message, what the page is given and its view `Now` say so once the camshaft is booked, on
    the turning gear, and no longer once 0° is booked."""
    port = free_port()
    with aboard(tmp_path, standing(rpm=1.2), {"port": port}) as ship, ship.beating():
        screen = Screen(driver, Address(f"http://127.0.0.1:{port}"), None)  # type: ignore[arg-type]

        def book(**entry: object) -> None:
            ask(ship.socket, {"do": "book", "entry": {"person": "second", **entry}})

        def decisions() -> list[dict[str, str]]:
            reader = StateReader(tmp_path / "data")
            message = next(r for r in reader.retained() if r.topic.endswith("/trend"))
            reader.close()
            shown = httpx.get(f"{screen.served.url}/api/present").json()["engines"][0]
            return [json.loads(message.payload)["decision"], shown["trend"]["decision"]]

        ship.until(120.0)
        book(kind="pumps-compensated", after_deg=[1.6] * 6)
        screen.until(lambda: not any(FIRST in d["why"] for d in decisions()), "the camshaft is not re-timed yet")
        retimed = ship.sheet("retime", before_deg="1.6", gauge_after_mm="0 0")["booking"]
        book(**retimed)
        screen.until(lambda: all(d["do"] == "compensate" and FIRST in d["why"] for d in decisions()), "decided")
        assert all("1.6° are still booked" in d["why"] for d in decisions())
        screen.open("now", b.PHONE)
        for place in (".front .todo", ".ahead .todo"):
            screen.until(lambda place=place: FIRST in screen.text(place), place)  # type: ignore[misc]
        shot(screen, tmp_path, "pumps-first")
        book(kind="pumps-compensated", after_deg=[0.0] * 6)
        screen.until(lambda: not any(FIRST in d["why"] for d in decisions()), "no longer decided")
        for place in (".front .todo", ".ahead .todo"):
            screen.until(lambda place=place: screen.text(place) and FIRST not in screen.text(place), place)  # type: ignore[misc]
        driver.get("about:blank")


def press_hidden(screen: Screen, words: str) -> None:
    """Press the button with these words, wherever it is on the page."""
    script = "[...document.querySelectorAll('.sheet button')].find((x) => x.textContent === arguments[0]).click()"
    screen.driver.execute_script(script, words)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[rig.Served, rig.Crew]]:
    """A page with the real sheets over settings with cylinders, and no readings."""
    made: Settings = rig.settings(tmp_path_factory.mktemp("sheets"))
    rig.fill(made, time.time(), days=2)
    cylinders = {"number": 2, "bore_mm": 600, "stroke_mm": 2400, "rod_ratio": 0.4, "compression_ratio": 16.0}
    data = asdict(made)
    data["engine"][0] |= {"cylinders": cylinders, "cams": None}
    made = checked_settings(data)

    def ask(name: str, _engine: str, typed: Mapping[str, str]) -> dict[str, Any]:
        figures = dict(typed)
        file = figures.pop("file", None)
        return as_data(sheet(name, facts_at_rest(made.engine[0], []), figures, file))

    crew = rig.Crew(rig.present(time.time()))
    sheets = {name: (title, partial(ask, name)) for name, (title, _) in SHEETS.items()}
    with rig.Served(rig.inputs(made, crew, sheets=sheets)) as page:
        yield page, crew


@pytest.mark.parametrize("size", [b.PHONE, b.DESK], ids=["phone", "desk"])
def test_every_sheet_opens_with_the_cautions(
    driver: Chrome, served: tuple[rig.Served, rig.Crew], size: tuple[int, int], tmp_path: Path
) -> None:
    """Pins that in each sheet the cautions stand above figures and steps, each step says who confirms, and nothing
    hangs over the edge."""
    screen = Screen(driver, *served)
    screen.open("sheets", size)
    screen.until(lambda: len(screen.texts(".sheet-list button")) == len(SHEETS), "listed")
    for n, (name, (title, _)) in enumerate(SHEETS.items()):
        screen.driver.find_elements(By.CSS_SELECTOR, ".sheet-list button")[n].click()
        screen.until(lambda title=title: screen.text(".sheet h3") == title, name)  # type: ignore[misc]
        top = [
            screen.driver.find_element(By.CSS_SELECTOR, f".sheet {s}").location["y"]
            for s in (".cautions", ".bigs", ".steps")
        ]
        assert top == sorted(top) and "never replaces" in screen.text(".sheet .cautions")
        assert all(": " in words for words in screen.texts(".steps li > p.words"))
        # The number of a step stands on the first line with text: at the box's foot, which is not stretched.
        boxes = "return Math.max(...[...document.querySelectorAll('.steps input')].map((e) => e.offsetHeight))"
        high = screen.driver.execute_script(boxes)
        assert high < 32, f"{name}: a tick box of {high} pixels"
        over = screen.driver.execute_script(OVER)
        assert screen.sideways() <= 0, (name, over)
        shot(screen, tmp_path, f"{name}-{size[0]}")


def test_on_paper(driver: Chrome, served: tuple[rig.Served, rig.Crew], tmp_path: Path) -> None:
    """Pins that the print leaves out bars and buttons and keeps the ship's name, cautions, steps and room to sign."""
    screen = Screen(driver, *served)
    screen.open("sheets", b.DESK)
    screen.until(lambda: len(screen.texts(".sheet-list button")) == len(SHEETS), "listed")
    press(screen, "Retighten")
    screen.until(lambda: screen.text(".sheet h3") == "Retighten the chain", "the sheet")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        seen = {
            s: driver.find_element(By.CSS_SELECTOR, s).is_displayed()
            for s in (".views", ".top button", ".sheet button", ".top", ".cautions", ".steps", ".sign-here")
        }
        shot(screen, tmp_path, "print")
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    shown = [s for s, there in seen.items() if there]
    assert shown == [".top", ".cautions", ".steps", ".sign-here"]


def test_each_caution_is_on_the_printed_page(driver: Chrome, served: tuple[rig.Served, rig.Crew]) -> None:
    """Pins that on paper every sheet shows all its cautions, and each step's own within that step."""
    screen = Screen(driver, *served)
    screen.open("sheets", b.PHONE)
    screen.until(lambda: len(screen.texts(".sheet-list button")) == len(SHEETS), "listed")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        for n, (name, (title, _)) in enumerate(SHEETS.items()):
            driver.execute_script("document.querySelectorAll('.sheet-list button')[arguments[0]].click()", n)
            screen.until(lambda title=title: screen.text(".sheet h3") == title, name)  # type: ignore[misc]
            made = httpx.get(f"{served[0].url}/api/sheet/{name}", params={"engine": "main"}).json()
            above, own = driver.execute_script(ON_PAPER)
            assert above == made["cautions"] and len(above) > 1, name
            assert len(own) == len(made["steps"]), name
            for step, words in zip(made["steps"], own, strict=True):
                assert step["text"] in words and words.startswith(step["caution"]), (name, step["key"])
            assert any(s["caution"] for s in made["steps"]), name
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_the_code_on_paper_leads_to_the_sheet(driver: Chrome, served: tuple[rig.Served, rig.Crew]) -> None:
    """Pins that a reader of its own reads the code from the picture of the printed page, and that its address opens
    that sheet on the ship's page."""
    screen = Screen(driver, *served)
    for name in ("retighten", "pressures"):
        screen.open(f"sheets/{name}", b.DESK)
        screen.until(lambda name=name: screen.text(".sheet h3") == SHEETS[name][0], name)  # type: ignore[misc]
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
        try:
            screen.until(lambda: driver.execute_script(DRAWN), "the code is drawn")
            read = zxingcpp.read_barcodes(Image.open(io.BytesIO(driver.get_screenshot_as_png())), try_invert=False)
        finally:
            driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
        assert [x.text for x in read] == [f"{served[0].url}/#sheets/{name}"]
        driver.get("about:blank")
        driver.get(read[0].text)
        screen.until(lambda name=name: screen.text(".sheet h3") == SHEETS[name][0], "by its address")  # type: ignore[misc]
    driver.get("about:blank")


def test_a_pressure_file_on_the_page(driver: Chrome, served: tuple[rig.Served, rig.Crew], tmp_path: Path) -> None:
    """Pins that a file is asked for only after log-in, that its faults come in words, and a good one gives figures."""
    screen = Screen(driver, *served)
    screen.open("sheets", b.DESK)
    screen.until(lambda: len(screen.texts(".sheet-list button")) == len(SHEETS), "listed")
    screen.log_in()
    screen.until(lambda: "Log out" in screen.text("#login-button"), "logged in")
    press(screen, "Pressures")
    screen.until(lambda: screen.driver.find_elements(By.CSS_SELECTOR, "input[type=file]"), "the file's field")
    bad = tmp_path / "bad.csv"
    bad.write_text("crank_deg,cyl1\n0,1\n1,2\n2,3\n", encoding="utf-8")
    driver.find_element(By.CSS_SELECTOR, "input[type=file]").send_keys(str(bad))
    screen.until(lambda: "no unit of pressure" in screen.text(".notices"), "the fault")
    rows = "\n".join(f"{a},{3 + 140 * max(0.0, 1 - abs(a) / 90) ** 4:.3f}" for a in range(-180, 180))
    good = tmp_path / "good.csv"
    good.write_text("crank_deg,cyl1_bar\n" + rows, encoding="utf-8")
    driver.find_element(By.CSS_SELECTOR, "input[type=file]").send_keys(str(good))
    screen.until(lambda: "143.0 bar" in screen.text(".bigs"), "the maximum")
    assert "Missing: cylinder 2" in screen.text(".notices")
    shot(screen, tmp_path, "pressures")
    driver.get("about:blank")
