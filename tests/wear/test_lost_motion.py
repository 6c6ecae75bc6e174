"""Lost motion: measured on simulated drives, its growth within its range, causes told apart, kept over a restart."""

import json
from dataclasses import replace

import numpy as np
import pytest
from drive_engines import tern
from lost_motion_drives import LEG_S, Ship, four_stroke_drive, four_stroke_engine, locked_drive, locked_engine
from stranger import sail

from firmware_sim import Truth
from gateway.engine.snapshot import _detail  # what page and sheets are given
from gateway.measure.lost_motion import LostMotionPair
from gateway.wear.agreement import Evidence, StepSeen, agreement
from gateway.wear.causes import Cause
from gateway.wear.elongation import Change
from gateway.wear.lost_motion import PAIRS_MAX, LostMotion
from gateway.wear.ride_out import LEARNED_FROM_PERCENT, Interval, RideOut, mesh_share

H0 = 20_000.0
ENGINE = locked_engine()


def pair(hours: float, deg: float, **keys: object) -> LostMotionPair:
    base = LostMotionPair(1.7e9 + hours * 3_600, hours, deg, 0.008, 40.0, 1.0, 2.0, None, None)
    return replace(base, **keys)  # type: ignore[arg-type]


def course(per_1000h: float, n: int = 20, step_h: float = 100.0, jump: float = 0.0) -> LostMotion:
    """Manoeuvres each 100 h; the last one `jump` degrees higher."""
    out = LostMotion(ENGINE, H0)
    rng = np.random.default_rng(4)
    for i in range(n):
        deg = 0.2 + per_1000h * i * step_h / 1000 + float(rng.normal(0, 0.005)) + jump * (i == n - 1)
        out.add(pair(H0 + i * step_h, deg if i else 0.0))
    return out


def test_pairs_of_a_simulated_drive_measure_what_changes_over() -> None:
    """The lag ahead less the lag astern is what the drive's truth gives for the two legs."""
    scenario, begins = locked_drive(3)
    ship = Ship(scenario, locked_engine())
    pairs = ship.manoeuvre(begins[9])
    assert len(pairs) == 2
    # Legs of 40, -42, 38, -36 rpm or of 36, -40, 42, -38, each held for two minutes after 20 s of change.
    ends = [begins[9] + i * (LEG_S + 20.0) + 100.0 for i in range(4)]
    lag = [float(ship.truth.lag_deg(t)) for t in ends]
    for found, true in zip(pairs, (lag[0] - lag[1], lag[2] - lag[3]), strict=True):
        assert found.deg == pytest.approx(true, abs=3 * found.se_deg)
        assert found.se_deg < 0.03
        assert found.warm_k is not None


def test_pairs_of_a_four_stroke() -> None:
    """The camshaft turns once in two turns of the crank: lost motion in crank degrees, as the drive's truth has it."""
    scenario, begins = four_stroke_drive(5)
    ship = Ship(scenario, four_stroke_engine())
    pairs = ship.manoeuvre(begins[9])
    assert len(pairs) == 2
    ends = [begins[9] + i * (LEG_S + 20.0) + 100.0 for i in range(4)]
    lag = [float(ship.truth.lag_deg(t)) for t in ends]
    for found, true in zip(pairs, (lag[0] - lag[1], lag[2] - lag[3]), strict=True):
        assert found.deg == pytest.approx(true, abs=3 * found.se_deg)
        assert abs(true) > 5 * found.se_deg, "there is something to measure"


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in (1, 2))])
def test_elongation_within_its_range(seed: int) -> None:
    """The bench does 50 seeds, and counts; each of these few lies within five to ninety-five per cent."""
    scenario, begins = locked_drive(seed, days=100)
    ship = Ship(scenario, ENGINE)
    for begin_s in begins:
        ship.manoeuvre(begin_s)
    t_s = begins[-1] + 4 * LEG_S
    r = ship.lost_motion().view(ship.hours(t_s), ship.ride_out()).growth_percent
    assert r.p05 is not None and r.p95 is not None
    assert r.p05 <= ship.grown_percent(t_s) <= r.p95


def test_unlike_means_make_no_pair() -> None:
    """Too far apart in time or in speed, or by a setting that says that it does not apply."""
    for changes in ({"within_min": 0.5}, {"rpm_apart": 0.5}, {"applies": False}):
        scenario, begins = locked_drive(3, days=20)
        assert not Ship(scenario, locked_engine(lost_motion=changes)).manoeuvre(begins[1])


def test_growth_since_the_retightening() -> None:
    """A straight course: the growth is rate times hours, back to the retightening; per cent with ride-out's range."""
    lost = course(0.2)
    change = lost.change(H0, H0 + 1_900)
    assert change is not None and change.value == pytest.approx(0.38, abs=2 * change.se)
    free = lost.since_retightening(H0 + 1_900, RideOut(0.0))
    assert free is not None and free.value == pytest.approx(0.38 / 12.0, abs=2 * free.se)
    ridden = lost.since_retightening(H0 + 1_900, RideOut(mesh_share(ENGINE)))
    assert ridden is not None and ridden.se > free.se and ridden.value > free.value


def test_where_it_was_not_watched_from_the_beginning_it_shows_a_change_only() -> None:
    lost = LostMotion(ENGINE, H0 - 3_000)
    for i in range(10):
        lost.add(pair(H0 + 100 * i, 0.3 * (i > 0) + 0.02 * i))
    view = lost.view(H0 + 900, RideOut(mesh_share(ENGINE)))
    assert view.growth_percent.p50 is None
    assert view.change_deg.p50 is not None
    assert "shows a change only" in view.text


def test_a_taut_chain_hides_its_first_growth() -> None:
    """No slack yet: nothing is claimed of the growth."""
    lost = LostMotion(ENGINE, H0)
    for i in range(8):
        lost.add(pair(H0 + 100 * i, 0.003 * (i % 2)))
    assert lost.change(H0, H0 + 700) is None
    assert lost.view(H0 + 700, RideOut(0.4)).growth_percent.p50 is None


def test_retightening_begins_again_and_a_restart_goes_on() -> None:
    lost = course(0.2)
    again = LostMotion(ENGINE, H0)
    again.load(json.loads(json.dumps(lost.state())))
    assert again.change(H0, H0 + 1_900) == lost.change(H0, H0 + 1_900)
    lost.rebase(H0 + 5_000)
    assert not lost.pairs and lost.level.p50 is None
    later = LostMotion(ENGINE, H0 + 1_000)
    later.load(json.loads(json.dumps(again.state())))
    assert len(later.pairs) == 10
    for i in range(2 * PAIRS_MAX):
        again.add(pair(H0 + 3_000 + i, 0.5))
    assert len(again.pairs) == PAIRS_MAX


def test_a_step_of_the_lost_motion() -> None:
    assert course(0.2).stepped() is False
    assert course(0.2, jump=0.4).stepped() is True
    assert LostMotion(ENGINE, H0).stepped() is None


def test_sprung_with_a_known_stop_checks_the_transducer_only() -> None:
    engine = tern(lost_motion={"astern_stop_mm": 178.2})
    lost = LostMotion(engine, H0)
    lost.add(pair(H0, 3.0 * 0.396, ahead_mm=181.2, astern_mm=178.2))
    off = lost.transducer_off_mm()
    assert off is not None and abs(off.value) < 0.1
    lost.add(pair(H0 + 50, 3.0 * 0.396, ahead_mm=183.7, astern_mm=180.7))
    off = lost.transducer_off_mm()
    assert off is not None and off.value == pytest.approx(2.5, abs=0.1)
    view = lost.view(H0 + 50, RideOut(0.4))
    assert view.growth_percent.p50 is None and "check the transducer" in view.text
    plain = LostMotion(tern(), H0)
    plain.add(pair(H0, 1.2))
    assert "torque and not wear" in plain.view(H0, RideOut(0.4)).text


def test_one_turn_each_way_on_the_turning_gear() -> None:
    """In port: a whole turn ahead and one astern make a pair, of the drive's own slack."""
    text = """
    [head]
    rate_hz = 20
    samples = 20
    [engine]
    speed = [[0, 0.5], [280, 0.5], [282, -0.5], [560, -0.5]]
    [tightener]
    kind = "locked"
    tightened_at_percent = 0.08
    """
    sailed = sail(text, 560.0)
    (found,) = sailed.pipeline.wear.series.lost_motion.pairs
    truth = Truth(sailed.scenario)
    assert found.turning
    assert found.deg == pytest.approx(float(truth.lag_deg(200.0) - truth.lag_deg(500.0)), abs=0.02)
    assert found.deg > 0.5
    # Turns end well apart, and the page is given both times.
    assert 100 < found.apart_s < 400
    detail = _detail(sailed.pipeline, sailed.pipeline.meter.reading(int(560e6)))
    assert detail.turned_lost_deg == found.deg and detail.turned_lost_from_utc_s == found.first_utc_s


def test_of_turns_at_a_standstill_only_the_last_pair_stands_once_work_is_booked() -> None:
    """One before the work, one with a turn on either side of it, one after it; the sea's own pairs stay."""
    lost = LostMotion(ENGINE, H0)
    lost.add(pair(H0 + 900, 1.0))
    for deg in (1.1, 1.8, 1.2):
        lost.add(replace(pair(H0 + 1_000, deg), turning=True))
    lost.worked(H0 + 1_000)
    assert [p.deg for p in lost.pairs] == [1.0, 1.2]
    lost.worked(H0 + 1_000)
    assert len(lost.pairs) == 2
    turned = lost.view(H0 + 1_000, RideOut(0.4)).turned
    assert turned is not None and turned.deg == 1.2


def test_it_says_where_it_does_not_apply() -> None:
    engine = locked_engine(lost_motion={"applies": False})
    assert "never runs astern" in LostMotion(engine, H0).view(H0, RideOut(0.4)).text
    assert "Not measured yet" in LostMotion(ENGINE, H0).view(H0, RideOut(0.4)).text


SE = 0.02
USUAL = Change(0.08, 0.02)
"""Growth in degrees of the lag in 1,000 h, as chains wear."""


def evidence(**keys: object) -> Evidence:
    base = Evidence(hours=1_000.0, lag=USUAL, spring=Change(0.0, 0.1), ride_out=RideOut(mesh_share(ENGINE)))
    return replace(base, lost_growth=Change(0.017, 0.004), lost_stepped=False, **keys)  # type: ignore[arg-type]


def named(e: Evidence) -> tuple[str, ...]:
    return agreement(ENGINE, e).causes


def test_wear_moves_both() -> None:
    assert not named(evidence())


def test_a_creeping_coupling_moves_the_lag_alone() -> None:
    causes = named(evidence(lag=Change(0.9, 0.05)))
    assert causes[0] == Cause.COUPLING
    assert Cause.LOCK_LOOSE not in causes


def test_slack_that_the_lag_does_not_show() -> None:
    """A lock that works loose and a worn coupling of the encoder look alike: both are named, the drive first."""
    e = replace(evidence(), lost_growth=Change(0.2, 0.01))
    assert named(e)[:2] == (Cause.LOCK_LOOSE, Cause.ENCODER_LOOSE)


def test_a_step_of_the_lost_motion_tells_lock_from_slip() -> None:
    slip = StepSeen("lag", 0.4, 0.02, H0, stopped=False)
    assert Cause.ENCODER_LOOSE not in named(evidence(lag=Change(0.48, 0.03), steps=(slip,)))
    e = replace(evidence(), lost_stepped=True, lost_step=Change(0.5, 0.02))
    assert named(e)[:2] == (Cause.LOCK_LOOSE, Cause.ENCODER_LOOSE)
    both = replace(e, lag=Change(0.33, 0.03), steps=(replace(slip, size=0.25),))
    assert {Cause.CHAIN_DAMAGED, Cause.ENCODER_LOOSE} <= set(named(both))
    assert named(both)[0] == Cause.CHAIN_DAMAGED


def test_ride_out_is_learned_from_lag_and_lost_motion() -> None:
    """Two intervals of a locked drive with full ride-out: its relation is learned, and the range narrows."""
    ride_out = RideOut(mesh_share(ENGINE))
    growth, wide = 0.1, ride_out.growth(Change(0.06, 0.003))
    for _ in range(2):
        ride_out.learn(Interval(Change(growth, 0.008), Change(growth * (1 - mesh_share(ENGINE)), 0.003)))
    assert ride_out.growth_percent >= LEARNED_FROM_PERCENT and ride_out.learned
    learned = ride_out.growth(Change(0.06, 0.003))
    assert learned.value == pytest.approx(0.1, abs=2 * learned.se)
    assert learned.se < wide.se
