"""A small shift of the lag from one moment to the next casts doubt on the lag; sea, speed and warmth do not."""

import json
from collections.abc import Iterator
from types import SimpleNamespace

import numpy as np
import pytest
from drive_engines import tern

from gateway.model.enums import Running
from gateway.wear.agreement import StepSeen
from gateway.wear.sudden import Level, Shift, SuddenShift
from gateway.wear.watch import WearWatch

PER_BURST, RPM = 8, 90.0


def levels(seed: int, n: int, every_s: float, white: float = 0.005) -> np.ndarray:
    """Means of bursts: weather of 0.02 deg with two days' memory, and noise of each burst's own."""
    rng = np.random.default_rng(seed)
    keep = np.exp(-every_s / 172_800)
    slow = np.zeros(n)
    for i in range(1, n):
        slow[i] = keep * slow[i - 1] + 0.02 * np.sqrt(1 - keep**2) * rng.standard_normal()
    return 0.7 + slow + rng.normal(0, white, n)


def revolution(t_s: float, deg: float | None, rpm: float = RPM) -> SimpleNamespace:
    return SimpleNamespace(t_us=round(t_s * 1e6), rpm=rpm, raw_deg=deg, duration_s=60 / rpm)


def burst(t_s: float, deg: float, seed: int, rpm: float = RPM) -> Iterator[SimpleNamespace]:
    """Links differ over three and a third turns."""
    rng = np.random.default_rng([seed, round(t_s)])
    for k in range(PER_BURST):
        uneven = 0.006 * np.sin(2 * np.pi * 0.3 * k + seed)
        yield revolution(t_s + k * 60 / rpm, deg + uneven + rng.normal(0, 0.002), rpm)


def sailed(seed: int, every_s: float, slip: float, at: int, n: int = 120) -> tuple[SuddenShift, list[int]]:
    """Bursts with a slip from number `at` on: the watch, and in which bursts doubt stood at the end."""
    watch, doubt = SuddenShift(bursts=True), []
    for i, deg in enumerate(levels(seed, n, every_s)):
        for c in burst(i * every_s, deg + (slip if i >= at else 0.0), seed):
            watch.revolution(c)
        if watch.shift is not None:
            doubt.append(i)
    return watch, doubt


@pytest.mark.parametrize("slip", [0.1, -0.1, 0.2])
@pytest.mark.parametrize("every_s", [600.0, 1_800.0])
def test_a_slip_of_one_line_is_in_doubt_from_its_first_burst_on(every_s: float, slip: float) -> None:
    """Size to within 0.03 deg, in twenty of twenty; it stays until the zero is taken."""
    for seed in range(20):
        watch, doubt = sailed(seed, every_s, slip, 60)
        assert doubt == list(range(60, 120))
        assert watch.shift is not None and watch.shift.size == pytest.approx(slip, abs=0.03)
        assert "coupling or encoder slipped" in watch.text
        watch.rebase()
        assert watch.text == ""


@pytest.mark.parametrize("every_s", [600.0, 1_800.0])
def test_weather_alone_is_no_shift(every_s: float) -> None:
    for seed in range(10):
        assert sailed(100 + seed, every_s, 0.0, 0, 400)[1] == []


def test_a_shift_that_comes_back_is_forgotten() -> None:
    """Two bursts at the old place; a single odd one is not enough."""
    watch = SuddenShift(bursts=True)
    off = {40: 0.1, 41: 0.1, 42: 0.0, 43: 0.1}
    seen = []
    for i in range(60):
        for c in burst(i * 600.0, 0.7 + off.get(i, 0.0), 1):
            watch.revolution(c)
        seen.append(watch.shift is not None)
    assert seen == [40 <= i < 46 for i in range(60)]


def test_without_pause_it_shows_within_twenty_turns() -> None:
    watch = SuddenShift(bursts=False)
    rng = np.random.default_rng(5)
    found = None
    for k in range(1_000):
        uneven = 0.01 * np.sin(2 * np.pi * 0.3 * k)
        watch.revolution(revolution(k * 0.667, 0.7 + uneven + rng.normal(0, 0.003) + 0.1 * (k >= 505)))
        if watch.shift is not None and found is None:
            found = k
    assert found is not None and 505 < found <= 525
    assert watch.shift is not None and watch.shift.size == pytest.approx(0.1, abs=0.01)


def test_another_speed_is_no_shift() -> None:
    """0.0045 deg a rpm, 80 to 100 rpm from one burst to the next."""
    watch = SuddenShift(bursts=True)
    for i in range(60):
        rpm = 80.0 if i < 30 else 100.0
        for c in burst(i * 600.0, 0.7 + 0.0045 * (rpm - 80), 1, rpm):
            watch.revolution(c)
        assert watch.shift is None


def test_a_rough_ship_has_a_wider_bar() -> None:
    """White noise of 0.03 deg in each burst: nothing is seen but what is beyond six standard deviations."""
    watch = SuddenShift(bursts=True)
    for i, deg in enumerate(levels(3, 200, 600.0, white=0.012)):
        for c in burst(i * 600.0, deg, 3):
            watch.revolution(c)
    assert watch.shift is None and 0.08 < watch.bound_deg < 0.16


def test_nothing_is_compared_over_an_interruption_or_a_jump() -> None:
    watch = SuddenShift(bursts=True)
    for i in range(40):
        if i == 30:
            watch.begin_again(warm=False)
        for c in burst(i * 600.0, 0.7 + 0.2 * (i >= 30), 1):
            watch.revolution(c)
    assert watch.shift is None
    for c in burst(40 * 600.0, 8.9, 1):
        watch.revolution(c)
    assert watch.shift is not None
    watch.jumped(8.0)
    assert watch.shift is None


def test_a_restart_changes_nothing() -> None:
    """Kept as JSON between two bursts, before the slip and after it."""
    whole, doubt = sailed(7, 600.0, 0.1, 60)
    watch = SuddenShift(bursts=True)
    for i, deg in enumerate(levels(7, 120, 600.0)):
        kept = json.loads(json.dumps(watch.state()))
        revolutions = watch._revolutions
        watch = SuddenShift(bursts=True)
        watch.load(kept)
        watch._revolutions = revolutions
        for c in burst(i * 600.0, deg + (0.1 if i >= 60 else 0.0), 7):
            watch.revolution(c)
        assert (watch.shift is not None) == (i in doubt)
    assert watch.shift == whole.shift


@pytest.mark.parametrize(
    ("at_h", "size", "told"),
    [(201.0, 0.12, "+0.12° (±0.01°)"), (150.0, 0.12, "+0.08° (±0.03°)"), (201.0, -0.12, "+0.08° (±0.03°)")],
)
def test_a_step_that_was_seen_as_it_happened_has_that_size(at_h: float, size: float, told: str) -> None:
    """The chart's own size, 0.08 of 0.12 deg, stands where the revolutions showed nothing like it; with its doubt."""
    watch = WearWatch(tern(), [], bursts=True, trend_every_us=3_600_000_000)
    watch.series.steps.append(StepSeen("lag", 0.08, 0.02, 200.0))
    watch.jumps.sudden.shift = Shift(1.0, Level(0.0, RPM, 0.7), size, 0.007, 0.7 + size)
    watch.second(1, 0.0, Running.AHEAD, at_h)
    step = watch.standing_step("lag")
    assert step is not None and told in step.text
    kept = json.loads(json.dumps(watch.state()))
    assert kept["sudden_h"] == at_h
