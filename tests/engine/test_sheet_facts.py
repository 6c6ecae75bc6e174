"""What a work sheet is made from: how old a burst's reading is."""

import math
from pathlib import Path

import pytest
from commands_rig import InStep, Outlets
from firmware_sim_voyages import START_UTC_S, pipeline

from firmware_sim import Head, Truth
from gateway.engine.sheet_facts import LIVE_S, facts_of
from gateway.measure.timeline import Now
from tests.sheet_rig import aboard, standing


@pytest.mark.parametrize(
    ("age_s", "shown"), [(None, None), (1.0, None), (LIVE_S + 1, LIVE_S + 1), (420.0, 420.0), (math.inf, math.inf)]
)
def test_a_burst_s_reading_is_shown_with_its_age(age_s: float | None, shown: float | None) -> None:
    """Of a head that sends continuously, or of a fresh burst, the reading is live; by head time no age is known."""
    made = pipeline()
    engine = InStep(made, Outlets())
    detail = engine.snapshot.view.detail
    assert detail is not None
    now_s = None if age_s is None else detail.utc_s + age_s
    found = facts_of(made.engine, engine.snapshot, now_s).burst_age_s
    assert found == (None if shown is None else pytest.approx(shown))


def test_the_length_follows_the_nut_four_times_a_second() -> None:
    """Pins that while a nut is turned on the standing engine the sheet's length changes with each of the head's frames,
    ten a second, and is the mean of the last second: within 0.06 mm of the truth half a second ago."""
    scenario = standing({"at_s": 10.0, "kind": "nut-turn", "turns": 0.5, "for_s": 10.0})
    scenario = scenario.model_copy(update={"head": scenario.head.model_copy(update={"rate_hz": 500.0})})
    made, truth, seen = pipeline(), Truth(scenario), []
    for data, t_us in Head(scenario).frames():
        if t_us > 16_000_000:
            break
        made.feed(data, Now(t_us / 1e6, START_UTC_S + t_us / 1e6))
        if t_us > 15_000_000:
            seen.append((t_us / 1e6, facts_of(made.engine, InStep(made, Outlets()).snapshot).spring_mm))
    lengths = {mm for _, mm in seen}
    assert len(lengths) >= 8 and None not in lengths
    for t_s, mm in seen:
        assert mm == pytest.approx(float(truth.spring_mm(t_s - 0.5)), abs=0.06)


def test_by_head_time_a_burst_confirms_no_target(tmp_path: Path) -> None:
    """Pins that where the age of a burst's reading cannot be known, it is not taken for the present one: no figure is
    offered, and a notice gives the reason."""
    scenario = standing()
    scenario = scenario.changed(head={"burst_s": 20.0, "every_s": 1_200.0})
    with aboard(tmp_path, scenario, {}, head={"burst_pause_s": 1_180.0}, source="head") as ship:
        ship.until(19.0)
        ship.act("retighten", "open")
        sheet = ship.sheet("retighten")
    assert all(i["take"] is None for i in sheet["inputs"])
    assert any("bursts: the reading is of unknown age" in n["text"] for n in sheet["notices"])
