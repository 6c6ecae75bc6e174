"""Work sheets in a real headless Chromium: followed at the drive on a phone, and laid out on a desk and on paper."""

import time
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from firmware_sim import Truth
from gateway.engine.sheet_facts import facts_at_rest
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings
from gateway.worksheet.catalogue import SHEETS, as_data, sheet
from tests import page_browser as b
from tests import page_rig as rig
from tests.daemon_rig import free_port
from tests.outlets.page.test_page_browser import Screen
from tests.sheet_rig import aboard, standing

pytestmark = pytest.mark.skipif(b.WHY_NOT is not None, reason=str(b.WHY_NOT))


@pytest.fixture(scope="module")
def driver() -> Iterator[Chrome]:
    """One browser for this file."""
    with b.chromium() as made:
        yield made


OVER = """return [...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > innerWidth)
.map((e) => e.tagName + '.' + e.className + ' ' + e.textContent.slice(0, 40))"""
"""Whatever hangs over the right edge."""


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
    button = screen.driver.find_element(By.XPATH, path)
    assert button.text.startswith(words)
    screen.driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


def shot(screen: Screen, folder: Path, name: str) -> None:
    """A picture of the screen, for whoever wants to look."""
    screen.driver.save_screenshot(str(folder / f"{name}.png"))


def length(screen: Screen) -> float:
    """The first of the large figures, the spring's length."""
    return float(screen.text(".bigs dd").split()[0])


def test_retighten_on_a_phone(driver: Chrome, tmp_path: Path) -> None:
    """Pins the whole job at the drive: the length falls as the nut turns, "passed it" is said, it holds, the booking is
    refused without log-in and booked with it, and before and after are the head's truth within 0.05 mm."""
    free_mm, target = 202.9, 179.9
    start = float(Truth(standing()).spring_mm(600.0))
    turns = (start - target + 0.5) / 6
    scenario = standing(
        {"at_s": 600.0, "kind": "nut-turn", "turns": turns, "for_s": 300.0},
        {"at_s": 1_800.0, "kind": "nut-turn", "turns": -0.5 / 6, "for_s": 10.0},
    )
    port = free_port()
    page = {"port": port, "users": [{"name": "second", "password_hash": rig.HASH}]}
    with aboard(tmp_path, scenario, page) as ship, ship.beating():
        screen = Screen(driver, Address(f"http://127.0.0.1:{port}"), None)  # type: ignore[arg-type]
        ship.until(30.0)
        driver.get("about:blank")
        screen.open("sheets", b.PHONE)
        screen.until(lambda: len(screen.texts(".sheet-list button")) == len(SHEETS), "all sheets are listed")
        press(screen, "Retighten")
        screen.until(lambda: abs(length(screen) - start) < 0.05, "the length before")
        assert "20 min" in screen.text(".cautions")
        assert screen.sideways() <= 0
        press(screen, "Take 1", within="Spring length before")
        type_in(screen, "Free length measured", "206")
        screen.until(lambda: "a spring does not grow" in screen.text(".notices"), "refused")
        type_in(screen, "Free length measured", str(free_mm))
        screen.until(lambda: f"{target:.2f}" in screen.text(".sheet .figures"), "the target")
        box = driver.find_element(By.CSS_SELECTOR, ".steps input")
        assert not box.is_enabled(), "a step can be ticked at an open sheet alone"
        ship.until(750.0)
        screen.until(lambda: start - 0.3 > length(screen) > target, "the length falls")
        shot(screen, tmp_path, "phone-falling")
        ship.until(1_000.0)
        screen.until(lambda: "Passed the target by 0.5" in screen.text(".notices"), "passed it")
        ship.until(1_900.0)
        screen.until(lambda: "At the target: 179.90" in screen.text(".notices"), "at the target")
        press(screen, "TARGET REACHED 179.9", within="Length at target")
        screen.until(lambda: "The length holds" in screen.text(".notices"), "it holds")
        press(screen, "LENGTH HELD 179.9", within="Length with the opposite nut seated")
        assert "Not permission to open" in screen.text(".wait") and "minimum 20 min" in screen.text(".wait")
        # What was typed and ticked outlives a tablet that is put away.
        screen.open("sheets", b.PHONE)
        screen.until(lambda: screen.texts(".sheet-list button") != [], "listed again")
        press(screen, "Retighten")
        screen.until(lambda: "The length holds" in screen.text(".notices"), "still known")
        shot(screen, tmp_path, "phone-there")
        press(screen, "Check")
        screen.until(lambda: driver.find_element(By.ID, "login").get_attribute("open"), "log-in is asked for")
        screen.log_in()
        screen.until(lambda: "Log out" in screen.text("#login-button"), "logged in")
        press(screen, "Check")
        screen.until(lambda: "Nothing is booked yet" in screen.text("form.book .why"), "checked")
        press(screen, "Book it")
        screen.until(lambda: "Booked as" in screen.text("form.book .why"), "booked")
        event = ship.booked()
        driver.get("about:blank")
    assert event["by"] == "second"
    assert event["before"]["spring_mm"] == pytest.approx(start, abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(1_900.0)), abs=0.05)


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
        over = screen.driver.execute_script(OVER)
        assert screen.sideways() <= 0, (name, over)
        shot(screen, tmp_path, f"{name}-{size[0]}")


def test_on_paper(driver: Chrome, served: tuple[rig.Served, rig.Crew], tmp_path: Path) -> None:
    """Pins that the print leaves out bars and buttons and keeps cautions, steps and room to sign."""
    screen = Screen(driver, *served)
    screen.open("sheets", b.DESK)
    screen.until(lambda: len(screen.texts(".sheet-list button")) == len(SHEETS), "listed")
    press(screen, "Retighten")
    screen.until(lambda: screen.text(".sheet h3") == "Retighten the chain", "the sheet")
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        seen = {
            s: driver.find_element(By.CSS_SELECTOR, s).is_displayed()
            for s in (".views", ".top", ".sheet button", ".cautions", ".steps", ".sign-here")
        }
        shot(screen, tmp_path, "print")
    finally:
        driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    shown = [s for s, there in seen.items() if there]
    assert shown == [".cautions", ".steps", ".sign-here"]


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
