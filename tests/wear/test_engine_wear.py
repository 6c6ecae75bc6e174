"""One engine's wear from medians to trend: every figure against what the series was made with, or a sum by hand."""

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from drive_engines import tern

from gateway.model.records import Median
from gateway.wear import geometry
from gateway.wear import trend as module
from gateway.wear.agreement import Evidence
from gateway.wear.agreement import StepSeen as Step
from gateway.wear.datum import Datum, from_settings
from gateway.wear.decision import Standing
from gateway.wear.elongation import Estimate, Source
from gateway.wear.forecast import UNKNOWN, Range
from gateway.wear.ride_out import mesh_share
from gateway.wear.trend import NORMAL_95, Baseline, EngineWear, LimitAhead, Side, nearest

H0 = 20_000.0
UTC0 = 1_700_000_000.0
ROWS = 144 * 20
LAG, PER_H = 0.9, 0.1e-3
"""Degrees at H0, and degrees an hour."""
ENGINE = tern()
DEG = geometry.deg_per_percent(ENGINE)
MM = geometry.spring_mm_per_percent(ENGINE)
SPRING, SPRING_PER_H = 180.4, PER_H / DEG * MM
"""mm at H0; grows as the same chain's growth lets it."""


def medians(
    n: int = ROWS, step_at: int | None = None, size: float = 0.0, seed: int = 1, **changes: Any
) -> list[Median]:
    """Half of the time at sea: ten minutes of running every twenty; the lag may step at one row."""
    rng = np.random.default_rng(seed)
    lag_noise, spring_noise = 0.004 * rng.standard_normal(n), 0.02 * rng.standard_normal(n)
    out = []
    for k in range(n):
        h = k / 6
        lag = LAG + PER_H * h + float(lag_noise[k]) + (size if step_at is not None and k >= step_at else 0.0)
        spring = SPRING + SPRING_PER_H * h + float(spring_noise[k])
        row = Median(UTC0 + 1_200.0 * k, H0 + h, 850, lag, 0.01, spring, 0.02, 88.0, 45.0, None, 0.6)
        out.append(replace(row, **changes))
    return out


def fed(rows: list[Median], datum: Datum | None = None, wear: EngineWear | None = None) -> EngineWear:
    """An engine's wear that has seen these.

    Only what is asked looks at the datum, not what is taken in: the same rows are fed once, and taken over from there
    as after a restart.
    """
    made = wear or EngineWear(ENGINE if datum is None else datum.engine, datum or from_settings(ENGINE))
    if wear is None and made.engine is ENGINE:
        made.load(json.loads(_state_after(tuple(rows))))
        return made
    return _feed(made, rows)


@cache
def _state_after(rows: tuple[Median, ...]) -> str:
    return json.dumps(_feed(EngineWear(ENGINE, from_settings(ENGINE)), rows).state())


def _feed(made: EngineWear, rows: Sequence[Median]) -> EngineWear:
    for row in rows:
        made.add(row)
        made.ran(row.utc_s, row.hours)
    return made


HOURS = H0 + ROWS / 6
UTC = UTC0 + 1_200.0 * ROWS


@pytest.fixture(scope="module")
def grown() -> EngineWear:
    """Twenty running days, read only."""
    return fed(medians())


def whole(seen: float, reach: float) -> tuple[float, float]:
    """The chain's growth behind the tightener's, with its 5–95 % reach, for any ride-out: 1/(1 − κm), κ even in 0…1."""
    factors = 1 / (1 - np.linspace(0, 1, 101) * mesh_share(ENGINE))
    return factors.mean() * seen, math.hypot(factors.mean() * reach, NORMAL_95 * factors.std() * seen)


def middle(r: Range) -> float:
    """The median of a range that is known."""
    assert r.p05 is not None and r.p50 is not None and r.p95 is not None
    assert r.p05 <= r.p50 <= r.p95
    return r.p50


def half(r: Range) -> float:
    """Half of the width of a range that is known and even."""
    assert r.p95 is not None and r.p05 is not None
    assert r.p95 - middle(r) == pytest.approx(middle(r) - r.p05, rel=1e-6)
    return (r.p95 - r.p05) / 2


def test_level_and_slope_are_those_played(grown: EngineWear) -> None:
    """Lag and spring length now and per 1,000 h, each range even, narrow, and about the truth."""
    t = grown.trend(UTC, HOURS, None, None)
    assert (t.utc_s, t.hours) == (UTC, HOURS)
    assert middle(t.lag_deg) == pytest.approx(LAG + PER_H * ROWS / 6, abs=0.001)
    assert middle(t.lag_deg_per_1000h) == pytest.approx(1_000 * PER_H, abs=0.002)
    assert middle(t.spring_mm) == pytest.approx(SPRING + SPRING_PER_H * ROWS / 6, abs=0.005)
    assert middle(t.spring_mm_per_1000h) == pytest.approx(1_000 * SPRING_PER_H, abs=0.01)
    # Textbook: the slope's standard error of n even rows is σ·√12 ÷ (span·√n).
    by_hand = 1_000 * 0.004 * math.sqrt(12 / ROWS) / (ROWS / 6) * NORMAL_95
    # A season of unknown phase is added to it.
    assert by_hand < half(t.lag_deg_per_1000h) < 0.04
    assert t.why_unknown == ""


def test_elongation_is_start_and_growth_since_the_setting(grown: EngineWear) -> None:
    """Start in the settings plus lag over degrees a percent; uncertain by start, pin gauge and half a link."""
    t = grown.trend(UTC, HOURS, None, None)
    growth = (LAG + PER_H * ROWS / 6) / DEG
    assert middle(t.elongation_percent) == pytest.approx(0.05 + growth, abs=0.001)
    se = math.hypot(0.03, 0.05 / DEG, growth * 0.5 / 46)
    assert half(t.elongation_percent) == pytest.approx(NORMAL_95 * se, rel=0.01)


def test_rates_of_lag_and_spring_are_pooled_where_they_agree(grown: EngineWear) -> None:
    """Weighted by inverse variance: in the middle, and narrower than either alone."""
    t = grown.trend(UTC, HOURS, None, None)
    assert t.agreement.state == "agree"
    a, b = (half(t.lag_deg_per_1000h) / DEG, half(t.spring_mm_per_1000h) / MM)
    by_lag, by_spring = middle(t.lag_deg_per_1000h) / DEG, middle(t.spring_mm_per_1000h) / MM
    by_spring, b = whole(by_spring, b)
    assert half(t.elongation_percent_per_1000h) == pytest.approx(a * b / math.hypot(a, b), rel=1e-6)
    wanted = (by_lag / a**2 + by_spring / b**2) / (1 / a**2 + 1 / b**2)
    assert middle(t.elongation_percent_per_1000h) == pytest.approx(wanted, rel=1e-9)


def test_hours_and_dates_of_every_limit(grown: EngineWear) -> None:
    """Gap over slope by hand for each limit, in the interface's order; the ship runs twelve hours a day."""
    t = grown.trend(UTC, HOURS, None, None)
    lag = LAG + PER_H * ROWS / 6
    percent_per_h = PER_H / DEG
    spring = SPRING + SPRING_PER_H * ROWS / 6
    wanted = {
        "lag-near": (1.5 - lag) / PER_H,
        "lag-limit": (2.0 - lag) / PER_H,
        "tension-low": (203.2 - (23.0 - 2.5) - spring) / SPRING_PER_H,
        "elongation-near": (0.8 - 0.05 - lag / DEG) / percent_per_h,
        "elongation-limit": (1.0 - 0.05 - lag / DEG) / percent_per_h,
        "retighten-due": 19_800 + 4_000 - HOURS,
    }
    assert [x.limit for x in t.limits] == list(wanted)
    for x in t.limits:
        assert middle(x.hours_to) == pytest.approx(wanted[x.limit], rel=0.03)
        assert middle(x.date) == pytest.approx(
            UTC + middle(x.hours_to) / 12 * 86_400, abs=0.01 * middle(x.hours_to) * 300
        )
    due = t.limits[-1].hours_to
    assert due == Range(wanted["retighten-due"], wanted["retighten-due"], wanted["retighten-due"])
    assert (t.retightened_h, t.camshaft_set_h) == (HOURS - 19_800, HOURS - 9_800)


def test_the_start_s_uncertainty_widens_the_elongation_s_limits_alone(grown: EngineWear) -> None:
    """An elongation at the setting that is known to 0.03 % moves the early end of its limits by hundreds of hours."""
    by_limit = {x.limit: x.hours_to for x in grown.trend(UTC, HOURS, None, None).limits}
    early = {k: middle(r) - (r.p05 or 0.0) for k, r in by_limit.items()}
    per_h = PER_H / DEG
    for tag in ("elongation-near", "elongation-limit"):
        assert early[tag] > NORMAL_95 * 0.03 / per_h
    assert early["lag-limit"] < 0.8 * early["elongation-limit"]


@pytest.mark.slow
def test_a_locked_tightener_tells_neither_of_tension_nor_of_growth(grown: EngineWear) -> None:
    """Its spring does not follow the chain: no limit of tension, and the rate is the lag's alone."""
    engine = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
    t = fed(medians(), from_settings(engine)).trend(UTC, HOURS, None, None)
    assert [x.limit for x in t.limits] == [
        "lag-near",
        "lag-limit",
        "elongation-near",
        "elongation-limit",
        "retighten-due",
    ]
    assert half(t.elongation_percent_per_1000h) == pytest.approx(half(t.lag_deg_per_1000h) / DEG, rel=1e-9)


@pytest.mark.slow
def test_of_one_series_alone_the_rate_is_its_own() -> None:
    """Lag without spring, spring without lag; and where the two part, the lag's."""
    lag = fed(medians(spring_mm=None)).trend(UTC, HOURS, None, None)
    assert middle(lag.elongation_percent_per_1000h) == pytest.approx(1_000 * PER_H / DEG, rel=0.02)
    assert lag.spring_mm == UNKNOWN
    spring = fed(medians(lag_deg=None)).trend(UTC, HOURS, None, None)
    wanted = whole(1_000 * SPRING_PER_H / MM, 0.0)[0]
    assert middle(spring.elongation_percent_per_1000h) == pytest.approx(wanted, rel=0.05)
    assert (spring.lag_deg, spring.elongation_percent) == (UNKNOWN, UNKNOWN)
    assert all(x.hours_to == UNKNOWN for x in spring.limits if "lag" in x.limit or "elongation" in x.limit)
    rows = [replace(r, spring_mm=180.4 - 0.004 * k / 6) for k, r in enumerate(medians())]
    apart = fed(rows).trend(UTC, HOURS, None, None)
    assert apart.agreement.state == "part"
    assert middle(apart.elongation_percent_per_1000h) == pytest.approx(1_000 * PER_H / DEG, rel=0.02)


def test_before_there_is_a_trend_the_present_lag_speaks() -> None:
    """Ranges unknown and why; elongation from the lag now less a jump that stands, uncertain by 0.1°."""
    wear = fed(medians(100))
    t = wear.trend(UTC, HOURS, 1.1, 180.2)
    assert (t.lag_deg, t.lag_deg_per_1000h, t.spring_mm, t.elongation_percent_per_1000h) == (UNKNOWN,) * 4
    assert t.why_unknown == "not known yet (about 90 h more needed)"
    assert middle(t.elongation_percent) == pytest.approx(0.05 + 1.1 / DEG)
    se = math.hypot(0.03, math.hypot(0.1, 0.05) / DEG, 1.1 / DEG * 0.5 / 46)
    assert half(t.elongation_percent) == pytest.approx(NORMAL_95 * se)
    jumped = wear.trend(UTC, HOURS, 9.1, 180.2, jump_deg=8.0)
    assert middle(jumped.elongation_percent) == pytest.approx(0.05 + 1.1 / DEG)
    assert wear.trend(UTC, HOURS, None, None).elongation_percent == UNKNOWN


def test_a_zero_never_taken_is_said() -> None:
    """Why nothing is known of the lag, before any word on how many medians there are."""
    datum = replace(from_settings(ENGINE), zero_deg=None)
    told = fed(medians(10), datum).trend(UTC, HOURS, None, None).why_unknown
    assert told == "the zero was never taken: book the camshaft setting with the pin gauge's reading"


def test_lag_counts_from_what_it_was_at_the_setting() -> None:
    """A camshaft set late by 0.3° has so much less growth behind its lag, now and in the limits ahead."""
    datum = replace(from_settings(ENGINE), lag_at_set_deg=0.3)
    t = fed(medians(), datum).trend(UTC, HOURS, None, None)
    growth = (LAG + PER_H * ROWS / 6 - 0.3) / DEG
    assert middle(t.elongation_percent) == pytest.approx(0.05 + growth, abs=0.001)
    left = next(x.hours_to for x in t.limits if x.limit == "elongation-limit")
    assert middle(left) == pytest.approx((1.0 - 0.05 - growth) / (PER_H / DEG), rel=0.03)
    unknown = fed(medians(), replace(datum, lag_start=None)).trend(UTC, HOURS, None, None)
    assert unknown.elongation_percent == UNKNOWN
    assert [x.limit for x in unknown.limits] == ["lag-near", "lag-limit", "tension-low", "retighten-due"]


def asked(
    wear: EngineWear, monkeypatch: pytest.MonkeyPatch, hours: float = HOURS, **present: Any
) -> tuple[Evidence, Standing, list[Any]]:
    """What a trend lays before the judges of agreement and decision, and which estimates it combines."""
    seen: list[Any] = []
    for name in ("agreement", "decide", "combine"):
        real = getattr(module, name)
        monkeypatch.setattr(module, name, lambda *a, real=real: (seen.append(a), real(*a))[1])
    now = {"lag_deg": None, "spring_mm": None} | present
    wear.trend(UTC, hours, **now)
    monkeypatch.undo()
    evidence, estimates, decision = seen
    return evidence[1], decision[2], estimates[0]


def test_evidence_of_a_quiet_engine(grown: EngineWear, monkeypatch: pytest.MonkeyPatch) -> None:
    """Span since the gateway watches, both changes over it with their errors, nothing else."""
    e, standing, _ = asked(grown, monkeypatch, spring_mm=181.0)
    assert e.hours == pytest.approx(ROWS / 6)
    assert e.lag is not None and e.spring is not None
    assert e.lag.value == pytest.approx(PER_H * ROWS / 6, rel=0.03)
    assert e.spring.value == pytest.approx(SPRING_PER_H * ROWS / 6, rel=0.05)
    t = grown.trend(UTC, HOURS, None, None)
    assert e.lag.se == pytest.approx(half(t.lag_deg_per_1000h) / NORMAL_95 * ROWS / 6 / 1_000)
    assert (e.steps, e.crank_slips, e.cam_slips, e.order_changed, e.slap_ratio) == ((), 0, 0, None, None)
    assert standing.lag_deg == middle(t.lag_deg)
    assert standing.elongation_percent == middle(t.elongation_percent)
    assert standing.compression_mm == pytest.approx(203.2 - 181.0)
    assert standing.hours == HOURS
    assert standing.order_h == next(x.hours_to.p05 for x in t.limits if x.limit == "elongation-limit")


def test_span_begins_where_both_were_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """A datum later than the first median, and none at all in the future."""
    late = replace(from_settings(ENGINE), retightened_at_h=H0 + 300, spring_changed_at_h=H0 + 300)
    assert asked(fed(medians(), late), monkeypatch)[0].hours == pytest.approx(ROWS / 6 - 300)
    beyond = replace(late, spring_changed_at_h=HOURS + 5)
    assert asked(fed(medians(), beyond), monkeypatch)[0].hours == 0.0
    assert asked(EngineWear(ENGINE, from_settings(ENGINE)), monkeypatch)[0].hours == 0.0


STEP_AT = ROWS // 2


@pytest.fixture(scope="module")
def slipped() -> tuple[EngineWear, list[Any]]:
    """A coupling slips 0.3° in the middle, just after a stop."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    found = []
    for k, row in enumerate(medians(step_at=STEP_AT, size=0.3)):
        if k == STEP_AT:
            wear.stopped(row.hours - 0.2)
            wear.stopped(row.hours - 0.195)
        found += wear.add(row)
        wear.ran(row.utc_s, row.hours)
    return wear, found


@pytest.mark.slow
def test_a_step_is_told_once_and_is_no_growth(slipped: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Named by its series, sized and dated, marked as near a stop; elongation and its limits stay as without it."""
    wear, found = slipped
    ((series, step),) = found
    assert series == "lag"
    assert step.size == pytest.approx(0.3, abs=0.01)
    assert step.onset_hours == pytest.approx(H0 + STEP_AT / 6, abs=0.4)
    stands = wear.standing_step("lag")
    assert stands is not None
    assert stands == Step("lag", step.size, step.error, step.onset_hours, True)
    assert wear.standing_step("spring") is None
    t = wear.trend(UTC, HOURS, None, None)
    growth = (LAG + PER_H * ROWS / 6) / DEG
    assert middle(t.lag_deg) == pytest.approx(LAG + PER_H * ROWS / 6 + 0.3, abs=0.01)
    assert middle(t.elongation_percent) == pytest.approx(0.05 + growth, abs=0.004)
    left = next(x.hours_to for x in t.limits if x.limit == "elongation-limit")
    assert middle(left) == pytest.approx((1.0 - 0.05 - growth) / (PER_H / DEG), rel=0.03)
    e, _, _ = asked(wear, monkeypatch)
    assert e.steps == (stands,)
    assert e.lag is not None
    assert e.lag.value == pytest.approx(PER_H * ROWS / 6 + step.size, rel=0.02)


@pytest.mark.slow
@pytest.mark.parametrize("at", [3, 20, 60, 143])
def test_a_jump_among_the_first_medians_is_no_growth(at: int) -> None:
    """Too early for the chart: the revolutions tell of it, a new level begins, and neither slope nor elongation take it
    for wear (found by voyages: an elongation of 3 % days after a tooth had jumped)."""
    rows = medians(144 * 8, step_at=at, size=8.0)
    wear = fed(rows[:at])
    assert wear.jumped("lag", 8.0, rows[at].hours)
    fed(rows[at:], wear=wear)
    hours = rows[-1].hours
    t = wear.trend(rows[-1].utc_s, hours, None, None)
    growth = (LAG + PER_H * (hours - H0)) / DEG
    assert middle(t.lag_deg) == pytest.approx(LAG + PER_H * (hours - H0) + 8.0, abs=0.02)
    assert middle(t.elongation_percent) == pytest.approx(0.05 + growth, abs=0.01)
    stands = wear.standing_step("lag")
    assert stands is not None and stands.size == 8.0


def test_a_jump_is_left_to_the_chart_once_it_is_armed(grown: EngineWear) -> None:
    """With a day of medians the chart finds the step itself; it must not be counted twice."""
    steps = len(grown.steps)
    assert not grown.jumped("lag", 8.0, HOURS)
    assert len(grown.steps) == steps


@pytest.mark.parametrize(
    ("ago_h", "near"), [(0.49, True), (0.51, True), (8.45, True), (8.55, False), (-0.49, True), (-0.51, False)]
)
def test_near_a_stop_is_half_an_hour_before_to_warmth_and_half_an_hour_after(ago_h: float, near: bool) -> None:
    """Eight hours of warming through (settings), and half an hour on either side."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    wear.stopped(1_000.0)
    assert wear._near_stop(1_000.0 + ago_h) is near


def test_stops_close_together_are_one_and_few_are_kept() -> None:
    """A hundredth of an hour apart is the same stop; of many the last eight count."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    for k in range(12):
        wear.stopped(100.0 * k)
        wear.stopped(100.0 * k + 0.009)
    assert wear.state()["stops"] == [100.0 * k for k in range(4, 12)]
    wear.stopped(1_100.02)
    assert wear.state()["stops"][-1] == 1_100.02


def test_steps_that_undo_each_other_stand_for_nothing() -> None:
    """The sum counts, dated from the largest; three quarters of 0.1° is the least."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    small, large, back = (Step("lag", s, 0.01, h, False) for s, h in ((0.05, 1.0), (0.2, 2.0), (-0.24, 3.0)))
    other = Step("spring", 0.375, 0.1, 1.5, True)
    wear.steps.extend([small, large, other])
    assert wear.standing_step("lag") == replace(large, size=pytest.approx(0.25))
    assert wear.standing_step("spring") == other
    wear.steps.append(back)
    assert wear.standing_step("lag") is None
    wear.steps.clear()
    wear.steps.append(replace(other, size=0.374))
    assert wear.standing_step("spring") is None
    wear.steps.append(Step("lag", -0.07501, 0.01, 1.0, False))
    assert wear.standing_step("lag") == wear.steps[-1]


def test_small_levels_of_other_days_are_not_told_with_a_step() -> None:
    """A slip of 0.12° is shown as that, not as 0.21° since legs have moved the level before and after; pieces of one
    step, or many that creep, are shown together."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))

    def told(*steps: tuple[float, float]) -> float | None:
        wear.steps.clear()
        wear.steps.extend(Step("lag", size, 0.01, hours, False) for size, hours in steps)
        stands = wear.standing_step("lag")
        return None if stands is None else stands.size

    assert told((0.04, 10.0), (0.12, 200.0), (0.05, 300.0)) == pytest.approx(0.12)
    assert told((-0.06, 150.0), (0.12, 200.0)) == pytest.approx(0.12)
    assert told((0.06, 200.0), (0.06, 205.0)) == pytest.approx(0.12)
    assert told((0.05, 10.0), (0.06, 200.0)) is None
    assert told((0.05, 10.0), (0.06, 200.0), (0.06, 300.0)) == pytest.approx(0.17)


def test_small_new_levels_are_no_evidence(monkeypatch: pytest.MonkeyPatch) -> None:
    """A level that the fit began anew for less is left out of the steps and of the change, and is no growth."""
    wear = fed(medians())
    bare = asked(wear, monkeypatch)[0]
    wear.steps.extend([Step("lag", 0.05, 0.01, 1.0, False), Step("spring", -0.6, 0.01, 2.0, True)])
    e, standing, _ = asked(wear, monkeypatch)
    assert e.steps == (Step("spring", -0.6, 0.01, 2.0, True),)
    assert bare.lag is not None and bare.spring is not None
    assert e.lag == bare.lag
    assert e.spring is not None and e.spring.value == pytest.approx(bare.spring.value - 0.6)
    assert standing.elongation_percent == pytest.approx(0.05 + (LAG + PER_H * ROWS / 6 - 0.05) / DEG, abs=0.001)


@pytest.mark.slow
def test_slap_and_order_are_compared_with_their_first_days(monkeypatch: pytest.MonkeyPatch) -> None:
    """The ratio of slap now to then with its spread; the first order moved by more than three spreads, or not."""
    for order_now, moved in ((0.105, False), (0.2, True)):
        wear = EngineWear(ENGINE, from_settings(ENGINE))
        for k, row in enumerate(medians(600)):
            early = k < 300
            wear.add(row, Side(0.8 if early else 1.2, 0.1 if early else order_now))
        e = asked(wear, monkeypatch)[0]
        assert e.order_changed is moved
        assert e.slap_ratio is not None
        assert e.slap_ratio.value == pytest.approx(1.5, abs=0.001)
        assert e.slap_ratio.se == 0.02


def test_baseline_against_numpy() -> None:
    """Mean and spread of the first 144, running mean of the last 36, nothing before 288; gaps are none."""
    rng = np.random.default_rng(3)
    values = rng.normal(0.8, 0.1, 500)
    base = Baseline()
    for n, v in enumerate(values.tolist(), start=1):
        base.add(v)
        base.add(None)
        assert (base.change() is None) == (n < 288)
    recent = float(np.mean(values[:144]))
    for v in values[144:]:
        recent += (v - recent) / 36
    first, now, se = base.change() or (0, 0, 0)
    assert (first, now) == pytest.approx((np.mean(values[:144]), recent))
    assert se == pytest.approx(np.std(values[:144], ddof=1))


def test_slips_are_counted_by_encoder_until_the_camshaft_is_set(monkeypatch: pytest.MonkeyPatch) -> None:
    """Crank and cam apart; a booking at the spring leaves them."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    wear.slipped("crank", 2)
    wear.slipped("cam", 3)
    wear.slipped("crank", 1)
    e = asked(wear, monkeypatch)[0]
    assert (e.crank_slips, e.cam_slips, wear.slips) == (3, 3, 6)
    wear.rebase(wear.datum, lag_restart=False, spring="restart")
    assert wear.slips == 6
    wear.rebase(wear.datum, lag_restart=True, spring="keep")
    assert (wear.slips, wear.state()["slips"]) == (0, [0, 0])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("lag_restart", "spring", "steps", "lag_n", "spring_n", "order", "slap", "first"),
    [
        (True, "keep", {"spring"}, False, True, 0, 300, False),
        (False, "level", {"lag"}, True, True, 300, 0, False),
        (False, "restart", {"lag"}, True, False, 300, 0, False),
        (True, "restart", set(), False, False, 0, 0, False),
        (False, "keep", {"lag", "spring"}, True, True, 300, 300, True),
    ],
)
def test_a_booking_begins_anew_what_it_touched(
    lag_restart: bool, spring: Any, steps: set[str], lag_n: bool, spring_n: bool, order: int, slap: int, first: bool
) -> None:
    """Fits, steps, side figures and the watch's beginning: of the touched series only, and the datum is the new one."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    for row in medians(300):
        wear.add(row, Side(0.8, 0.1))
    wear.steps.extend([Step("lag", 0.3, 0.01, H0, False), Step("spring", 2.0, 0.1, H0, False)])
    done = {"spring_changed_at_h": H0 + 50, "lag_start_at_h": H0 + 50}
    datum = replace(wear.datum, retightened_at_h=H0 + 40, **done)
    wear.rebase(datum, lag_restart=lag_restart, spring=spring)
    state = wear.state()
    assert wear.datum is datum
    assert {s.series for s in wear.steps} == steps
    assert wear.steps.maxlen == 16
    assert (state["order1"][0], state["slap"][0], state["first_h"] is not None) == (order, slap, first)
    assert (wear.lag.drift().n > 0, wear.spring.drift().n > 0) == (lag_n, spring_n)


@pytest.mark.slow
def test_a_restart_goes_on_to_the_bit(slipped: Any) -> None:
    """Through JSON, with steps, stops, slips, side figures and history: what is said afterwards is the same."""
    first, _ = slipped
    first.slipped("cam", 2)
    for k in range(300):
        first._slap.add(0.8 + k / 1_000)
        first._order1.add(0.1 - k / 10_000)
    again = EngineWear(ENGINE, from_settings(ENGINE))
    again.load(json.loads(json.dumps(first.state())))
    assert again.state() == first.state()
    assert again.last_h == pytest.approx(H0 + (ROWS - 1) / 6)
    assert again.medians == ROWS
    more = [replace(r, hours=r.hours + ROWS / 6, utc_s=r.utc_s + 1_200.0 * ROWS) for r in medians(300, seed=5)]
    for wear in (first, again):
        fed(more, wear=wear)
    assert again.state() == first.state()
    assert again.trend(UTC, HOURS, 1.0, 180.0) == first.trend(UTC, HOURS, 1.0, 180.0)
    fresh = EngineWear(ENGINE, from_settings(ENGINE))
    again.load(json.loads(json.dumps(fresh.state())))
    assert again.last_h == -math.inf
    assert (again.steps.maxlen, again._stops.maxlen, again._history.maxlen) == (16, 8, 130)


def test_history_is_a_point_each_six_hours() -> None:
    """Nearer ones are passed over; thirty days and a little are kept."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    for k in range(2_000):
        wear.ran(UTC0 + 3_600.0 * k, H0 + k)
    kept = wear.state()["history"]
    assert len(kept) == 130
    assert [b[0] - a[0] for a, b in pairwise(kept)] == [21_600.0] * 129
    assert kept[-1] == [UTC0 + 3_600.0 * 1_998, H0 + 1_998]


def test_spring_s_growth_by_trend_alone_where_it_was_watched_from_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retightened 50 h before the first median: slope times hours; 300 h before: length now less length booked."""
    start = Estimate(0.2, 0.03, Source.SETTINGS)
    for ago_h, length, growth_mm in (
        (50.0, None, SPRING_PER_H * (ROWS / 6 + 50)),
        (300.0, 179.9, SPRING + SPRING_PER_H * ROWS / 6 - 179.9),
    ):
        datum = replace(
            from_settings(ENGINE), spring_start=start, spring_at_datum_mm=length,
            retightened_at_h=H0 - ago_h, spring_changed_at_h=H0 - ago_h,
        )  # fmt: skip
        estimates = asked(fed(medians(), datum), monkeypatch)[2]
        assert [e.source if e else None for e in estimates] == [Source.LAG, Source.TIGHTENER, None, None]
        assert estimates[1].percent == pytest.approx(0.2 + whole(growth_mm / MM, 0.0)[0], abs=0.002)
    unknown = replace(datum, spring_at_datum_mm=None)
    assert asked(fed(medians(), unknown), monkeypatch)[2][1] is None


def test_lag_s_growth_by_trend_alone_where_it_was_watched_from_the_setting(monkeypatch: pytest.MonkeyPatch) -> None:
    """The zero is taken cold and standing, 0.5° of twist and warmth beside the lag under way: that is no growth.

    Set 50 h before the first median: slope times hours; too few medians, or none yet: as chains usually wear.
    """
    start = Estimate(0.6, 0.03, Source.LAG)
    datum = replace(
        from_settings(ENGINE), lag_start=start, lag_start_at_h=H0 - 50, camshaft_set_at_h=H0 - 50, lag_at_set_deg=0.3
    )
    told = asked(fed(medians(), datum), monkeypatch)[2][0]
    assert told.percent == pytest.approx(0.6 + PER_H * (ROWS / 6 + 50) / DEG, abs=0.002)
    for n, lag_deg in ((0, None), (60, None), (60, 0.8)):
        wear = fed(medians(n), datum)
        young = asked(wear, monkeypatch, hours=H0 + 10, lag_deg=lag_deg)[2][0]
        assert young.percent == pytest.approx(0.6 + 0.02 * 60 / 1_000)
        assert young.se_percent == pytest.approx(math.hypot(0.03, 0.05 / DEG, 0.02 * 60 / 1_000), rel=1e-3)


def test_a_retightening_leaves_the_lag_s_watch(monkeypatch: pytest.MonkeyPatch) -> None:
    """The growth since a setting that was watched goes on from there, though lag and spring are compared anew."""
    datum = replace(from_settings(ENGINE), lag_start_at_h=H0 - 50, camshaft_set_at_h=H0 - 50)
    wear = fed(medians(), datum)
    before = asked(wear, monkeypatch)[2][0]
    wear.rebase(replace(datum, spring_changed_at_h=HOURS), lag_restart=False, spring="level")
    assert asked(wear, monkeypatch)[2][0] == before
    old = wear.state()
    del old["lag_first_h"]
    again = EngineWear(ENGINE, wear.datum)
    again.load(old)
    assert again.state()["lag_first_h"] is None


def test_a_count_by_hand_is_carried_forward_by_the_lag_s_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    """Links measured 500 h ago have grown since; in the future of the count they have not."""
    pitch = geometry.stages(ENGINE)[0].pitch_mm
    for at_h, since in ((HOURS - 500, 500.0), (HOURS + 10, 0.0)):
        datum = replace(from_settings(ENGINE), links=(20, 20 * pitch * 1.003), links_at_h=at_h)
        by_hand = asked(fed(medians(), datum), monkeypatch)[2][2]
        assert by_hand.source is Source.LINKS
        assert by_hand.percent == pytest.approx(0.3 + PER_H * since / DEG, abs=5e-4)
        young = asked(fed(medians(50), datum), monkeypatch)[2][2]
        assert young.percent == pytest.approx(0.3)
        assert young.se_percent == pytest.approx(math.hypot(0.5 / (20 * pitch) * 100, 0.05, 0.02 * since / 1_000))


@pytest.mark.slow
def test_a_temperature_that_fails_is_said_and_bends_nothing() -> None:
    """The last three days without the frame's: the trend goes on as with it, and says what is missing."""
    rows = [replace(m, casing_c=60.0 + math.sin(k / 20), frame_c=45.0) for k, m in enumerate(medians())]
    late = ROWS - 3 * 144
    whole, lost = fed(rows), fed(rows[:late])
    fed([replace(m, frame_c=None) for m in rows[late:]], wear=lost)
    told = [wear.trend(UTC, HOURS, None, None) for wear in (whole, lost)]
    assert "temperature" not in told[0].noise
    assert told[1].noise.endswith(module.NO_WARMTH)
    assert middle(told[1].lag_deg) == pytest.approx(middle(told[0].lag_deg), abs=0.01)
    assert middle(told[1].lag_deg_per_1000h) == pytest.approx(middle(told[0].lag_deg_per_1000h), abs=0.02)


def ahead(tag: str, p05: float | None, p50: float | None) -> LimitAhead:
    return LimitAhead(tag, Range(p05, p50, None), UNKNOWN)


def test_nearest_is_the_first_by_its_early_end_that_is_in_sight(grown: EngineWear) -> None:
    """What is past, what is not known and what cannot be told from no drift at all are passed over."""
    t = replace(
        grown.trend(UTC, HOURS, None, None),
        limits=(ahead("past", 0.0, 0.0), ahead("blind", 5.0, None), ahead("none", None, 7.0), ahead("b", 40.0, 90.0),
                ahead("a", 30.0, 100.0)),
    )  # fmt: skip
    found = nearest(t)
    assert found is not None and found.limit == "a"
    assert nearest(replace(t, limits=t.limits[:3])) is None
    now = nearest(replace(t, limits=(*t.limits, ahead("c", 0.0, 1.0))))
    assert now is not None and now.limit == "c"


@pytest.mark.parametrize(("tag", "series"), [("lag-near", "lag_deg"), ("tension-low", "spring_mm")])
def test_a_limit_is_in_sight_only_by_a_slope_that_is_clear(grown: EngineWear, tag: str, series: str) -> None:
    """Above zero 19 times in 20 is not enough to call somebody; an interval of hours is known whatever the slope."""
    t = grown.trend(UTC, HOURS, None, None)
    for low, seen in ((0.39, False), (0.41, True)):
        young = replace(
            t,
            lag_deg_per_1000h=Range(-1.0, 1.0, 3.0),
            spring_mm_per_1000h=Range(-1.0, 1.0, 3.0),
            limits=(ahead(tag, 30.0, 100.0), ahead("retighten-due", 900.0, 900.0)),
        )
        young = replace(young, **{f"{series}_per_1000h": Range(low, 1.0, 2 - low)})  # type: ignore[arg-type]
        found = nearest(young)
        assert found is not None and found.limit == (tag if seen else "retighten-due")


def test_pooling_takes_only_what_is_known_and_has_a_width() -> None:
    """Either side unknown in any part, or without width: the first alone; else by inverse variance."""
    a, b = Range(0.0, 1.0, 2.0), Range(2.0, 4.0, 6.0)
    assert module.pooled(a, b) == Range(
        pytest.approx(1.6 - 0.8**0.5),
        pytest.approx(1.6),
        pytest.approx(1.6 + 0.8**0.5),  # type: ignore[arg-type]
    )
    for part in ("p05", "p50", "p95"):
        assert module.pooled(a, replace(b, **{part: None})) == a
        holed = replace(a, **{part: None})
        assert module.pooled(holed, b) == holed
    assert module.pooled(a, Range(4.0, 4.0, 4.0)) == a
    point = Range(1.0, 1.0, 1.0)
    assert module.pooled(point, b) == point
