"""How a sheet writes its figures: units that cannot be mistaken, no negative zero, commas taken, points given; and a
locked length that fits nothing is found before the work."""

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import zxingcpp

from gateway.cli.main import main
from gateway.cli.sheet import text_of
from gateway.model.enums import Quality, Running
from gateway.model.records import Measured
from gateway.wear.datum import from_settings
from gateway.wear.plausibility import plausibility
from gateway.worksheet.catalogue import SHEETS, as_data, sheet
from gateway.worksheet.sheet import Facts, Step
from tests.daemon_rig import example, written
from tests.drive_engines import tern

UNITS = {"", "mm", "%", "°", "° (crank)", "° (camshaft)", "turns", "links", "bar", "kW", "rpm", "h"}
ENGINE = tern()
INK = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}
"""What a character leaves on the paper, above and below."""


def facts(**known: Any) -> Facts:
    """The engine on the turning gear with good readings."""
    made = Facts(ENGINE, from_settings(ENGINE), running=Running.TURNING, hours=22_000.0, rpm=90.0)
    return replace(made, spring=Measured(180.1996, Quality.GOOD), lag=Measured(-0.0004, Quality.GOOD), **known)


@pytest.mark.parametrize("name", list(SHEETS))
def test_units_are_those_of_the_trade(name: str) -> None:
    """Degrees name their shaft; no word stands where a unit should."""
    made = sheet(name, facts(), {})
    assert {f.unit for f in made.figures} | {i.unit for i in made.inputs} <= UNITS


@pytest.mark.parametrize("name", list(SHEETS))
def test_nothing_is_negative_zero(name: str) -> None:
    """A hair below zero is shown as zero, on the page and in a terminal, in figures and in sentences."""
    typed = {"free_mm": "203.2", "before_mm": "182.0", "there_mm": "180.2", "held_mm": "180.2", "before_deg": "0.5",
             "gauge_mm": "0", "gauge_after_mm": "0"}  # fmt: skip
    zero = ENGINE.lag.zero_deg or 0.0
    for changes in ({}, {"raw_deg": zero - 0.0004, "whole_turn": True}):
        for given in ({}, {"free_mm": "203.2"}, typed):
            data = as_data(sheet(name, facts(**changes), given))
            shown = [f["value"] for f in data["figures"] if isinstance(f["value"], float)]
            assert all(math.copysign(1, v) > 0 for v in shown if v == 0)
            assert not re.search(r"[-−]0(\.0+)?(?![\d.])", text_of(data, "")), name


@pytest.mark.parametrize("kind", ["sprung", "locked"])
@pytest.mark.parametrize("name", list(SHEETS))
def test_each_caution_is_on_the_terminal_s_print(name: str, kind: str) -> None:
    """Every caution of the sheet, and every step's own before that step; as often as it is given."""
    engine = tern(tightener={"kind": kind} | ({"locked_at_mm": 177.4} if kind == "locked" else {}))
    made = sheet(name, replace(facts(), engine=engine, datum=from_settings(engine)), {})
    printed = " ".join(text_of(as_data(made), "").split())
    own = [s.caution for s in made.steps if s.caution]
    assert len(made.cautions) > 1 and own
    place = 0
    for words in [*(f"! {c}" for c in made.cautions), *(w for s in made.steps for w in _of_step(s))]:
        found = printed.find(" ".join(words.split()), place)
        assert found >= 0, f"{words!r} is missing, or out of its order"
        place = found + len(words)


def _of_step(step: Step) -> list[str]:
    return ([f"! {step.caution}"] if step.caution else []) + [f". {step.text}"]


def test_a_comma_is_taken_and_a_point_given() -> None:
    """As it is typed on many keyboards; what comes out has a point."""
    made = sheet("retighten", facts(), {"free_mm": "203,2"})
    assert made.figure("target_mm") == pytest.approx(180.2) and not made.refused
    assert "180.20" in text_of(as_data(made), "") and not re.search(r"\d,\d", text_of(as_data(made), ""))


@pytest.mark.parametrize(("locked_at_mm", "found"), [(150.0, True), (210.0, True), (180.0, False)])
def test_a_locked_length_that_fits_nothing_is_found(locked_at_mm: float, found: bool) -> None:
    """By `check`, before anybody stands at the drive."""
    said = plausibility(tern(tightener={"kind": "locked", "locked_at_mm": locked_at_mm}))
    assert any("check locked_at_mm" in x for x in said) is found


@pytest.mark.parametrize("name", ["links", "retime"])
def test_the_terminal_s_code_is_read_from_paper(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins that what goes to a printer, ink on white, is read as it stands by a reader that knows no inverted codes,
    and gives the sheet's address on the ship's page."""
    data = example(tmp_path, None)
    data["page"] = {"port": 8080, "listen": "0.0.0.0", "names": ["tern-passage.example"]}
    assert main(["sheet", name, str(written(tmp_path, data)), "--print"]) == 0
    *lines, address = capsys.readouterr().out.splitlines()
    drawn = [line for line in lines if len(line) > 20 and set(line) <= set(INK)]
    modules = [[INK[c][half] for c in line] for line in drawn for half in (0, 1)]
    paper = 255 * (1 - np.kron(np.array(modules, np.uint8), np.ones((4, 4), np.uint8)))
    read = zxingcpp.read_barcodes(paper.astype(np.uint8), try_invert=False)
    assert [x.text for x in read] == [address] == [f"http://tern-passage.example:8080/#sheets/{name}"]
