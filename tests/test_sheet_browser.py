"""The retighten sheet followed on a phone from opening to booking: browser, daemon and simulated head."""

import contextlib
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import page_browser as b
import page_rig
import pytest
from selenium.common.exceptions import WebDriverException
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from firmware_sim import Truth
from tests.sheet_rig import aboard, standing

pytestmark = [pytest.mark.slow, pytest.mark.skipif(b.WHY_NOT is not None, reason=str(b.WHY_NOT))]
FREE_MM, REQUIRED_MM, SEATED_MM = 202.9, 23.0, 178.4


class Phone:
    """A phone's screen with the page on it."""

    def __init__(self, driver: Chrome, url: str) -> None:
        self.driver, self.url = driver, url
        b.sized(driver, b.PHONE)

    def until(self, happened: Callable[[], object], what: str) -> None:
        """Wait for it."""
        end = time.monotonic() + 180
        while True:
            with contextlib.suppress(WebDriverException):
                if happened():
                    return
            assert time.monotonic() < end, f"{what}: {self.driver.find_element(By.TAG_NAME, 'body').text}"
            time.sleep(0.05)

    def run(self, script: str, *args: Any) -> Any:
        """In the page."""
        return self.driver.execute_script(script, *args)

    def text(self, selector: str) -> str:
        """What can be read there."""
        return str(self.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector))

    def log_in(self) -> None:
        """As the second engineer."""
        self.driver.get(f"{self.url}/#sheets/retighten")
        self.until(lambda: "Open this sheet" in self.text(".sheet"), "the sheet")
        self.run("document.querySelector('#login-button').click()")
        self.driver.find_element(By.ID, "login-name").send_keys("second")
        self.driver.find_element(By.ID, "login-password").send_keys(page_rig.PASSWORD)
        self.run("document.querySelector('#login-form').requestSubmit()")
        self.until(lambda: not self.run("return document.querySelector('#login').open"), "logged in")

    def press(self) -> None:
        """The one button."""
        self.run("document.querySelector('.phase-card .do-now').click()")

    def type(self, value: str) -> None:
        """Into the step's own field."""
        field = self.driver.find_element(By.CSS_SELECTOR, ".phase-card input")
        field.clear()
        field.send_keys(value)

    @property
    def step(self) -> str:
        """The step that is shown."""
        return self.text(".step-now")

    def tick_up_to(self, words: str) -> None:
        """Tick each step until the one with these words is shown."""
        for _ in range(60):
            if words in self.step:
                return
            before = self.step
            assert self.text(".phase-card .do-now").startswith("Done"), self.text(".phase-card")
            self.press()
            self.until(lambda before=before: self.step != before, f"the step after {before}")
        raise AssertionError(f"no step {words}")


@contextlib.contextmanager
def phone(url: str) -> Iterator[Phone]:
    """A browser of its own: another device."""
    with b.chromium() as driver:
        yield Phone(driver, url)


def free_port() -> int:
    """One that is free now."""
    with socket.create_server(("127.0.0.1", 0)) as s:
        return int(s.getsockname()[1])


@pytest.mark.parametrize("kind", ["sprung", "locked"])
def test_retighten_on_a_phone(tmp_path: Path, kind: str) -> None:
    """Pins the whole way: what is shown on one screen, the mistakes that are refused, another device, the booking."""
    target = FREE_MM - REQUIRED_MM
    plain = Truth(standing())
    turns = (float(plain.spring_mm(200.0)) - target) / 6.0
    events: list[dict[str, object]] = [{"at_s": 60.0, "kind": "nut-turn", "turns": turns, "for_s": 30.0}]
    if kind == "locked":
        more = (target - SEATED_MM) / 6.0
        events.append({"at_s": 160.0, "kind": "nut-turn", "turns": more, "for_s": 20.0})
    port = free_port()
    page = {"enabled": True, "port": port, "users": [{"name": "second", "password_hash": page_rig.HASH}]}
    tightener: dict[str, Any] = {"kind": kind} | ({"locked_at_mm": SEATED_MM} if kind == "locked" else {})
    with aboard(tmp_path, standing(*events), page, tightener) as ship, phone(f"http://127.0.0.1:{port}") as one:
        ship.until(40.0)
        one.log_in()
        one.run("[...document.querySelectorAll('.do-now')].find((x) => x.textContent === 'Open this sheet').click()")
        one.until(lambda: "step 1 of" in one.text(".phase-card"), "it is open")
        one.until(lambda: "WORK IN PROGRESS" in one.text("#work"), "work in progress")
        box = one.run(
            "const r = document.querySelector('.do-now:not([hidden])').getBoundingClientRect(); return r.width"
        )
        assert box <= b.PHONE[0]
        one.tick_up_to("spring length before")
        one.press()
        one.until(lambda: one.text(".phase-card .do-now").startswith("Done"), "the length before is taken")
        one.press()
        one.tick_up_to("Measure the free length")
        one.type("202,9")
        one.press()
        one.until(lambda: one.text(".phase-card .do-now").startswith("Done"), "the free length is taken")
        assert "point" not in one.text(".why")
        one.press()
        one.tick_up_to("Turn a few degrees")
        assert one.text(".sense-now") and "crush hands" in one.text(".phase-card .step-caution")
        one.tick_up_to("Read the length")
        ship.until(120.0)
        one.until(lambda: "TARGET REACHED" in one.text(".phase-card .do-now"), "it may be pressed")
        one.press()
        one.until(lambda: one.text(".phase-card .do-now").startswith("Done"), "the target is taken")
        one.press()
        with phone(one.url) as two:
            two.driver.get(f"{two.url}/#sheets/retighten")
            two.until(lambda: two.step == one.step, "another device shows the same step")
            made = ship.sheet("retighten")
            assert next(i for i in made["inputs"] if i["name"] == "before_mm")["locked"]
        one.tick_up_to("Seat the opposite nut")
        one.press()
        one.until(lambda: one.text(".phase-card .do-now").startswith("Done"), "the held length is taken")
        one.press()
        if kind == "locked":
            ship.until(200.0)
            one.tick_up_to("plate seats")
            one.press()
            one.until(lambda: one.text(".phase-card .do-now").startswith("Done"), "the seated length is taken")
            one.press()
        one.tick_up_to("whole loop")
        one.press()
        one.until(lambda: one.text(".phase-card .do-now").startswith("Done"), "the length after turning is taken")
        one.press()
        one.tick_up_to("Measure the hand play")
        one.type("0.7")
        one.press()
        one.until(lambda: one.text(".phase-card .do-now").startswith("Done"), "the play is taken")
        one.press()
        one.tick_up_to("Book the work below")
        (tmp_path / "phone.png").write_bytes(one.driver.get_screenshot_as_png())
        one.run("document.querySelector('.book button[type=button]').click()")
        one.until(lambda: "Will be booked: Retightened. Free length 202.9 mm." in one.text(".book"), "in words")
        one.run("document.querySelector('.book').requestSubmit()")
        one.until(lambda: "Booked as" in one.text(".book .why"), "booked")
        one.run("document.querySelector('.book').requestSubmit()")
        event = ship.booked()
    at_s = 120.0 if kind == "sprung" else 200.0
    assert event["before"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(40.0)), abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(at_s)), abs=0.05)
