"""The retighten and re-time sheets followed from start to end: the simulated head, the real daemon, the log book."""

import math
import os
import pty
import subprocess
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from firmware_sim import Truth
from gateway.cli.main import main
from gateway.wear.decision import PUMP_STEP_DEG
from tests.daemon_rig import ENTRY
from tests.sheet_rig import Aboard, aboard, figure, said, standing, take

FREE_MM, REQUIRED_MM = 202.9, 23.0
LATE_DEG, PITCH_MM, LINKS, STAND_S = 1.7, 114.3, 10, 200.0


def test_retighten_from_start_to_end(tmp_path: Path) -> None:
    """Pins that the sheet leads to the target, shows that it was passed, that it holds, and that before and after in
    the log book are the head's truth within 0.05 mm."""
    plain = Truth(standing())
    target = FREE_MM - REQUIRED_MM
    over_mm = 0.6
    turns = (float(plain.spring_mm(200.0)) - target + over_mm) / 6.0
    scenario = standing(
        {"at_s": 60.0, "kind": "nut-turn", "turns": turns, "for_s": 60.0},
        {"at_s": 160.0, "kind": "nut-turn", "turns": -over_mm / 6.0, "for_s": 10.0},
    )
    with aboard(tmp_path, scenario) as ship:
        ship.until(40.0)
        sheet = ship.sheet("retighten")
        assert sheet["booking"] is None and "20 min" in " ".join(sheet["cautions"])
        before = take(sheet, "before_mm")
        assert before == pytest.approx(float(ship.truth.spring_mm(40.0)), abs=0.05)
        assert said(ship.sheet("retighten", free_mm=205.0), "a spring does not grow")
        typed: dict[str, object] = {"before_mm": before, "free_mm": FREE_MM}
        sheet = ship.sheet("retighten", **typed)
        assert figure(sheet, "target_mm") == pytest.approx(target)
        assert figure(sheet, "nut_turns") == pytest.approx(turns - over_mm / 6, abs=0.01)
        ship.until(90.0)
        assert 0.1 < figure(ship.sheet("retighten", **typed), "to_go_mm") < before - target
        ship.until(140.0)
        sheet = ship.sheet("retighten", **typed)
        assert said(sheet, "Passed the target by 0.6") and figure(sheet, "nut_turns") < 0
        ship.until(200.0)
        sheet = ship.sheet("retighten", **typed)
        assert said(sheet, "At the target") and abs(figure(sheet, "to_go_mm")) < 0.05
        typed["there_mm"] = take(sheet, "there_mm")
        ship.until(300.0)
        assert said(ship.sheet("retighten", **typed), "The length holds")
        typed["held_mm"] = take(ship.sheet("retighten", **typed), "held_mm")
        sheet = ship.sheet("retighten", **typed, play_links="0,7")
        assert sheet["waits"][0]["since_s"] <= 300.5 and sheet["waits"][0]["least_s"] == 1_200
        event = ship.book(sheet)
    assert event["what"] == "retightened"
    assert event["before"]["spring_mm"] == pytest.approx(float(plain.spring_mm(40.0)), abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(300.0)), abs=0.05)
    assert event["after"]["free_length_mm"] == FREE_MM
    assert "hand play 0.7" in event["text"]


@pytest.mark.slow
def test_retime_from_start_to_end(tmp_path: Path) -> None:
    """Pins that on the turning gear the lag is live within 0.02° while the camshaft is moved, that no zero is booked
    without the gauge, and that before and after in the log book are the head's truth within 0.02°."""
    late = float(Truth(standing(rpm=1.2)).lag_deg(200.0))
    scenario = standing({"at_s": 150.0, "kind": "retime", "deg": -late, "for_s": 60.0}, rpm=1.2)
    with aboard(tmp_path, scenario) as ship:
        ship.until(30.0)
        sheet = ship.sheet("retime", gauge_after_mm="0 0")
        assert sheet["booking"] is None and "whole turn" in sheet["booking_wants"]
        assert said(sheet, "Turn once round")
        ship.until(120.0)
        sheet = ship.sheet("retime", gauge_mm=late * 160 * 3.14159265 / 180)
        before = take(sheet, "before_deg")
        assert before == pytest.approx(float(ship.truth.lag_deg(120.0)), abs=0.02)
        assert said(sheet, "Gauge and encoders agree")
        assert figure(sheet, "cam_deg") == pytest.approx(late, abs=0.02)
        for t_s in (160.0, 175.0, 190.0, 205.0):
            ship.until(t_s)
            # The figure is the mean of the last second, in which the camshaft is moved by a little.
            moved = late / 60
            assert figure(ship.sheet("retime"), "lag_deg") == pytest.approx(
                float(ship.truth.lag_deg(t_s)), abs=0.02 + moved
            )
        ship.until(330.0)
        sheet = ship.sheet("retime", before_deg=before)
        assert sheet["booking"] is None and "pin gauge" in sheet["booking_wants"]
        assert said(sheet, "the camshaft is set")
        assert figure(sheet, "turned_lag_deg") == pytest.approx(float(ship.truth.lag_deg(330.0)), abs=0.02)
        event = ship.book(ship.sheet("retime", before_deg=before, gauge_after_mm="0 0"))
        assert figure(ship.sheet("retime"), "lag_deg") == pytest.approx(0.0, abs=0.005)
    assert event["what"] == "camshaft-set"
    assert event["before"]["lag_deg"] == pytest.approx(float(ship.truth.lag_deg(120.0)), abs=0.02)
    zero_deg = 17.35 + float(ship.truth.lag_deg(330.0))
    assert event["after"]["raw_deg"] == pytest.approx(zero_deg, abs=0.02)


@pytest.mark.slow
def test_the_live_line_follows_the_daemon(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins that `--live` prints cautions, then the large figures from the daemon's readings, and ends in its time."""
    with aboard(tmp_path, standing()) as ship, ship.beating():
        ship.until(30.0)
        assert main(["sheet", "retighten", str(ship.config), "--free", "202.9", "--live", "--for", "0.02"]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert lines[0].startswith("! ")
        shown = float(lines[-1].split("Spring length now ")[1].split()[0])
        assert shown == pytest.approx(float(ship.truth.spring_mm(30.0)), abs=0.05)
        assert "Nut turns to go" in lines[-1] and "minimum 20 min" in lines[-1]


def test_a_whole_sheet_in_the_terminal(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins open, keep, take, tick, countersign, book and close by commands, the mistakes that are refused, the print
    with ticks and names, and the booked figures against the head's truth within 0.05 mm."""
    start = float(Truth(standing()).spring_mm(40.0))
    turns = (start - FREE_MM + REQUIRED_MM) / 6.0
    scenario = standing({"at_s": 60.0, "kind": "nut-turn", "turns": turns, "for_s": 30.0})
    with aboard(tmp_path, scenario) as ship:

        def sheet(*words: str) -> str:
            """What the command prints; an exit status other than 0 is shown as its reason."""
            capsys.readouterr()
            status = main(["sheet", "retighten", str(ship.config), *words])
            shown = capsys.readouterr()
            return shown.out if status == 0 else shown.err

        ship.until(40.0)
        assert "not open" in sheet("--tick", "permit", "--by", "second")
        sheet("--open", "--tick", "immobilise", "permit", "--by", "second")
        assert "a second person must countersign" in sheet("--countersign", "permit", "--by", "second")
        sheet("--countersign", "permit", "--by", "chief")
        sheet("--take", "before_mm", "--by", "second")
        assert "there is no reading that may be taken now" in sheet("--take", "before_mm", "--by", "second")
        assert "a spring does not grow" in sheet("--keep", "--free", "206")
        sheet("--keep", "--free", "202,9")
        assert "there is no reading that may be taken now" in sheet("--take", "there_mm")
        ship.until(140.0)
        sheet("--take", "there_mm", "--tick", "target")
        sheet("--take", "held_mm", "--tick", "hold")
        assert "is locked" in sheet("--keep", "--before", "179.9")
        assert "steps are not ticked" in sheet("--book", "--person", "fitter")
        words = sheet("--book", "--dry", "--reason", "ticked on paper", "--person", "fitter")
        assert "Will be booked: Retightened. Free length 202.9 mm." in words
        sheet("--book", "--reason", "ticked on paper", "--person", "fitter")
        assert "give a reason" in sheet("--book", "--person", "fitter")
        printed = sheet("--tick", "book", "--by", "chief", "--print")
        assert "Tern Passage" in printed and "signature" in printed and "No QR code" in printed
        printed = " ".join(printed.split())
        assert "[x] Chief engineer: permit in force second" in printed and "countersigned by chief" in printed
        assert "booked without all ticks: ticked on paper" in printed
        sheet("--close")
        assert "not open" in sheet()
        event = ship.booked()
    assert event["before"]["spring_mm"] == pytest.approx(start, abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(140.0)), abs=0.05)


@pytest.fixture(scope="module")
def standing_ship(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Aboard]:
    """An engine that was turned once and stands, its camshaft late; three sheets share its daemon."""
    turned = [(20.0, 120.0, 1.2)]
    plain = standing(turned=turned)
    late = {"at_s": 2.0, "kind": "retime", "deg": LATE_DEG - float(Truth(plain).lag_deg(STAND_S)), "for_s": 1.0}
    with aboard(tmp_path_factory.mktemp("ship"), standing(late, turned=turned)) as made:
        made.until(STAND_S)
        yield made


class AtTheShell:
    """Somebody who types commands of one sheet, in this process."""

    def __init__(self, ship: Aboard, name: str, capsys: pytest.CaptureFixture[str]) -> None:
        self._ship, self._name, self._capsys = ship, name, capsys
        self.steps = [s["key"] for s in ship.sheet(name)["steps"]]

    def __call__(self, *words: str) -> str:
        """What the command prints, in one line; an exit status other than 0 is shown as its reason."""
        self._capsys.readouterr()
        status = main(["sheet", self._name, str(self._ship.config), *words])
        shown = self._capsys.readouterr()
        return " ".join((shown.out if status == 0 else shown.err).split())

    def follow(self, at: Mapping[str, Callable[[], object]]) -> None:
        """Tick step by step in the sheet's order up to the booking; what `at` has for a step comes before its tick."""
        waiting: list[str] = []
        for key in self.steps[: self.steps.index("book")]:
            if key in at:
                if waiting:
                    self("--tick", *waiting, "--by", "second")
                    waiting = []
                at[key]()
            waiting.append(key)
        self("--tick", *waiting, "--by", "second")

    def book(self, words: str) -> dict[str, Any]:
        """Check, book, tick what is left, print and close; the event in the log book."""
        before = len(self._ship.adjustments())
        assert words in self("--book", "--dry", "--person", "fitter")
        assert len(self._ship.adjustments()) == before, "nothing is booked by --dry"
        self("--book", "--person", "fitter")
        assert "give a reason" in self("--book", "--person", "fitter"), "a twin"
        self("--tick", *self.steps[self.steps.index("book") :], "--by", "chief")
        printed = self("--print")
        assert "[ ]" not in printed and "Booked as" in printed and printed.count("[x]") == len(self.steps)
        self("--close")
        assert "not open" in self()
        made = self._ship.adjustments()
        assert len(made) == before + 1
        return made[-1]


def test_links_in_a_terminal(standing_ship: Aboard, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins links from opening to closing: a count and a length that cannot be are refused, the elongation shown and
    the figures booked are the simulated chain's."""
    at = AtTheShell(standing_ship, "links", capsys)
    true_percent = float(standing_ship.truth.elongation_percent(STAND_S))
    length = f"{LINKS * PITCH_MM * (1 + true_percent / 100):.2f}"
    at("--open", "--by", "second")

    def measure() -> None:
        assert "count again" in at("--keep", "--length", "2000", "--by", "second")
        assert "Still needed" in at()
        at("--keep", "--length", length.replace(".", ","), "--by", "second")

    at.follow({"count": lambda: at("--keep", "--links", str(LINKS), "--by", "second"), "measure": measure})
    shown = figure(standing_ship.sheet("links"), "percent")
    assert shown == pytest.approx(true_percent, abs=0.002)
    event = at.book("Will be booked: Links measured.")
    assert event["what"] == "links-measured"
    assert (event["after"]["links"], event["after"]["length_mm"]) == (LINKS, float(length))


def test_compensation_in_a_terminal(standing_ship: Aboard, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins compensation from opening to closing: fuel is shut off before a pump is touched, unticked steps are no
    booking, and the advance booked is the head's true lag within a step of the pumps."""
    at = AtTheShell(standing_ship, "compensate", capsys)
    late = float(standing_ship.truth.lag_deg(STAND_S))
    screen = at("--open", "--by", "second")
    assert screen.index("Fuel under pressure") < screen.index("[fuel-off]") < screen.index("[set]")
    assert "steps are not ticked" in at("--book", "--person", "fitter")
    assert "that is not wear. Find the cause first" in at("--keep", "--lag", "-0.5", "--by", "second")
    at.follow({})
    event = at.book("Will be booked: ")
    pumps = [float(x) for x in str(event["after"]["pumps_deg"]).strip("[]").split(",")]
    assert event["what"] == "pumps-compensated" and pumps == pytest.approx([late] * len(pumps), abs=PUMP_STEP_DEG)


@pytest.mark.slow
def test_a_new_chain_in_a_terminal(standing_ship: Aboard, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins a new chain from opening to closing: the securing cautions stand before the chain is parted, and the length
    booked with it is the head's truth within 0.05 mm."""
    at = AtTheShell(standing_ship, "new-chain", capsys)
    screen = at("--open", "--by", "second")
    assert screen.index("[release]") < screen.index("springs apart") < screen.index("[part]")
    assert "rated and inspected tackle" in screen
    at.follow({"part": lambda: at("--countersign", "permit", "--by", "chief")})
    event = at.book("Will be booked: ")
    assert event["what"] == "chain-renewed"
    assert event["after"]["spring_mm"] == pytest.approx(float(standing_ship.truth.spring_mm(STAND_S)), abs=0.05)


class Terminal:
    """Somebody at a real terminal: each command is a process of its own with a pty for its screen."""

    def __init__(self, ship: Aboard, sheet: str) -> None:
        self._ship, self._sheet = ship, sheet

    def __call__(self, *words: str) -> str:
        """What stands on the screen after the command, in one line."""
        master, screen = pty.openpty()
        command = [*ENTRY, "sheet", self._sheet, str(self._ship.config), *words]
        child = subprocess.Popen(
            command, stdin=screen, stdout=screen, stderr=screen, env=os.environ | {"TERM": "xterm"}
        )
        os.close(screen)
        shown = b""
        try:
            while piece := os.read(master, 65_536):
                shown += piece
        except OSError:
            # The other end is closed: the command has ended.
            pass
        os.close(master)
        child.wait(180)
        return " ".join(shown.decode().split())

    def steps(self, first: str, last: str) -> list[str]:
        """Keys of the steps from this one to that one."""
        keys = [s["key"] for s in self._ship.sheet(self._sheet)["steps"]]
        return keys[keys.index(first) : keys.index(last) + 1]


@pytest.mark.slow
def test_a_locked_tightener_in_a_terminal(tmp_path: Path) -> None:
    """Pins retightening with a locked tightener, phase by phase: the fall to the seat is right, nothing is offered out
    of its phase, and what is booked is the head's truth within 0.05 mm."""
    seated_mm, target_mm = 177.4, FREE_MM - REQUIRED_MM
    start = float(Truth(standing()).spring_mm(40.0))
    scenario = standing(
        {"at_s": 900.0, "kind": "nut-turn", "turns": (start - target_mm) / 6.0, "for_s": 30.0},
        {"at_s": 1_800.0, "kind": "nut-turn", "turns": (target_mm - seated_mm) / 6.0, "for_s": 20.0},
    )
    tightener: dict[str, Any] = {"kind": "locked", "locked_at_mm": seated_mm}
    with aboard(tmp_path, scenario, tightener=tightener) as ship, ship.beating():
        at = Terminal(ship, "retighten")
        ship.until(40.0)
        at("--open", "--take", "before_mm", "--tick", *at.steps("immobilise", "release"), "--by", "second")
        at("--countersign", "permit", "--by", "chief")
        assert "no reading that may be taken now" in at("--take", "there_mm", "--keep", "--free", "202,9")
        ship.until(1_000.0)
        screen = at("--take", "there_mm", "held_mm", "--tick", *at.steps("free-length", "hold"), "--by", "second")
        assert "[x] " in screen and "\x1b" not in screen
        assert "no reading that may be taken now" in at("--take", "seated_mm")
        assert "seated length (press SEATED)" in at("--book", "--person", "fitter")
        ship.until(1_900.0)
        screen = at("--take", "seated_mm", "--tick", *at.steps("seat", "gear-out"), "unblock", "--by", "second")
        assert "OK: " in screen and not said(ship.sheet("retighten"), "losing tension")
        assert "is locked" in at("--keep", "--there", "179.0")
        at("--take", "turned_mm", "--by", "second")
        assert "Will be booked: Retightened" in at("--book", "--dry", "--person", "fitter")
        at("--book", "--person", "fitter")
        at("--tick", "book", "air-on", "--by", "chief")
        printed = at("--print")
        assert "second (root), " in printed and "countersigned by chief" in printed
        at("--close")
        event = ship.booked()
    assert event["before"]["spring_mm"] == pytest.approx(start, abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(float(ship.truth.spring_mm(1_900.0)), abs=0.05)
    assert event["after"]["spring_mm"] == pytest.approx(seated_mm, abs=0.05)


@pytest.mark.slow
def test_a_whole_retime_in_a_terminal(tmp_path: Path) -> None:
    """Pins re-timing two sections from opening to the running zero: the lag before is taken once, the second section
    that is out is shown and booked, zero and lag are the head's truth within 0.02°, the running zero is
    taken under way."""
    turned = [(600.0, 700.0, 1.2), (2_100.0, 2_200.0, 1.2), (3_300.0, 4_500.0, 90.0)]
    late = float(Truth(standing(turned=turned)).lag_deg(800.0))
    scenario = standing({"at_s": 1_500.0, "kind": "retime", "deg": -late, "for_s": 30.0}, turned=turned)
    with aboard(tmp_path, scenario, lag={"camshaft_sections": 2}) as ship, ship.beating():
        at = Terminal(ship, "retime")
        ship.until(15.0)
        at("--open", "--tick", *at.steps("pressures-before", "chain-first"), "--by", "second")
        assert "no reading that may be taken now" in at("--take", "before_deg")
        ship.until(800.0)
        gauge = f"{160.0 * math.radians(late):.2f}"
        at("--take", "before_deg", "--keep", "--gauge", gauge, "1.4", "--by", "second")
        assert "no reading that may be taken now" in at("--take", "before_deg"), "a second time"
        screen = at("--tick", *at.steps("whole-turn", "pressure-on"), "--by", "second")
        assert "Gauge and encoders agree" in screen and ">> AHEAD" in screen
        assert "The next phase has started" in at("--take", "before_deg")
        ship.until(1_600.0)
        screen = at("--take", "oil_off", "oil_off_2", "--by", "second")
        assert "By the encoders the camshaft is set" in screen and "Encoders and gauge differ" not in screen
        assert "is locked" in at("--keep", "--before", "0.1")
        assert "still needed: the pin gauge" in at("--book", "--person", "second", "--reason", "x")
        ship.until(2_300.0)
        screen = at("--keep", "--gauge-after", "0", "1.5", "--by", "second")
        assert "Section 2 is still 0.54° (crank) late" in screen
        at("--tick", *at.steps("turn-camshaft", "unblock"), "--by", "second")
        assert "no reading that may be taken now" in at("--take", "running_deg"), "the engine stands"
        at("--book", "--person", "second")
        assert "give a reason" in at("--book", "--person", "second")
        at("--tick", "book", "air-on", "--by", "chief")
        ship.until(3_700.0)
        screen = at("--take", "running_deg", "--by", "second")
        assert "The running zero holds" in screen
        at("--tick", "running-zero", "pressures-after", "--by", "second")
        under_way = float(ship.sheet("retime")["record"]["figures"]["running_deg"])
        at("--close")
        event = ship.booked()
    assert event["what"] == "camshaft-set" and "section 2: gauge 1.5 mm" in event["text"]
    assert event["before"]["lag_deg"] == pytest.approx(float(ship.truth.lag_deg(800.0)), abs=0.02)
    assert event["after"]["raw_deg"] == pytest.approx(17.35 + float(ship.truth.lag_deg(2_300.0)), abs=0.02)
    moved = float(ship.truth.lag_deg(3_700.0) - ship.truth.lag_deg(2_300.0))
    assert under_way == pytest.approx(moved, abs=0.05)
