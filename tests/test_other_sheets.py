"""The sheets beside retightening and re-timing, followed from start to end on a phone and in a terminal.

One daemon, one simulated head and one browser serve all of them: hand play, links, compensation and a new chain on the
standing engine, pressures on the running one; the mistakes that people make are tried. What is booked is compared with
the simulator's truth.
"""

import re
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest

from firmware_sim import Truth
from gateway.cli.main import main
from gateway.wear.decision import PUMP_STEP_DEG
from tests import page_browser as b
from tests import page_rig as rig
from tests.daemon_rig import free_port
from tests.outlets.page.test_page_sheet_work import Phone, logged_in, told
from tests.sheet_rig import Aboard, aboard, standing

pytestmark = [pytest.mark.slow, pytest.mark.skipif(b.WHY_NOT is not None, reason=str(b.WHY_NOT))]
LATE_DEG, PITCH_MM, LINKS, RPM = 1.7, 114.3, 10, 80.0
TURN_S, STAND_S, RUN_S, RUN_END_S, AFTER_S = 20.0, 200.0, 2_400.0, 3_000.0, 3_060.0
"""When the engine stands and runs in the scenario, whose time goes on with the wall's while somebody looks."""
BEFORE_BAR, AFTER_BAR = "140 141 139 140 142 138", "146 147 145 146 148 144"
ISOLATED = ["immobilise", "permit", "stopped", "air", "gear-blocked", "turning-gear", "propeller", "oil"]


@pytest.fixture(scope="module")
def ship(tmp_path_factory: pytest.TempPathFactory, browser: Any) -> Iterator[tuple[Aboard, Phone]]:
    """The daemon with its page, the head that it hears, and a phone that is logged in."""
    turned = [(TURN_S, TURN_S + 100.0, 1.2), (RUN_S, RUN_END_S, RPM)]
    plain = standing(turned=turned)
    late = {"at_s": 2.0, "kind": "retime", "deg": LATE_DEG - float(Truth(plain).lag_deg(STAND_S)), "for_s": 1.0}
    port = free_port()
    page = {"port": port, "users": [{"name": "second", "password_hash": rig.HASH}]}
    scenario = standing(late, turned=turned)
    with aboard(tmp_path_factory.mktemp("ship"), scenario, page) as made, made.beating():
        driver = b.as_new(browser)
        made.until(STAND_S)
        yield made, logged_in(driver, port)
        driver.get("about:blank")


def keep(phone: Phone, *values: str) -> Callable[[], None]:
    """Type the step's figures one after the other."""

    def typed() -> None:
        for value in values:
            asked = phone.text(".phase-foot > label")
            phone.type(value)
            phone.until(
                lambda asked=asked: phone.button.startswith("Done") or phone.text(".phase-foot > label") != asked,  # type: ignore[misc]
                f"after {value} the next figure is asked for",
            )
        phone.until(lambda: phone.button.startswith("Done"), f"{values} kept")

    return typed


def keys(ship: Aboard, name: str) -> list[str]:
    """The sheet's steps, in order."""
    return [s["key"] for s in ship.sheet(name)["steps"]]


def until_book(ship: Aboard, name: str) -> list[str]:
    """Those up to the booking."""
    found = keys(ship, name)
    return found[: found.index("book") + 1]


def test_hand_play_on_a_phone(ship: tuple[Aboard, Phone]) -> None:
    """Pins the spring's length taken once and before the slack goes over, the play compared with it, and both booked;
    the length cannot be taken again later."""
    aboard_, phone = ship
    phone.start("Hand play", "immobilise")

    def spring() -> None:
        assert "WORK IN PROGRESS" in phone.text("#work")
        phone.tap("Take 18")
        phone.until(lambda: phone.button.startswith("Done"), "taken")

    def turn() -> None:
        assert "AHEAD" in phone.text(".sense-now") and "crush hands" in phone.text(".phase-card .step-caution")

    def measure() -> None:
        keep(phone, "86")()
        told(phone, "Play and spring")

    seen = phone.follow({"spring": spring, "slack-to-free": turn, "measure": measure})
    assert seen == until_book(aboard_, "hand-play") and seen[:8] == ISOLATED
    with pytest.raises(Exception, match="locked"):
        aboard_.act("hand-play", "figure", key="spring_mm", value="170")
    phone.book()
    phone.run("document.querySelector('.book').requestSubmit()")
    phone.finish()
    event = aboard_.adjustments()[-1]
    assert [e["what"] for e in aboard_.adjustments()] == ["hand-play"] and event["by"] == "second"
    assert event["after"]["play_links"] == pytest.approx(86 / PITCH_MM, abs=0.001)
    taken = float(re.search(r"spring ([\d.]+) mm", event["text"])[1])  # type: ignore[index]
    assert taken == pytest.approx(float(aboard_.truth.spring_mm(STAND_S)), abs=0.05)


def test_links_on_a_phone(ship: tuple[Aboard, Phone]) -> None:
    """Pins that what cannot be is refused on the card, and that the elongation shown is the simulated chain's."""
    aboard_, phone = ship
    true_percent = float(aboard_.truth.elongation_percent(STAND_S))
    length = f"{LINKS * PITCH_MM * (1 + true_percent / 100):.2f}"
    phone.start("Measure links", "immobilise")

    def measure() -> None:
        phone.type("2000")
        phone.until(lambda: "count again" in phone.text(".sheet"), "refused")
        assert aboard_.sheet("links")["booking"] is None
        keep(phone, length)()

    seen = phone.follow({"count": keep(phone, str(LINKS)), "measure": measure})
    assert seen == until_book(aboard_, "links")
    shown = next(f["value"] for f in aboard_.sheet("links")["figures"] if f["key"] == "percent")
    assert shown == pytest.approx(true_percent, abs=0.002)
    phone.book()
    phone.finish()
    event = aboard_.adjustments()[-1]
    assert event["what"] == "links-measured" and event["after"]["length_mm"] == float(length)


def test_compensation_on_a_phone(ship: tuple[Aboard, Phone]) -> None:
    """Pins that the pumps are advanced by the lag that the head shows, within a step of the pumps, and fuel is shut off
    before a pump is touched."""
    aboard_, phone = ship
    phone.start("Compensate at the fuel pumps", "pressures-before")

    def touched() -> None:
        assert "Fuel under pressure" in phone.text(".phase-card .step-caution")

    def advance() -> None:
        touched()
        told(phone, "at the pumps injection is right")

    seen = phone.follow({"fuel-off": touched, "set": advance})
    assert seen == until_book(aboard_, "compensate")
    phone.book()
    phone.finish()
    event = aboard_.adjustments()[-1]
    late = float(aboard_.truth.lag_deg(STAND_S))
    pumps = [float(x) for x in str(event["after"]["pumps_deg"]).strip("[]").split(",")]
    assert event["what"] == "pumps-compensated" and pumps == pytest.approx([late] * len(pumps), abs=PUMP_STEP_DEG)


def test_what_people_do_wrong_in_a_terminal(ship: tuple[Aboard, Phone], capsys: pytest.CaptureFixture[str]) -> None:
    """Pins hand play and links in a terminal: without ticks, a twin of what the phone booked, a booking without
    figures, a correction without a reason; then the work with other figures."""
    aboard_, _ = ship
    before = len(aboard_.adjustments())

    def run(name: str, *words: str) -> str:
        capsys.readouterr()
        status = main(["sheet", name, str(aboard_.config), *words])
        shown = capsys.readouterr()
        return " ".join((shown.out if status == 0 else shown.err).split())

    steps = [k for k in until_book(aboard_, "hand-play") if k != "book"]
    run("hand-play", "--open", "--by", "third")
    assert "still needed: the play" in run("hand-play", "--book", "--person", "third")
    run("hand-play", "--take", "spring_mm", "--by", "third")
    run("hand-play", "--keep", "--mm", "86", "--by", "third")
    assert "steps are not ticked" in run("hand-play", "--book", "--person", "third")
    run("hand-play", "--tick", *steps, "--by", "third")
    assert "booked already" in run("hand-play", "--book", "--person", "third")
    assert "is locked" in run("hand-play", "--keep", "--mm", "100")
    run("hand-play", "--unlock", "play_mm", "--reason", "read again", "--by", "third")
    run("hand-play", "--keep", "--mm", "100", "--by", "third")
    assert "Will be booked: Hand play. Hand play 0.875 links" in run(
        "hand-play", "--book", "--dry", "--person", "third"
    )
    run("hand-play", "--book", "--person", "third")
    assert "give a reason" in run("hand-play", "--book", "--person", "third")
    run("hand-play", "--tick", "book", "air-on", "--by", "third")
    printed = run("hand-play", "--print")
    assert "[x]" in printed and "changed play from 86 to 100: read again" in printed and "Tern Passage" in printed
    run("hand-play", "--close")
    made = aboard_.adjustments()
    assert len(made) == before + 1 and made[-1]["after"]["play_links"] == pytest.approx(100 / PITCH_MM, abs=0.001)
    run("links", "--open", "--by", "third")
    assert "still needed" in run("links", "--book", "--person", "third", "--reason", "on paper")
    assert "give a reason to close it" in run("links", "--keep", "--links", "10", "--by", "third", "--close")
    run("links", "--close", "--reason", "measured another day")
    assert len(aboard_.adjustments()) == before + 1


def test_pressures_under_way(ship: tuple[Aboard, Phone], capsys: pytest.CaptureFixture[str]) -> None:
    """Pins pressures before the work on a phone and after it in a terminal, on the running engine: speed is the
    head's, like conditions are called alike, unlike ones are not compared."""
    aboard_, phone = ship
    aboard_.until(RUN_S + 60)
    phone.start("Pressures of the cylinders", "steady")

    def blow() -> None:
        assert "hot gas" in phone.text(".phase-card .step-caution")

    conditions = keep(phone, "before", "85", "2.4")
    seen = phone.follow({"conditions": conditions, "blow": blow, "take": blow, "type": keep(phone, BEFORE_BAR)})
    assert seen == keys(aboard_, "pressures")
    phone.book()
    phone.finish()

    def run(*words: str) -> str:
        capsys.readouterr()
        status = main(["sheet", "pressures", str(aboard_.config), *words])
        shown = capsys.readouterr()
        return " ".join((shown.out if status == 0 else shown.err).split())

    run("--open", "--tick", *[k for k in seen if k != "book"], "--by", "chief")
    given = ("--taken", "after", "--max", *AFTER_BAR.split(), "--scavenge", "2.38", "--by", "chief")
    run("--keep", *given, "--load", "60")
    assert "The load was 85% before and 60% after: not alike" in run()
    run("--unlock", "load", "--reason", "misread", "--by", "chief")
    run("--keep", "--load", "84", "--by", "chief")
    text = run()
    assert "are alike before and after" in text and "Cylinder 1 since before 6.0 bar" in text
    run("--book", "--person", "chief")
    run("--close")
    first, second = aboard_.adjustments()[-2:]
    assert [e["what"] for e in (first, second)] == ["pressures"] * 2
    for event, load in ((first, 0.85), (second, 0.84)):
        assert event["after"]["load"] == load
        # Somewhere in the spell: the speed hunts, and nobody knows in which second a person read it.
        true_rpm = aboard_.truth.rpm(np.arange(RUN_S + 10, RUN_END_S - 10, 0.5))
        assert true_rpm.min() - 0.2 <= event["after"]["rpm"] <= true_rpm.max() + 0.2
    assert '"max_bar":146' in second["after"]["cylinders"]


def test_a_new_chain_on_a_phone(ship: tuple[Aboard, Phone]) -> None:
    """Pins the securing cautions before the chain is parted, and the length booked with the new chain."""
    aboard_, phone = ship
    aboard_.until(AFTER_S)
    phone.start("New chain", "immobilise")

    def part() -> None:
        text = phone.text(".phase-card .step-caution")
        assert "springs apart" in text and "rated and inspected tackle" in text

    seen = phone.follow({"part": part})
    assert seen == until_book(aboard_, "new-chain")
    phone.book()
    phone.finish()
    event = aboard_.adjustments()[-1]
    assert event["what"] == "chain-renewed"
    assert event["after"]["spring_mm"] == pytest.approx(float(aboard_.truth.spring_mm(AFTER_S)), abs=0.05)
