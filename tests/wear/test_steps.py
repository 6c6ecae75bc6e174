"""Jumps per revolution, and the CUSUM's signature for steps in a whitened AR(1) series."""

import json
import math

import numpy as np
import pytest
from drive_engines import tern

from gateway.wear.jumps import LASTING, LASTING_IN_BURSTS, Jumps
from gateway.wear.steps import SETTLE_IN_BURSTS, Cusum, JumpDetector

TOOTH = 360 / 45


def detector(values, threshold=0.5, tooth=TOOTH):
    found = JumpDetector(threshold, tooth)
    return found, [(i, jump) for i, v in enumerate(values) if (jump := found.add(v))]


def noise(seed, n=400, sd=0.03):
    return np.random.default_rng(seed).normal(0.7, sd, n)


@pytest.mark.parametrize(("size", "teeth"), [(8.0, 1), (-8.0, -1), (16.0, 2), (-24.0, -3)])
def test_tooth_jump_within_ten_revolutions(size, teeth):
    """Pins that a jump of whole teeth is told within ten revolutions of its happening, with size and teeth, always."""
    for seed in range(200):
        values = noise(seed)
        values[300:] += size
        _, jumps = detector(values)
        ((at, jump),) = jumps
        assert at - 300 < 10
        assert jump.teeth == teeth
        assert jump.size == pytest.approx(size, abs=0.1)
        assert jump.before == pytest.approx(0.7, abs=0.05)


def test_step_at_the_threshold_within_ten_revolutions():
    """Pins that a step of just the threshold is told within ten revolutions in 99 of 100, and no teeth are named."""
    late = 0
    for seed in range(300):
        values = noise(seed)
        values[300:] -= 0.5
        _, jumps = detector(values)
        late += not jumps or jumps[0][0] - 300 >= 10
        assert all(j.teeth is None for _, j in jumps)
    assert late <= 3


@pytest.mark.parametrize("burst", [1, 2, 3, 4])
def test_burst_is_no_jump(burst):
    """Pins that up to four odd revolutions in a row, of any size, are no jump, nor do they move the reference."""
    values = noise(1)
    for start in (100, 150, 200, 203 + burst):
        values[start : start + burst] += 8.0
    found, jumps = detector(values)
    assert jumps == []
    assert found.standing is None


def test_no_jump_without_one():
    """Pins silence over 200,000 revolutions of noise with slow wander."""
    wander = 0.3 * np.sin(np.arange(200_000) / 3_000)
    _, jumps = detector(noise(2, 200_000, 0.05) + wander)
    assert jumps == []


def test_condition_stands_until_rebased():
    """Pins that the jump stands on while the level holds or even returns, is added up, and falls only by rebase."""
    values = noise(3, 1_000)
    values[200:] += TOOTH
    values[400:] += TOOTH
    values[600:] -= 2 * TOOTH
    found, jumps = detector(values)
    assert [j.teeth for _, j in jumps] == [1, 2, None]
    assert found.standing is not None
    assert found.standing.size == pytest.approx(0.0, abs=0.1)
    found.rebase()
    assert found.standing is None


def test_spring_in_mm():
    """Pins the same detector on a length in mm, where there are no teeth."""
    values = noise(4, sd=0.1) + 180
    values[300:] -= 3.0
    _, ((at, jump),) = detector(values, threshold=2.0, tooth=None)
    assert at < 310
    assert jump.teeth is None
    assert jump.size == pytest.approx(-3.0, abs=0.2)


def test_jump_detector_goes_on_after_restart():
    """Pins that a detector restored in the middle of a jump tells it at the same revolution."""
    values = noise(5).tolist()
    values[300:] = [v + TOOTH for v in values[300:]]
    _, (told, *_) = detector(values)
    for cut in (4, 299, 303, 306):
        first, second = JumpDetector(0.5, TOOTH), JumpDetector(0.5, TOOTH)
        for v in values[:cut]:
            assert first.add(v) is None
        second.load(json.loads(json.dumps(first.state())))
        assert next((i, j) for i, v in enumerate(values[cut:], cut) if (j := second.add(v))) == told


def test_restart_keeps_what_stands():
    """Pins that a standing jump outlives a restart."""
    values = noise(6)
    values[300:] += TOOTH
    found, _ = detector(values)
    other = JumpDetector(0.5, TOOTH)
    other.load(json.loads(json.dumps(found.state())))
    assert other.standing == found.standing


@pytest.mark.parametrize(("threshold", "tooth"), [(0.0, 8.0), (-1.0, None), (0.5, 0.0)])
def test_jump_settings_refused(threshold, tooth):
    """Pins that a threshold or tooth of zero or less is refused."""
    with pytest.raises(ValueError):
        JumpDetector(threshold, tooth)


def whitened_run(chart, rng, phi, sizes):
    """Figures of an AR(1) series of marginal sd 1 plus `sizes`, whitened and fed to the chart; where it signals."""
    root = math.sqrt(1 - phi * phi)
    noise_now, before = rng.standard_normal(), None
    for i, size in enumerate(sizes):
        noise_now = phi * noise_now + root * rng.standard_normal()
        value = noise_now + size
        if before is not None:
            signal = chart.add((value - phi * before) / root, 1 / root, (1 - phi) / root)
            if signal:
                return i, signal
        before = value
    return None


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9])
def test_false_signals_no_more_often_than_promised(phi):
    """Pins the bound on false signals, e^threshold medians a side, by simulation at a low threshold."""
    threshold, rng = 4.0, np.random.default_rng(7)
    runs = [whitened_run(Cusum(2.0, threshold), rng, phi, np.zeros(20_000))[0] for _ in range(300)]
    assert np.mean(runs) > 0.5 * math.exp(threshold)


def test_step_in_a_series_with_memory_is_sized_and_dated():
    """Pins that at φ = 0.9 the matched chart finds a step of 3.3 sd within 36 medians, right in size and onset."""
    rng = np.random.default_rng(8)
    found = [whitened_run(Cusum(3.3, 15.0, 12.0, z_max=4.0), rng, 0.9, [0.0] * 50 + [-3.3] * 300) for _ in range(100)]
    assert np.median([at for at, _ in found]) - 50 < 36
    # `at` counts the series from 0, the chart its figures from 1, beginning with the series' second.
    assert np.mean([abs(signal.onset - 50) <= 1 for _, signal in found]) > 0.9
    assert np.mean([signal.size for _, signal in found]) == pytest.approx(-3.3, abs=0.3)


def test_plain_chart_on_the_same_series_is_slower():
    """Pins why the chart is matched: on whitened residuals the textbook chart takes several times as long."""
    matched, plain = (
        [whitened_run(c(), np.random.default_rng(s), 0.9, [0.0] * 50 + [3.3] * 900)[0] - 50 for s in range(60)]
        for c in (lambda: Cusum(3.3, 15.0, 12.0, z_max=4.0), lambda: _Plain())
    )
    assert np.median(plain) > 2 * np.median(matched)


class _Plain:
    """The textbook chart with k = 0.5 and h for the same mean run (e^13.8 medians), its residuals cut at 3."""

    def __init__(self):
        self.chart = Cusum.tabular(0.0, k=0.5, h=12.65)

    def add(self, z, first, later):
        return self.chart.add(max(-3.0, min(z, 3.0)))


def test_one_residual_alone_makes_no_step():
    """Pins that a single residual of any size cannot pass the threshold when what it may contribute is bounded."""
    chart = Cusum(3.0, 15.0, 12.0, z_max=4.0)
    assert all(chart.add(z, 2.0, 0.2) is None for z in [0.0] * 20 + [1e6] + [0.0] * 100)


def test_cusum_goes_on_after_restart():
    """Pins that a restored chart carries the very same scores."""
    rng = np.random.default_rng(9)
    one, other = Cusum(1.0, 8.0), Cusum(1.0, 8.0)
    for z in rng.standard_normal(50):
        one.add(z)
    other.load(json.loads(json.dumps(one.state())))
    tail = rng.standard_normal(200) + 1.0
    assert [one.add(z) for z in tail] == [other.add(z) for z in tail]


@pytest.mark.parametrize(("shift", "threshold"), [(0.0, 5.0), (1.0, 0.0)])
def test_cusum_settings_refused(shift, threshold):
    """Pins that a chart without a shift or a threshold is refused."""
    with pytest.raises(ValueError):
        Cusum(shift, threshold)


def test_an_even_number_of_late_revolutions_has_the_mean_of_its_middle_two():
    """Pins the median that sizes a jump: eight of nine stand apart, four at one height and four at another."""
    detector = JumpDetector(1.0)
    for _ in range(9):
        detector.add(0.0)
    told = [detector.add(v) for v in (2.0, 2.0, 2.0, 2.0, 3.0, 3.0, 3.0, 3.0)]
    assert told[:-1] == [None] * 7
    assert told[-1] is not None and told[-1].size == pytest.approx(2.5)


def test_over_a_stop_three_thresholds_are_told_either_way_and_less_is_a_new_level():
    """Pins the bound itself from both sides, up and down, and that a second stop before the first reference is kept."""
    for size, told in ((2.9, False), (3.1, True), (-2.9, False), (-3.1, True)):
        detector = JumpDetector(1.0)
        for _ in range(9):
            detector.add(10.0)
        detector.resume()
        for _ in range(4):
            assert detector.add(10.0 + size) is None
        detector.resume()
        found = [detector.add(10.0 + size) for _ in range(9)]
        assert found[:-1] == [None] * 8
        assert (found[-1] is not None) is told
        if found[-1] is not None:
            assert found[-1].size == pytest.approx(size) and found[-1].before == 10.0


def test_after_setting_anew_the_next_revolutions_are_the_reference():
    """Pins that nothing is compared with what was before, by whatever it differs."""
    detector = JumpDetector(1.0)
    for _ in range(9):
        detector.add(10.0)
    detector.rebase()
    assert [detector.add(50.0) for _ in range(9)] == [None] * 9
    assert detector.standing is None
    assert detector.add(50.0) is None
    detector.resume()
    assert [detector.add(50.5) for _ in range(9)] == [None] * 9


def test_over_a_stop_the_level_before_it_stands_until_there_is_a_new_one() -> None:
    """The trend asks at any moment: until nine revolutions have told what came of the stop, what was known counts."""
    detector = JumpDetector(0.5)
    assert detector.in_doubt is None
    for _ in range(20):
        detector.add(1.0)
    detector.resume()
    for _ in range(8):
        assert detector.in_doubt == pytest.approx(1.0)
        assert detector.add(9.0) is None
    assert detector.in_doubt == pytest.approx(1.0)
    assert detector.add(9.0) is not None
    assert detector.in_doubt is None


def test_a_jump_in_the_making_names_the_level_before_it() -> None:
    """From the first revolution that stands apart until the jump is certain, nothing may be built on the new level."""
    detector = JumpDetector(0.5)
    for _ in range(20):
        detector.add(1.0)
    assert detector.in_doubt is None
    told = None
    for _ in range(7):
        told = detector.add(4.0)
        assert told is None
        assert detector.in_doubt == pytest.approx(1.0)
    told = detector.add(4.0)
    assert told is not None
    assert told.after == pytest.approx(4.0)
    assert detector.in_doubt is None


REVOLUTIONS_A_BURST = 7
"""Six seconds at 75 rpm, less the one that is cut."""


def in_bursts(per_burst, bursts=60, sd=0.01):
    """The figure of each revolution where it drifts by `per_burst` in the pauses."""
    level = np.repeat(per_burst * np.arange(bursts), REVOLUTIONS_A_BURST)
    return level + np.random.default_rng(5).normal(0.0, sd, level.size)


@pytest.mark.parametrize("per_burst", [0.12, -0.12])
def test_what_goes_on_in_the_pauses_of_bursts_is_no_jump(per_burst):
    """Pins that an eighth of the threshold an hour for days, as warmth does it for hours, is followed by the reference
    (found by voyages with the wear of years in days, where the level seven hours ago was taken for the present one)."""
    found = JumpDetector(1.0, settle=SETTLE_IN_BURSTS)
    assert not any(found.add(v) for v in in_bursts(per_burst))
    assert found.in_doubt is None


@pytest.mark.parametrize("size", [1.1, -1.1, 8.0])
@pytest.mark.parametrize("place", range(REVOLUTIONS_A_BURST))
@pytest.mark.parametrize("per_burst", [0.05, -0.05])
def test_a_jump_in_bursts_is_told_within_ten_revolutions_while_the_figure_drifts(size, place, per_burst):
    """Pins that what follows a drift still tells a little more than the threshold, wherever in a burst it happens."""
    values, at = in_bursts(per_burst), 40 * REVOLUTIONS_A_BURST + place
    values[at:] += size
    found = JumpDetector(1.0, settle=SETTLE_IN_BURSTS)
    told = [(i, jump) for i, v in enumerate(values) if (jump := found.add(v))]
    ((when, jump),) = told
    assert when - at < 10
    assert jump.size == pytest.approx(size, abs=0.25)


def resumed(detector, *bars, size=0.0):
    """What nine revolutions after these interruptions tell, the level moved by `size`."""
    for _ in range(9):
        detector.add(10.0)
    for bar in bars:
        detector.resume(bar)
    return [detector.add(10.0 + size) for _ in range(9)][-1]


@pytest.mark.parametrize("size", [1.3, -1.3])
def test_over_another_speed_little_more_than_the_threshold_is_told(size):
    """Pins the bar from both sides, and that a stop before there is a new reference raises it again."""
    speed, stop = JumpDetector.over_speed, JumpDetector.over_stop
    told = resumed(JumpDetector(1.0), speed, size=size)
    assert told is not None and told.size == pytest.approx(size) and told.before == 10.0
    assert resumed(JumpDetector(1.0), speed, size=size * 1.1 / 1.3) is None
    assert resumed(JumpDetector(1.0), speed, stop, size=size) is None
    assert resumed(JumpDetector(1.0), stop, speed, size=size) is None
    again = JumpDetector(1.0)
    assert resumed(again, stop, size=size) is None
    assert again.add(10.0 + size) is None
    again.resume(speed)
    assert [again.add(10.0) for _ in range(9)][-1] is not None


def test_what_is_told_over_another_speed_outlives_a_restart():
    """Pins that the bar is kept, and that a state of before it was kept goes by that of a stop."""
    first = JumpDetector(1.0)
    for _ in range(9):
        first.add(10.0)
    first.resume(JumpDetector.over_speed)
    kept = json.loads(json.dumps(first.state()))
    second, third = JumpDetector(1.0), JumpDetector(1.0)
    second.load(kept)
    third.load({k: v for k, v in kept.items() if k != "bar"})
    assert [second.add(11.5) for _ in range(9)][-1] is not None
    assert [third.add(11.5) for _ in range(9)] == [None] * 9


@pytest.mark.parametrize(("size", "seen"), [(-2.2, True), (-1.8, False)])
def test_a_standstill_is_judged_by_the_last_normal_running_whatever_slow_stretches_lie_between(size, seen):
    """Pins that a ship which creeps into port and out again, steadily at low speeds, shows what was done in port: the
    level at low speeds, nearer to the new one, is no yardstick (a voyage told 2.6 mm seven hours late)."""
    detector = JumpDetector(1.0)
    for level, slow, bar in (
        (10.0, False, JumpDetector.over_stop),
        (9.5, True, JumpDetector.over_stop),
        (9.5 + size, True, JumpDetector.over_stop),
    ):
        detector.resume(bar, slow=slow)
        assert [detector.add(level) for _ in range(12)] == [None] * 12
    again = JumpDetector(1.0)
    again.load(json.loads(json.dumps(detector.state())))
    for d, bursts in ((detector, False), (again, True)):
        d.resume(JumpDetector.over_standstill)
        if bursts:
            # Too short for a reference, and in the next one the engine has gone faster.
            assert [d.add(10.0 + size) for _ in range(7)] == [None] * 7
            d.resume(JumpDetector.over_stop)
        found = [d.add(10.0 + size) for _ in range(9)][-1]
        assert (found is not None) is seen
        assert found is None or (found.size == pytest.approx(size) and found.over_standstill)


def test_a_jump_while_the_ship_creeps_is_not_found_again_at_sea():
    """Pins that what was told at a low speed is in the level that normal running is compared with."""
    detector = JumpDetector(1.0)
    for level, slow in ((10.0, False), (10.0, True), (14.0, True)):
        detector.resume(JumpDetector.over_stop, slow=slow)
        told = [detector.add(level) for _ in range(9)][-1]
        assert (told is not None) is (level == 14.0)
    detector.resume(JumpDetector.over_standstill)
    assert [detector.add(14.0) for _ in range(12)] == [None] * 12


@pytest.mark.parametrize(("size", "seen"), [(0.4, True), (-0.4, True), (0.25, False)])
@pytest.mark.parametrize("bursts", [False, True])
def test_a_lag_that_lasts_below_the_step_sought_is_a_jump_in_two_minutes(size, seen, bursts):
    """Pins that four lines of an encoder that slipped uncounted, 0.4°, are found though the step sought is 0.5°; that
    less is left to the medians; and that nothing is found sooner than a wave or a manoeuvre lasts."""
    detector = Jumps(tern(), bursts=bursts).lag
    noise = np.random.default_rng(8).normal(0.0, 0.02, 400)
    told = [i for i, off in enumerate(noise) if detector.add(1.0 + off + size * (i >= 100)) is not None]
    wait = LASTING_IN_BURSTS if bursts else LASTING
    assert told == ([100 + wait - 1] if seen else [])
