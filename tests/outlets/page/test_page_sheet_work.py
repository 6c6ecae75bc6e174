"""Whole work sheets at the drive on a phone, step card by step card: browser, daemon and simulated head.

One daemon serves both works: the chain is retightened, then the camshaft is re-timed.
"""

import math
import re
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver import Chrome

from firmware_sim import Truth
from tests import page_browser as b
from tests import page_rig as rig
from tests.daemon_rig import free_port
from tests.outlets.page.test_page_browser import Screen
from tests.outlets.page.test_page_sheets import Address, shot
from tests.sheet_rig import Aboard, aboard, standing

pytestmark = [pytest.mark.slow, pytest.mark.skipif(b.WHY_NOT is not None, reason=str(b.WHY_NOT))]
FREE_MM, TARGET_MM, SEATED_MM, OVER_MM = 202.9, 179.9, 177.4, 0.5
BEFORE_S, NUT_S, BACK_S, SEAT_S, TURN_S, RETIME_S, AGAIN_S, END_S = 30, 900, 1_800, 2_700, 3_600, 4_500, 5_400, 6_300
"""When the work is done in the scenario; far apart, since its time goes on with the wall's while somebody looks."""
GAUGE_MM = 160.0


class Phone(Screen):
    """A phone that shows the step cards of a sheet."""

    def run(self, script: str, *args: Any) -> Any:
        """In the page."""
        return self.driver.execute_script(script, *args)

    def choose(self, title: str) -> None:
        """A sheet from the list."""
        self.run(
            "[...document.querySelectorAll('.sheet-list button')].find((x) => x.textContent === arguments[0]).click()",
            title,
        )
        self.until(lambda: self.text(".sheet h3") == title, title)

    def start(self, title: str, first: str) -> None:
        """Open a sheet; its first step is shown."""
        self.choose(title)
        self.run("[...document.querySelectorAll('.do-now')].find((x) => x.textContent === 'Open this sheet').click()")
        self.until(lambda: self.step == first, "it is open")

    @property
    def step(self) -> str:
        """The key of the step that is shown."""
        return str(self.run("return document.querySelector('.phase-card')?.dataset.step ?? ''"))

    @property
    def button(self) -> str:
        """What the one button says; empty while there is none, or it cannot be pressed."""
        return str(
            self.run(
                "const x = document.querySelector('.phase-foot > .do-now');"
                "return x.hidden || x.disabled || !x.offsetParent ? '' : x.textContent"
            )
        )

    def tap(self, words: str) -> None:
        """The one button, once it says this."""
        self.until(lambda: self.button.startswith(words), f"{words} at {self.step}: {self.text('.phase-card')}")
        self.run("document.querySelector('.phase-foot > .do-now').click()")

    def type(self, value: str) -> None:
        """Into the step's own field, and keep it."""
        self.run(
            "const x = document.querySelector('.phase-foot > label input'); x.value = arguments[0];"
            "x.dispatchEvent(new Event('input'))",
            value,
        )
        self.tap(f"Keep {value}")

    def done(self) -> None:
        """Tick the step; the next one is shown."""
        before = self.step
        self.tap("Done")
        self.until(lambda: self.step != before, f"the step after {before}: {self.text('.sheet')}")

    def follow(self, plan: Mapping[str, Callable[[], object]]) -> list[str]:
        """Tick each step up to the booking; what `plan` has for a step comes before its tick. The keys in order."""
        seen = []
        for _ in range(60):
            key = self.step
            seen.append(key)
            self.card_holds()
            plan.get(key, lambda: None)()
            if key == "book":
                return seen
            self.done()
        raise AssertionError(f"no booking: {seen}")

    def card_holds(self) -> None:
        """One step, its caution where it has one, and one button in sight: all of it on the one screen."""
        assert self.sideways() <= 0, self.step
        seen = self.run(
            "scrollTo(0, 0); const at = (s) => document.querySelector(s).getBoundingClientRect();"
            "const foot = at('.phase-foot'); return [[...document.querySelectorAll('.do-now')]"
            ".filter((x) => x.offsetParent).length, at('.phase-card .step-now').bottom - foot.top, foot.bottom]"
        )
        buttons, covered, bottom = seen
        assert buttons == (0 if self.step == "book" else 1), self.step
        assert covered <= 0 and bottom <= b.PHONE[1], (self.step, seen)

    def figure(self, name: str) -> str:
        """A large figure of the card."""
        rows = self.run(
            "return [...document.querySelectorAll('.phase-card .figure-now > div')]"
            ".map((x) => [...x.children].map((y) => y.textContent))"
        )
        return str(dict(rows)[name])

    def book(self, reason: str = "") -> None:
        """Check what will be booked, and book it."""
        self.run("const x = document.querySelector('.book label input'); x.value = arguments[0]", reason)
        self.run("document.querySelector('.book button[type=button]').click()")
        self.until(lambda: "Nothing is booked yet" in self.text(".book .why"), f"checked: {self.text('.book')}")
        self.run("document.querySelector('.book').requestSubmit()")
        self.until(lambda: "Booked as" in self.text(".book .why"), f"booked: {self.text('.book')}")

    def finish(self) -> None:
        """Tick the booking and what follows it, and close the sheet."""
        self.until(lambda: self.button.startswith("Done"), "the booking can be ticked")
        while self.button.startswith("Done"):
            self.done_or_last()
            if self.step == "running-zero" and not self.button.startswith("Done"):
                self.type("0.1")
                told(self, "The running zero holds: lag +0.10")
                self.until(lambda: self.button.startswith("Done"), "running zero")
        self.run("[...document.querySelectorAll('button')].find((x) => x.textContent === 'Close this sheet').click()")
        self.until(lambda: "Open this sheet" in self.text(".sheet"), "closed")

    def done_or_last(self) -> None:
        """Tick a step that may be the last one."""
        before = self.step
        self.tap("Done")
        self.until(lambda: self.step != before or self.button == "Next step", "ticked")


def logged_in(driver: Chrome, port: int) -> Phone:
    """A phone with the list of sheets, logged in."""
    phone = Phone(driver, Address(f"http://127.0.0.1:{port}"), None)  # type: ignore[arg-type]
    driver.get("about:blank")
    driver.delete_all_cookies()
    phone.open("sheets", b.PHONE)
    phone.until(lambda: phone.texts(".sheet-list button") != [], "listed")
    phone.run("document.querySelector('#login-button').click()")
    phone.log_in()
    phone.until(lambda: "Log out" in phone.text("#login-button"), "logged in")
    return phone


HEARD = """window.heard = [];
window.AudioContext = class {
  currentTime = 0;
  createOscillator() {
    const frequency = {};
    return { frequency, connect() {}, stop() {}, start() { heard.push(frequency.value); } };
  }
};"""
"""The browser's sound, as the list of frequencies that were played."""
TONE = "[...document.querySelectorAll('.phase-card button')].find((x) => x.textContent.startsWith('Tone')).click()"


def told(phone: Phone, words: str) -> None:
    """The card shows this notice."""
    phone.until(lambda: words in phone.text(".phase-card .now-notices"), f"{words}: {phone.text('.phase-card')}")


def retightening(phone: Phone, ship: Aboard, kind: str) -> dict[str, Callable[[], object]]:
    """What is done at the steps of retightening, mistakes and all."""

    def before() -> None:
        phone.tap("Take 18")
        phone.until(lambda: phone.button.startswith("Done"), "taken")
        # A second tap does not take it again.
        take = next(i["take"] for i in ship.sheet("retighten")["inputs"] if i["name"] == "before_mm")
        assert take is None
        ship.act("retighten", "countersign", key="permit", by="chief")

    def free() -> None:
        phone.run("document.querySelector('.phase-foot > label input').value = '206'")
        phone.type("206")
        phone.until(lambda: "a spring does not grow" in phone.text(".sheet"), "refused")
        phone.type(f"{FREE_MM:g}".replace(".", ","))
        phone.until(lambda: phone.button.startswith("Done"), "taken")

    def turn() -> None:
        assert "ASTERN" in phone.text(".sense-now") and "crush hands" in phone.text(".phase-card .step-caution")

    def target() -> None:
        assert phone.button == "", "TARGET REACHED is not offered away from the target"
        phone.run(HEARD)
        phone.run(TONE)
        ship.until(NUT_S + 100)
        told(phone, "Passed the target by 0.5")
        phone.until(lambda: phone.run("return heard")[-2:] == [440, 440], "two low tones: passed")
        assert phone.figure("To go").startswith("-0.5")
        ship.until(BACK_S + 100)
        told(phone, f"At the target: {TARGET_MM:.2f}")
        phone.until(lambda: phone.run("return heard")[-2:] == [440, 880], "one high tone: reached")
        phone.tap(f"TARGET REACHED {TARGET_MM:.1f}"[:-1])
        phone.until(lambda: phone.button.startswith("Done"), "taken")

    def hold() -> None:
        told(phone, "The length holds")
        phone.tap("LENGTH HELD")
        phone.until(lambda: phone.button.startswith("Done"), "held")
        with pytest.raises(Exception, match="locked"):
            ship.act("retighten", "figure", key="before_mm", value="179.9")

    def seat() -> None:
        told(phone, "that is right")
        ship.until(SEAT_S + 100)
        told(phone, "Seated")
        phone.tap("SEATED")
        phone.until(lambda: phone.button.startswith("Done"), "seated")

    def turned() -> None:
        phone.tap("TAKE")
        phone.until(lambda: phone.button.startswith("Done"), "turned")

    def play() -> None:
        phone.type("0.7")
        phone.until(lambda: phone.button.startswith("Done"), "play")

    def lost_motion() -> None:
        phone.type("1.1")
        phone.until(lambda: phone.button.startswith("Done"), "lost motion")

    plan: dict[str, Callable[[], object]] = {
        "before": before,
        "free-length": free,
        "turn-a-little": turn,
        "target": target,
        "hold": hold,
        "round": turned,
        "play": play,
        "lost-motion": lost_motion,
    }
    return plan | ({"seat": seat} if kind == "locked" else {})


def retiming(phone: Phone, ship: Aboard, sections: int, late_deg: float) -> dict[str, Callable[[], object]]:
    """What is done at the steps of re-timing."""
    gauge = f"{GAUGE_MM * math.radians(late_deg):.2f}"

    def whole_turn() -> None:
        told(phone, "Turn once round")
        ship.until(TURN_S + 200)
        phone.until(lambda: "Turn once round" not in phone.text(".phase-card .now-notices"), "the whole turn is read")

    def gauges() -> None:
        phone.type(" ".join([gauge, "0.3"][:sections]))
        told(phone, "Gauge and encoders agree")
        phone.tap("Take ")
        phone.until(lambda: phone.button.startswith("Done"), "lag before")

    def turn_camshaft() -> None:
        assert "AHEAD" in phone.text(".sense-now") and "by itself" in phone.text(".phase-card .step-caution")
        ship.until(RETIME_S + 200)
        told(phone, "By the encoders the camshaft is set")

    def off() -> None:
        phone.tap("PRESSURE OFF")
        phone.until(lambda: phone.button.startswith("Done"), "off")

    def plugs() -> None:
        wait = phone.text(".phase-card .wait")
        assert "Time since oil pressure off" in wait and "minimum 15 min" in wait and "Not permission" in wait

    def turn_after() -> None:
        ship.until(AGAIN_S + 200)

    def lost_motion() -> None:
        phone.type("0.9")
        phone.until(lambda: phone.button.startswith("Done"), "lost motion")

    def after() -> None:
        phone.type(" ".join(["0", "1.5"][:sections]))
        if sections == 2:
            told(phone, "Section 2 is still 0.54° (crank) late")
        phone.until(lambda: phone.button.startswith("Done"), "gauge after")

    return {
        "whole-turn": whole_turn,
        "gauge-before": gauges,
        "turn-camshaft": turn_camshaft,
        "pressure-off": off,
        "section-2": off,
        "plugs": plugs,
        "turn-after": turn_after,
        "lost-motion": lost_motion,
        "gauge-after": after,
    }


@pytest.mark.parametrize(("kind", "sections"), [("sprung", 1), ("locked", 2)])
def test_retighten_and_retime_on_a_phone(driver: Chrome, tmp_path: Path, kind: str, sections: int) -> None:
    """Pins both works from opening to closing: cards in order, mistakes that are refused, what is booked against the
    head's truth, and that a booking is made once."""
    start = float(Truth(standing()).spring_mm(BEFORE_S))
    turns = (start - TARGET_MM + OVER_MM) / 6
    events: list[dict[str, object]] = [
        {"at_s": NUT_S, "kind": "nut-turn", "turns": turns, "for_s": 60.0},
        {"at_s": BACK_S, "kind": "nut-turn", "turns": -OVER_MM / 6, "for_s": 10.0},
    ]
    if kind == "locked":
        events.append({"at_s": SEAT_S, "kind": "nut-turn", "turns": (TARGET_MM - SEATED_MM) / 6, "for_s": 20.0})
    turned = [(TURN_S, TURN_S + 100.0, 1.2), (AGAIN_S, AGAIN_S + 100.0, 1.2)]
    late = float(Truth(standing(*events, turned=turned)).lag_deg(RETIME_S))
    events.append({"at_s": RETIME_S, "kind": "retime", "deg": -late, "for_s": 60.0})
    port = free_port()
    page = {"port": port, "users": [{"name": "second", "password_hash": rig.HASH}]}
    tightener: dict[str, Any] = {"kind": kind} | ({"locked_at_mm": SEATED_MM} if kind == "locked" else {})
    lag = {"camshaft_sections": sections}
    with aboard(tmp_path, standing(*events, turned=turned), page, tightener, lag) as ship, ship.beating():
        ship.until(BEFORE_S)
        phone = logged_in(driver, port)
        phone.start("Retighten the chain", "immobilise")
        phone.until(lambda: "WORK IN PROGRESS" in phone.text("#work"), "work in progress")
        seen = phone.follow(retightening(phone, ship, kind))
        assert seen == [s["key"] for s in ship.sheet("retighten")["steps"]][: len(seen)]
        shot(phone, tmp_path, "book")
        phone.book()
        # A second submission changes nothing.
        phone.run("document.querySelector('.book').requestSubmit()")
        phone.finish()
        phone.start("Re-time the camshaft", "pressures-before")
        seen = phone.follow(retiming(phone, ship, sections, late))
        assert seen == [s["key"] for s in ship.sheet("retime")["steps"]][: len(seen)]
        phone.book()
        phone.finish()
        tightened, retimed = ship.adjustments()
        driver.get("about:blank")
    assert tightened["what"] == "retightened" and tightened["by"] == "second"
    assert tightened["before"]["spring_mm"] == pytest.approx(start, abs=0.05)
    assert tightened["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(SEAT_S + 200)), abs=0.05)
    assert retimed["what"] == "camshaft-set"
    assert retimed["before"]["lag_deg"] == pytest.approx(late, abs=0.02)
    assert retimed["after"]["raw_deg"] == pytest.approx(17.35 + float(ship.truth.lag_deg(END_S)), abs=0.02)
    assert ("section 2: gauge 1.5 mm" in retimed["text"]) == (sections == 2)


def test_a_head_in_bursts_shows_the_age_and_confirms_no_target(driver: Chrome, tmp_path: Path) -> None:
    """Pins that a reading of the burst before, although at the target, is shown with its age on the card, and that
    neither button nor words offer TARGET REACHED from it."""
    port = free_port()
    page = {"port": port, "users": [{"name": "second", "password_hash": rig.HASH}]}
    scenario = standing()
    scenario = scenario.changed(head={"burst_s": 20.0, "every_s": 1_200.0}, tightener={"length_mm": 180.0})
    with aboard(tmp_path, scenario, page, head={"burst_pause_s": 1_180.0}, source="system") as ship:
        ship.until(19.0)
        spring = float(ship.truth.spring_mm(15.0))
        ship.act("retighten", "open")
        sheet = ship.sheet("retighten")
        for key, value in (("before_mm", f"{spring:.2f}"), ("free_mm", f"{spring + 23:.2f}")):
            ship.act("retighten", "figure", key=key, value=value)
        for key in [s["key"] for s in sheet["steps"]]:
            if key == "target":
                break
            ship.act("retighten", "tick", key=key)
        phone = logged_in(driver, port)
        phone.choose("Retighten the chain")
        phone.until(lambda: phone.step == "target", "the target's step")
        told(phone, "The sensor head sends in bursts: the reading is")
        assert re.search(r"is \d+ (s|min) old", phone.text(".phase-card .now-notices"))
        phone.card_holds()
        assert phone.button == "" and "At the target" not in phone.text(".phase-card .now-notices")
        assert all(i["take"] is None for i in ship.sheet("retighten")["inputs"])
        driver.get("about:blank")
