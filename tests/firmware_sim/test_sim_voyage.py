"""Drawn voyages: the same from the same seed, varied over seeds, and with a truth file that names every fault."""

import json

import numpy as np
import pytest

from firmware_sim import Head, Truth, draw_voyage
from firmware_sim.truth_file import document
from firmware_sim.voyage_faults import FAULTS, WIRINGS

SEEDS = range(60)


def test_a_seed_gives_one_voyage() -> None:
    """Same seed, same scenario and bytes; leaving the faults out leaves course, sea and head as they are."""
    first, again = draw_voyage(3, days=12), draw_voyage(3, days=12)
    assert first.scenario == again.scenario
    assert Head(first.scenario).capture(7_200) == Head(again.scenario).capture(7_200)
    calm = draw_voyage(3, days=12, faults=False)
    for table in ("head", "engine", "sea", "chain", "clock", "build"):
        assert getattr(calm.scenario, table) == getattr(first.scenario, table)
    assert calm.faults == []


@pytest.mark.slow
def test_the_sea_is_drawn_as_wide_as_it_is_believed() -> None:
    """Over sixty seeds: ride-out over 0 to 1, legs either way, storms, unbooked work, wrong fittings, odd clocks."""
    drawn = [draw_voyage(seed) for seed in SEEDS]
    rides = [v.scenario.chain.ride_out for v in drawn]
    assert min(rides) < 0.1 and max(rides) > 0.9
    assert all(78 <= rpm <= 100 for v in drawn for rpm in _sea_speeds(v.scenario.engine.speed))
    legs = [len(v.scenario.sea.loading) for v in drawn]
    assert max(legs) > 2
    storms = [s for v in drawn for s in v.scenario.sea.storm]
    assert storms and all(3 <= rpm <= 8 and 6 <= period <= 20 for _, _, rpm, period in storms)
    work = [e for v in drawn for e in v.scenario.event if e.kind in ("nut-turn", "retime")]
    assert {e.booked for e in work} == {True, False}
    assert any(v.wiring for v in drawn) and not all(v.wiring for v in drawn)
    assert any(v.scenario.clock.jitter_us or v.scenario.clock.tick_us > 1 for v in drawn)


def _sea_speeds(points: list[tuple[float, float]]) -> list[float]:
    return [rpm for _, rpm in points if rpm > 60]


def test_each_fault_comes_up() -> None:
    """Of three hundred seeds as many as it takes: every kind of fault is drawn, each within the voyage."""
    seen: set[str] = set()
    for seed in range(300):
        if len(seen) == len(FAULTS):
            break
        v = draw_voyage(seed)
        seen |= {name for name, _, _ in v.faults}
        assert all(0 <= begin < v.days * 86_400 for _, begin, _ in v.faults)
    assert seen == {f.name for f in FAULTS}


def test_truth_file_says_what_was_true_when() -> None:
    """Ride-out, faults with their times, work, and rows of figures, as one JSON document."""
    v = next(v for v in map(draw_voyage, SEEDS) if len(v.faults) > 2)
    end_s = 10 * 86_400.0
    truth = json.loads("".join(document(v.scenario, end_s, every_s=3_600.0)))
    assert truth["ride_out"] == v.scenario.chain.ride_out
    kinds = [(e["kind"], e["from_s"]) for e in truth["faults"] + truth["work"]]
    assert sorted(kinds) == sorted((e.kind, e.at_s) for e in v.scenario.event)
    rows, at = np.array(truth["rows"]), truth["columns"].index
    assert len(rows) == 241
    assert rows[100, at("lag_deg")] == pytest.approx(float(Truth(v.scenario).lag_deg(100 * 3_600.0)), abs=1e-5)
    assert set(rows[:, at("loading")]) <= {0.0, 1.0}
    assert np.all(np.diff(rows[:, at("elongation_percent")]) >= 0)


@pytest.mark.slow
@pytest.mark.parametrize("wiring", WIRINGS)
def test_every_wrong_fitting_plays(wiring: str) -> None:
    """A voyage can be sailed with each mistake; its name is kept."""
    v = draw_voyage(1, days=12, wiring=wiring)
    assert v.wiring == wiring
    assert len(Head(v.scenario).capture(3_600)) > 1_000


def test_a_voyage_can_be_played_by_its_seed() -> None:
    """`voyage:SEED` names a scenario, as a built-in one's name does."""
    from firmware_sim import load_scenario

    assert load_scenario("voyage:5") == draw_voyage(5).scenario
