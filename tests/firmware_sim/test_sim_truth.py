"""The truth's own identities: wear, ride-out, hours, warmth, sea, the crew's work."""

import math

import numpy as np
import pytest

from firmware_sim import Truth, load_scenario, parse_scenario
from firmware_sim.truth_file import csv

STEADY = load_scenario("steady")
CALM = {"sea": [], "load_wander": []}


def calm(**tables: dict) -> Truth:
    engine = CALM | tables.pop("engine", {})
    thermal = {"ambient_wander": []} | tables.pop("thermal", {})
    return Truth(STEADY.changed(engine=engine, thermal=thermal, **tables))


def test_wear_carries_lag_and_spring_together() -> None:
    """Over 1,000 running hours elongation grows by its rate, and lag and spring by what one per cent of it gives."""
    truth = calm(chain={"wear_percent_per_1000h": 0.03})
    begin, end = 0.0, 3.6e6
    assert truth.elongation_percent(end) - truth.elongation_percent(begin) == pytest.approx(0.03)
    lag, spring = truth.lag_deg(end) - truth.lag_deg(begin), truth.spring_mm(end) - truth.spring_mm(begin)
    assert lag == pytest.approx(0.03 * truth.lag_deg_per_percent, rel=0.01)
    assert spring == pytest.approx(0.03 * truth.spring_mm_per_percent, rel=0.01)


@pytest.mark.parametrize(("ride_out", "mm_per_deg"), [(0.0, 8.1), (1.0, 4.9)])
def test_ride_out_decides_what_the_tightener_sees(ride_out: float, mm_per_deg: float) -> None:
    """The lag hardly depends on ride-out; the tightener sees between all of the loop's growth and 0.6 of it."""
    truth = calm(chain={"ride_out": ride_out})
    assert truth.lag_deg_per_percent == pytest.approx(3.66, abs=0.025)
    assert truth.spring_mm_per_percent / truth.lag_deg_per_percent == pytest.approx(mm_per_deg, abs=0.1)


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
    """Astern the spring stands at its stop, and the chain that the tightener gives free turns the camshaft."""
    truth = calm(engine={"speed": [(0.0, 96.0), (10.0, 96.0), (20.0, -96.0)]})
    assert truth.spring_mm(30.0) - truth.spring_mm(0.0) == pytest.approx(-3.0, abs=1e-2)
    # About 0.4 degrees for each mm of spring length.
    assert truth.lag_deg(30.0) - truth.lag_deg(0.0) == pytest.approx(-3.0 * 0.4, abs=0.05)


@pytest.mark.parametrize(("ride_out", "deg_per_percent"), [(0.0, 11.9), (1.0, 7.1)])
def test_lost_motion_of_a_locked_drive(ride_out: float, deg_per_percent: float) -> None:
    """With a locked tightener the slack since its last tightening goes over to the other strand astern."""
    speed = [(0.0, 96.0), (10.0, 96.0), (20.0, -96.0)]
    tightener = {"kind": "locked", "tightened_at_percent": 0.08}
    truth = calm(engine={"speed": speed}, tightener=tightener, chain={"ride_out": ride_out})
    assert truth.lag_deg(0.0) - truth.lag_deg(30.0) == pytest.approx(0.2 * deg_per_percent, abs=0.05)
    assert truth.slack_mm(0.0) > 20
    taken_up = tightener | {"tightened_at_percent": 0.28}
    tight = calm(engine={"speed": speed}, tightener=taken_up, chain={"ride_out": ride_out})
    assert tight.lag_deg(0.0) == pytest.approx(float(tight.lag_deg(30.0)), abs=1e-3)


def test_lag_stretches_with_load_and_speed() -> None:
    """At lower speed and load the lag is less: less fuel a stroke winds the shaft up less, less speed pulls less."""
    fast, slow = calm(), calm(engine={"speed": [(0.0, 75.0)]})
    pull = 0.002 * (75**2 - 96**2) / (2 * 96)
    wind = 0.12 * ((75 / 104) ** 2 - (96 / 104) ** 2)
    warmth = 0.0043 * ((75 / 96 - 1) * 24 - (75 / 96 - 1) * 17)
    assert slow.lag_deg(0.0) - fast.lag_deg(0.0) == pytest.approx(pull + wind + warmth, abs=1e-3)


def test_warmth_moves_lag_and_spring_together() -> None:
    """A chain warmer than its frame: 0.0042 degrees and 0.025 to 0.035 mm a kelvin (order of magnitude)."""
    day = np.linspace(0, 86_400, 200)
    truth = calm(thermal={"chain_daily_k": 3.0}, chain={"wear_percent_per_1000h": 0.0})
    lag, spring = truth.lag_deg(day), truth.spring_mm(day)
    assert np.ptp(lag) == pytest.approx(6 * 0.0043, rel=0.03)
    assert 0.025 < np.ptp(spring) / 6 < 0.035
    assert np.corrcoef(lag, spring)[0, 1] > 0.999


def test_spring_set_takes_force_and_no_length() -> None:
    """The loop places the tightener; a spring that sets presses less and shows nothing."""
    tightener = {"set_mm_per_1000h": 0.5}
    firm, soft = calm(), calm(tightener=tightener)
    assert soft.spring_mm(3.6e6) == pytest.approx(float(firm.spring_mm(3.6e6)))
    lost = firm.tension_share_n(3.6e6) - soft.tension_share_n(3.6e6)
    assert lost == pytest.approx(0.5 * 310 * 0.25 / math.sqrt(2), rel=0.01)


def test_weather_has_its_memory() -> None:
    """Weather of 0.02 degrees and two days: its deviation, and its likeness a day and eight days later."""
    truth = calm(sea={"weather_deg": 0.02}, chain={"wear_percent_per_1000h": 0.0})
    t = np.arange(0.0, 3_000 * 86_400, 21_600)
    x = truth.lag_deg(t)
    assert x.std() == pytest.approx(0.02, rel=0.15)
    assert np.corrcoef(x[:-4], x[4:])[0, 1] == pytest.approx(math.exp(-0.5), abs=0.06)
    assert abs(np.corrcoef(x[:-32], x[32:])[0, 1]) < 0.15


@pytest.mark.slow
def test_truth_does_not_depend_on_the_order_of_asking() -> None:
    """The slow wander at a time is the same whether a later time was asked for before."""
    sea = {"weather_deg": 0.02, "white_deg": 0.005, "spring_wander_mm": 0.03}
    first, second = calm(sea=sea), calm(sea=sea)
    second.lag_deg(2.0e7)
    assert float(first.lag_deg(1.0e5)) == float(second.lag_deg(1.0e5))
    assert float(first.spring_mm(1.0e5)) == float(second.spring_mm(1.0e5))


def test_legs_and_season_move_the_lag_and_no_elongation() -> None:
    """A change of loading steps the lag by its degrees, the season swings it within the year."""
    sea = {"loading": [(0.0, 1.0), (1e6, 0.0)], "loading_deg": 0.06, "season_deg": 0.02}
    plain, moved = calm(), calm(sea=sea)
    away = [float(moved.lag_deg(t) - plain.lag_deg(t)) for t in (0.0, 1e6, 86_400 * 365.25 / 4)]
    assert away[0] == pytest.approx(0.03, abs=1e-4)
    assert away[1] == pytest.approx(-0.03 + 0.02 * math.sin(2 * math.pi * 1e6 / (86_400 * 365.25)), abs=1e-4)
    assert away[2] == pytest.approx(-0.03 + 0.02, abs=1e-4)
    assert float(moved.elongation_percent(1e6)) == float(plain.elongation_percent(1e6))


def test_wear_differs_from_month_to_month_and_ends_steeper() -> None:
    """Months wear by their own part of the rate; a worn chain wears faster; a new one begins again."""
    chain = {"wear_percent_per_1000h": 0.1, "wear_monthly": 0.3}
    months = np.diff(calm(chain=chain).elongation_percent(np.arange(40) * 720.0 * 3600))
    assert months.std() / months.mean() == pytest.approx(0.3, abs=0.1)
    steep = {"elongation_percent": 0.7, "wear_percent_per_1000h": 0.1, "steep_after_percent": 0.8, "steep_factor": 3.0}
    late = calm(chain=steep).elongation_percent(np.array([0.0, 0.5, 1.0, 1.5, 2.0]) * 3.6e6)
    assert np.diff(late) == pytest.approx([0.05, 0.05, 0.15, 0.15])
    text = '[[event]]\nkind = "chain-renewed"\nat_s = 3.6e6\nelongation_percent = 0.02'
    renewed = Truth(parse_scenario(text))
    assert float(renewed.elongation_percent(3.6e6 - 1)) == pytest.approx(0.30, abs=1e-4)
    assert float(renewed.elongation_percent(3.6e6)) == pytest.approx(0.02, abs=1e-4)


def test_an_arm_that_sticks_hides_the_slack() -> None:
    """The spring's length stands while the chain grows: the slack behind it is in the truth."""
    text = '[chain]\nwear_rate_factor = 400\n[[event]]\nkind = "arm-seized"\nat_s = 3_600\nfor_s = 36_000'
    truth = Truth(parse_scenario(text))
    stuck = truth.spring_mm(np.array([3_600.0, 20_000.0, 39_000.0]))
    assert np.ptp(stuck) == 0
    assert float(truth.slack_mm(39_000.0)) > float(truth.slack_mm(20_000.0)) > 0
    assert float(truth.spring_mm(40_000.0)) > stuck[-1]


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
    head, *rows = list(csv(truth, 30.0, every_s=10.0))
    assert head.startswith("t_s,hours,rpm,lag_deg,spring_mm")
    assert len(rows) == 4
    last = [float(x) for x in rows[-1].split(",")]
    assert last[0] == 30.0
    assert last[3] == pytest.approx(float(truth.lag_deg(30.0)), abs=1e-6)
