"""Steps cut the series into levels: found, sized, dated, and never taken for a slope."""

import json
import math
from functools import cache

import numpy as np
import pytest
from wear_voyage import Voyage, make

from gateway.model.records import Median
from gateway.wear.segments import Segments


def spoilt(voyage, change):
    """The voyage with `change(index array)` added to its lag."""
    lag = voyage.lag + change(np.arange(len(voyage.lag)))
    return Voyage(**{f: getattr(voyage, f) for f in voyage.__dataclass_fields__} | {"lag": lag})


@cache
def quiet(seed, **given):
    """A voyage without the odd medians that seeds bring."""
    voyage = make(seed, **given)
    keep = ~voyage.odd
    fields = {f: getattr(voyage, f) for f in voyage.__dataclass_fields__}
    return Voyage(**{f: v if f == "truth" else v[keep] for f, v in fields.items()})


def watch(voyage, **settings):
    series = Segments("lag", **settings)
    return series, [found for m in voyage.medians() if (found := series.add(m))]


@cache
def state_before(at, seed, **given):
    """The state, as JSON, after the medians of a quiet voyage before the one at `at`."""
    series = Segments("lag")
    for m in list(quiet(seed, **given).medians())[:at]:
        series.add(m)
    return json.dumps(series.state())


def branch(at, change, seed, **given):
    """A quiet voyage that changes with the median at `at`: what it has in common with others is watched once, and taken
    over as after a restart."""
    series = Segments("lag")
    series.load(json.loads(state_before(at, seed, **given)))
    rows = list(spoilt(quiet(seed, **given), change).medians())[at:]
    return series, [found for m in rows if (found := series.add(m))]


@pytest.mark.parametrize(
    ("phi", "voyages"), [(0.8, 1), *(pytest.param(phi, 3, marks=pytest.mark.slow) for phi in (0.5, 0.8, 0.95))]
)
def test_slip_is_found_sized_and_dated(phi, voyages):
    """Pins that a slip of 0.15° is told once, within 12 h, dated within an hour, sized within 0.05° (noise 0.03°)."""
    for seed in range(voyages):
        voyage = quiet(seed, hours=1_200, phi=phi, sigma=0.03)
        at = len(voyage.hours) * 2 // 3
        series, (found,) = watch(spoilt(voyage, lambda i, at=at: 0.15 * (i >= at)))
        assert found.onset_hours == pytest.approx(voyage.hours[at], abs=1.01)
        assert 0 <= found.found_hours - voyage.hours[at] < 12
        assert found.size == pytest.approx(0.15, abs=0.05)
        assert series.drift().levels == 2


@cache
def plain_drift(at, **kept):
    """The drift of a quiet voyage without a step, which shares its beginning with those that have one."""
    return branch(at, lambda i: 0.0 * i, **kept)[0].drift()


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.0, 0.3, 0.5, 0.7])
@pytest.mark.parametrize("size", [8.0, -1.0])
def test_leap_in_the_middle_of_a_median(size, share):
    """Pins that a leap which falls inside a median, so that this one shows a share of it, is told whole and once."""
    kept = {"seed": 2, "hours": 1_200, "phi": 0.9, "sigma": 0.03}
    voyage = quiet(**kept)
    at = len(voyage.hours) // 2
    _, (found,) = branch(at, lambda i: size * ((i > at) + share * (i == at)), **kept)
    assert found.size == pytest.approx(size, abs=0.1)
    assert found.onset_hours == pytest.approx(voyage.hours[at], abs=0.4)


@pytest.mark.slow
@pytest.mark.parametrize("size", [*(pytest.param(x, marks=pytest.mark.slow) for x in (0.15, -0.4)), 8.0])
def test_jump_never_becomes_a_slope(size):
    """Pins that with a step in the middle the slope stays the wear, and its interval is hardly wider than without."""
    kept = {"seed": 3, "hours": 3_000, "phi": 0.8, "sigma": 0.03}
    voyage = quiet(**kept)
    middle = len(voyage.hours) // 2
    plain = plain_drift(middle, **kept)
    drift = branch(middle, lambda i: size * (i >= middle), **kept)[0].drift()
    error = math.sqrt(drift.cov[1][1])
    assert abs(drift.b - voyage.truth.b) < 3 * error
    # A free level in the middle costs the slope half its precision; nothing more.
    assert error < 2.2 * math.sqrt(plain.cov[1][1])
    assert drift.a - plain.a == pytest.approx(size, abs=0.06)


@pytest.mark.slow
def test_slope_knowledge_outlives_a_late_step():
    """Pins that a slip in the last day leaves the slope as it was known, while the level alone is learnt anew."""
    kept = {"seed": 4, "hours": 3_000, "phi": 0.8, "sigma": 0.03}
    at = len(quiet(**kept).hours) - 100
    plain = plain_drift(at, **kept)
    drift = branch(at, lambda i: 0.3 * (i >= at), **kept)[0].drift()
    assert drift.b == pytest.approx(plain.b, abs=0.5 * math.sqrt(plain.cov[1][1]))
    assert drift.cov[1][1] < 1.2 * plain.cov[1][1]
    assert drift.a - plain.a == pytest.approx(0.3, abs=3 * math.sqrt(drift.cov[0][0]))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("burst", "size"),
    [
        (1, 0.2),
        (2, -50.0),
        *(pytest.param(*x, marks=pytest.mark.slow) for x in ((1, 1.0), (1, -50.0), (2, 0.2), (2, 1.0))),
    ],
)
def test_odd_medians_are_no_step(burst, size):
    """Pins that one or two odd medians in a row, of any size, at any of forty places, make no step."""
    voyage = quiet(5, hours=1_500, phi=0.7, sigma=0.03)
    starts = range(500, 500 + 40 * 150, 150)
    _, found = watch(spoilt(voyage, lambda i: size * np.isin(i, [s + k for s in starts for k in range(burst)])))
    assert found == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "hours"), [(30, 1_500), *(pytest.param(n, 4_000, marks=pytest.mark.slow) for n in (30, 31, 32))]
)
def test_wear_and_changes_of_state_are_no_step(seed, hours):
    """Pins silence on voyages with speed, load and temperature changing all the time, odd medians included."""
    assert watch(make(seed, hours=hours))[1] == []


@pytest.mark.slow
def test_several_steps():
    """Pins that each of six slips is told, and that all levels share the slope."""
    voyage = quiet(6, hours=3_000, phi=0.7, sigma=0.02)
    places = np.linspace(0.2, 0.9, 6) * len(voyage.hours)
    series, found = watch(spoilt(voyage, lambda i: 0.2 * (i[:, None] >= places).sum(axis=1)))
    assert len(found) == 6
    assert series.drift().levels == 7


@pytest.mark.slow
def test_retightening_keeps_the_slope():
    """Pins that a level changed by hand is no step, and that the slope goes on while the level begins anew."""
    voyage = quiet(7, hours=2_000, phi=0.7, sigma=0.03)
    middle = len(voyage.hours) // 2
    series = Segments("lag")
    for i, m in enumerate(spoilt(voyage, lambda i: 5.0 * (i >= middle)).medians()):
        if i == middle:
            series.rebase(keep_slope=True)
            assert not series.drift().enough
        assert series.add(m) is None
    drift = series.drift()
    assert drift.levels == 2
    assert abs(drift.b - voyage.truth.b) < 3 * math.sqrt(drift.cov[1][1])


@pytest.mark.parametrize("medians", [60, 200], ids=["young", "old"])
@pytest.mark.parametrize("size", [8.0, -40.0])
def test_a_level_begun_anew_is_never_a_step(medians, size):
    """Pins that what the first medians of a new level lie from the old one's is not told, however far it is against the
    quietest noise (found by a voyage: a tooth of 8° counted twice, as jump and as step, and an elongation of −2 %)."""
    voyage = quiet(11, hours=400, phi=0.3, sigma=0.0008)
    series = Segments("lag", 0.5)
    rows = list(spoilt(voyage, lambda i: size * (i >= medians)).medians())
    for i, m in enumerate(rows[: medians + 150]):
        if i == medians:
            series.rebase(keep_slope=True)
        assert series.add(m) is None
        assert series.fit.group_shift() is None


def test_new_setting_forgets():
    """Pins that after the camshaft is set nothing old is told."""
    series, _ = watch(make(8, hours=1_000))
    assert series.drift().enough
    series.rebase(keep_slope=False)
    assert series.drift().why == "not known yet (about 100 h more needed)"


@pytest.mark.slow
@pytest.mark.parametrize("thorough", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_restart_goes_on_to_the_bit(thorough):
    """Pins that a watch restored at any point tells the same steps and the same drift as one never stopped."""
    voyage = quiet(9, hours=1_000, phi=0.9, sigma=0.03)
    middle = len(voyage.hours) // 2
    rows = list(spoilt(voyage, lambda i: 0.15 * (i >= middle)).medians())
    whole = Segments()
    told = [whole.add(m) for m in rows]
    assert any(told)
    for cut in (30, middle + 2) if not thorough else (200, middle, middle + 5, len(rows) - 1):
        first, second = Segments(), Segments()
        before = [first.add(m) for m in rows[:cut]]
        second.load(json.loads(json.dumps(first.state())))
        assert before + [second.add(m) for m in rows[cut:]] == told
        assert second.drift() == whole.drift()


def test_step_of_nothing_is_refused():
    """Pins that a step size of zero or less is refused."""
    with pytest.raises(ValueError):
        Segments("lag", step=0.0)


def in_bursts(seed, slip_deg):
    """A burst each half hour: its speed is the sea's as much as the engine's. Two thirds on, 6.5 rpm and more load;
    the lag may slip with it. In degrees: 0.002 a rpm, 0.12 a full load, noise 0.004 with a memory of days."""
    rng = np.random.default_rng(seed)
    n, at = 450, 300
    legs = np.where(np.arange(n) // 70 % 2, 95.0, 96.5)
    rpm = np.where(np.arange(n) < at, legs, 102.5)
    load = (rpm / 104) ** 3 + 0.02 * np.sin(np.arange(n) / 3.1) + 0.01 * rng.standard_normal(n)
    slow = np.zeros(n)
    for k in range(1, n):
        slow[k] = 0.985 * slow[k - 1] + 0.004 * math.sqrt(1 - 0.985**2) * rng.standard_normal()
    lag = 0.3 + 0.002 * (rpm - 95) + 0.12 * load + slow + slip_deg * (np.arange(n) >= at)
    seen_rpm = rpm + 0.6 * rng.standard_normal(n)
    return at, [
        Median(1.7e9 + 1_800 * k, 5_000 + k / 2, 9, float(lag[k]), 0.01, None, None, float(seen_rpm[k]), 56.0, None,
               float(load[k]))
        for k in range(n)
    ]  # fmt: skip


@pytest.mark.parametrize("seeds", [range(2), pytest.param(range(2, 6), marks=pytest.mark.slow)])
def test_another_speed_is_no_step_where_the_sea_has_spoilt_its_coefficient(seeds):
    """Pins that what a noisy speed has taught too little of is not taken for a slip; a real one beside it is told."""
    for seed in seeds:
        _, rows = in_bursts(seed, 0.0)
        quiet_one = Segments("lag")
        assert [found for m in rows if (found := quiet_one.add(m))] == []
        at, rows = in_bursts(seed, 0.2)
        slipped = Segments("lag")
        found, *more = [found for m in rows if (found := slipped.add(m))]
        assert more == []
        assert found.size == pytest.approx(0.2, abs=0.04)
        assert 0 <= found.found_hours - rows[at].hours < 12


def young(seed, leap_deg, *, medians=1_000, at=60):
    """110 medians in bursts; at the 60th another speed, and `medians` of them lie `leap_deg` higher."""
    rng = np.random.default_rng(seed)
    rpm = np.where(np.arange(110) < at, 95.0, 88.0)
    index = np.arange(110)
    lag = 0.4 + 0.002 * (rpm - 95) + 0.003 * rng.standard_normal(110)
    lag += leap_deg * ((index >= at) & (index < at + medians))
    seen = rpm + 0.3 * rng.standard_normal(110)
    return [
        Median(1.7e9 + 1_800 * k, 5_000 + k / 2, 9, float(lag[k]), 0.01, None, None, float(seen[k]), 56.0, 48.0, 0.7)
        for k in index
    ]


@pytest.mark.parametrize("leap_deg", [0.6, -0.45])
def test_a_leap_in_a_young_series_is_told_though_the_speed_changed_with_it(leap_deg):
    """Pins that a series too young for the chart tells a leap of over three steps with its third median, once."""
    for seed in range(5):
        series = Segments("lag")
        # Each comes twice: what is refused tells nothing again.
        (found,) = [found for m in young(seed, leap_deg) for _ in range(2) if (found := series.add(m))]
        assert found.size == pytest.approx(leap_deg, abs=0.05)
        assert (found.onset_hours, found.found_hours) == (5_030.0, 5_031.0)
        assert len(series.fit.state()["chain"]["segments"]) == 2


@pytest.mark.parametrize(("leap_deg", "medians"), [(0.0, 0), (0.25, 1_000), (0.6, 1), (0.6, 2)])
def test_less_or_shorter_is_no_leap_of_a_young_series(leap_deg, medians):
    """Pins that another speed alone, less than three steps, and one or two odd medians are not told."""
    for seed in range(5):
        series = Segments("lag")
        assert [found for m in young(seed, leap_deg, medians=medians) if (found := series.add(m))] == []
