"""The truth's own identities: handbook sums 7 and 8, hours, warmth, the crew's work."""

import math

import numpy as np
import pytest

from firmware_sim import Truth, load_scenario, parse_scenario

STEADY = load_scenario("steady")
CALM = {"sea": [], "load_wander": []}


def calm(**tables: dict) -> Truth:
    engine = CALM | tables.pop("engine", {})
    thermal = {"ambient_wander": []} | tables.pop("thermal", {})
    return Truth(STEADY.changed(engine=engine, thermal=thermal, **tables))


def test_one_per_cent_is_the_lag_of_sum_7() -> None:
    """1 % of elongation is ε·S/R: 3.68° on the invented vessel, as its page says."""
    radius_mm = 114.3 / math.sin(math.pi / 45) / 2
    assert calm().lag_deg_per_percent == pytest.approx(math.degrees(0.01 * 46 * 114.3 / radius_mm))
    assert round(calm().lag_deg_per_percent, 2) == 3.68


def test_four_stroke_lag_is_in_degrees_of_the_crank() -> None:
    """With a cam wheel of twice the teeth, ε·S/R of the camshaft is twice as much of the crank."""
    radius_mm = 114.3 / math.sin(math.pi / 90) / 2
    truth = calm(engine={"ratio": 2}, chain={"cam_teeth": 90})
    assert truth.lag_deg_per_percent == pytest.approx(2 * math.degrees(0.01 * 46 * 114.3 / radius_mm))


def test_one_degree_goes_with_the_travel_of_sum_8() -> None:
    """1° of lag goes with 8.2 mm of spring travel on the invented vessel, as its page says."""
    truth = calm()
    assert truth.spring_mm_per_percent == pytest.approx(0.01 * 150 * 114.3 / (2 * math.sin(math.pi / 4)) * 0.25)
    assert round(truth.spring_mm_per_percent / truth.lag_deg_per_percent, 1) == 8.2


def test_wear_carries_lag_and_spring_together() -> None:
    """Over 1,000 running hours elongation grows by its rate, and lag and spring by sums 7 and 8 of it."""
    truth = calm(chain={"wear_percent_per_1000h": 0.03})
    begin, end = 0.0, 3.6e6
    assert truth.elongation_percent(end) - truth.elongation_percent(begin) == pytest.approx(0.03)
    assert truth.lag_deg(end) - truth.lag_deg(begin) == pytest.approx(0.03 * truth.lag_deg_per_percent)
    assert truth.spring_mm(end) - truth.spring_mm(begin) == pytest.approx(0.03 * truth.spring_mm_per_percent)


def test_wear_rate_factor_hastens_wear_and_not_the_hours() -> None:
    """A minute with a factor of 60,000 carries a thousand hours of wear in one minute of running hours."""
    truth = calm(chain={"wear_rate_factor": 60_000, "wear_percent_per_1000h": 0.03})
    assert truth.elongation_percent(60.0) - truth.elongation_percent(0.0) == pytest.approx(0.03)
    assert truth.hours(60.0) == pytest.approx(1 / 60)


def test_lag_counts_from_the_camshaft_setting() -> None:
    """A chain no longer than when the camshaft was set, warm and at reference speed, has no lag."""
    truth = calm(chain={"elongation_percent": 0.05})
    assert truth.lag_deg(0.0) == pytest.approx(0, abs=1e-9)


def test_a_new_chain_beds_in() -> None:
    """Bedding adds its whole growth within a few times its hours, most of it at first."""
    truth = calm(chain={"bedding_percent": 0.1, "bedding_h": 100, "wear_percent_per_1000h": 0.0})
    hours = np.array([0.0, 100.0, 1_000.0])
    grown = truth.elongation_percent(hours * 3600) - 0.28
    assert grown == pytest.approx([0, 0.1 * (1 - math.exp(-1)), 0.1], abs=1e-5)


def test_hours_count_ahead_and_astern_only() -> None:
    """An hour ahead, an hour stopped, an hour on the turning gear, an hour astern: two running hours."""
    speed = [(0, 96), (3600, 96), (3600.001, 0), (7200, 0), (7200.001, 1), (10800, 1), (10800.001, -50), (14400, -50)]
    truth = calm(engine={"speed": [(float(t), float(r)) for t, r in speed]})
    assert truth.hours(14_400.0) == pytest.approx(2, abs=1e-5)
    assert truth.turns(3_600.0) == pytest.approx(96 * 60)


def test_ramps_of_speed_are_cut_where_running_begins() -> None:
    """On a ramp from 0 to 100 rpm in 100 s, running hours count from 2 rpm on, and turns are half the product."""
    truth = calm(engine={"speed": [(0.0, 0.0), (100.0, 100.0)]})
    assert truth.hours(100.0) * 3600 == pytest.approx(98)
    assert truth.turns(100.0) == pytest.approx(100 / 60 * 50)


def test_cold_start_warms_casing_before_frame() -> None:
    """From cold the casing warms by its time constant, the frame later; lag and spring wander and come back."""
    thermal = {"warm_at_start": False}
    truth = calm(thermal=thermal, chain={"wear_percent_per_1000h": 0.0})
    tau_s = 35 * 60
    assert truth.casing_c(0.0) == pytest.approx(32)
    assert truth.casing_c(float(tau_s)) == pytest.approx(32 + 24 * (1 - math.exp(-1)))
    t = np.linspace(0, 24 * 3600, 1_000)
    away = truth.lag_deg(t) - truth.lag_deg(t)[-1]
    assert away.max() > 0.03
    assert abs(away[-50:]).max() < 1e-3


def test_locked_tightener_does_not_move() -> None:
    """A locked tightener's length stands while the lag grows; only an event moves it."""
    text = '[tightener]\nkind = "locked"\n[[event]]\nkind = "nut-backs-off"\nat_s = 7.2e6\nmm = 0.8'
    truth = Truth(parse_scenario(text))
    t = np.array([0.0, 3.6e6, 7.1e6])
    assert np.ptp(truth.spring_mm(t)) == 0
    assert truth.lag_deg(7.1e6) > truth.lag_deg(0.0) + 0.1
    assert truth.spring_mm(7.3e6) - truth.spring_mm(0.0) == pytest.approx(0.8)


def test_the_crew_turns_nut_and_camshaft() -> None:
    """A nut turn shortens the spring by its pitch, gradually; a re-timing moves the lag by its degrees."""
    text = """
    [chain]
    wear_percent_per_1000h = 0
    [engine]
    speed = [[0, 0]]
    [[event]]
    kind = "nut-turn"
    at_s = 100
    turns = 0.5
    for_s = 60
    [[event]]
    kind = "retime"
    at_s = 300
    deg = -0.8
    for_s = 10
    [[event]]
    kind = "tooth-jump"
    at_s = 500
    """
    truth = Truth(parse_scenario(text).changed(thermal={"ambient_wander": []}, engine={"load_wander": []}))
    spring = truth.spring_mm(np.array([99.0, 130.0, 161.0]))
    assert spring - spring[0] == pytest.approx([0, -1.5, -3.0], abs=1e-3)
    lag = truth.lag_deg(np.array([299.0, 305.0, 311.0, 499.9, 500.0]))
    assert lag - lag[0] == pytest.approx([0, -0.4, -0.8, -0.8, 7.2], abs=1e-3)


def test_astern_changes_taut_and_slack_side_over() -> None:
    """Astern the lag and the spring stand elsewhere by the scenario's figures."""
    truth = calm(engine={"speed": [(0.0, 96.0), (10.0, 96.0), (20.0, -96.0)]})
    assert truth.lag_deg(30.0) - truth.lag_deg(0.0) == pytest.approx(-1.4, abs=1e-3)
    assert truth.spring_mm(30.0) - truth.spring_mm(0.0) == pytest.approx(-3.0, abs=1e-2)


def test_lag_stretches_with_load_and_speed() -> None:
    """At lower speed and load the taut strand is shorter and the lag less, by the scenario's coefficients."""
    fast, slow = calm(), calm(engine={"speed": [(0.0, 75.0)]})
    wanted = 0.002 * (75 - 96) + 0.12 * ((75 / 104) ** 3 - (96 / 104) ** 3)
    warmth = 0.01 * ((75 / 96 - 1) * 24 - (75 / 96 - 1) * 17)
    assert slow.lag_deg(0.0) - fast.lag_deg(0.0) == pytest.approx(wanted + warmth, abs=1e-9)


def test_revolutions_are_whole_turns() -> None:
    """Each row of the truth is one turn: they join without a gap, and their speeds average to the timetable's."""
    rows = calm().revolutions(0.0, 60.0)
    assert len(rows.lag_deg) in (95, 96)
    assert rows.begin_s[1:] == pytest.approx(rows.end_s[:-1])
    assert rows.rpm == pytest.approx(np.full(len(rows.rpm), 96.0), abs=0.05)


def test_revolutions_across_a_stop_are_refused() -> None:
    """Turns across a stop have no length in time and are refused."""
    truth = calm(engine={"speed": [(0.0, 60.0), (10.0, 0.0), (20.0, 0.0), (30.0, 60.0)]})
    with pytest.raises(ValueError, match="one way"):
        truth.revolutions(0.0, 40.0)


def test_truth_of_the_sea_is_the_seeds() -> None:
    """The seaway's phases come from the seed: same seed, same speed; another, another."""
    t = np.linspace(0, 100, 50)
    assert (Truth(STEADY, 3).rpm(t) == Truth(STEADY, 3).rpm(t)).all()
    assert not np.allclose(Truth(STEADY, 3).rpm(t), Truth(STEADY, 4).rpm(t))


def test_csv_holds_the_same_figures() -> None:
    """The truth file's rows are the functions' figures at their times."""
    truth = Truth(STEADY)
    head, *rows = list(truth.csv(30.0, every_s=10.0))
    assert head.startswith("t_s,hours,rpm,lag_deg,spring_mm")
    assert len(rows) == 4
    last = [float(x) for x in rows[-1].split(",")]
    assert last[0] == 30.0
    assert last[3] == pytest.approx(float(truth.lag_deg(30.0)), abs=1e-6)
