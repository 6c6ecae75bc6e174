"""The meter: each figure's quality and reason in every state, its bounds of belief, and going on after a restart."""

import json
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from firmware_sim_voyages import capture, event, fed, pipeline, tern_settings
from measure_blocks import block_of, frames_of

from firmware_sim import Head, Truth, parse_scenario
from gateway.link.breaks import StreamBreak
from gateway.link.decoder import Decoder
from gateway.link.runs import SampleRun, runs
from gateway.measure.meter import STALE_US, Meter
from gateway.measure.seconds import Second
from gateway.model.enums import Quality, Running
from gateway.model.records import Cycle, Health
from gateway.model.settings import slack_tension_n
from gateway.pipeline import ReadingDue

GOOD, UNCERTAIN, BAD = Quality.GOOD, Quality.UNCERTAIN, Quality.BAD


def meter(**engine: dict[str, object]) -> Meter:
    """A meter of the invented vessel's engine."""
    return Meter(tern_settings(**engine).engine[0])


def play(m: Meter, data: bytes, decoder: Decoder | None = None) -> list[Cycle]:
    """All cycles of a capture."""
    out = []
    for item in runs((decoder or Decoder()).gather(data)):
        if isinstance(item, StreamBreak):
            m.gap(max(0, item.gap_us))
        elif isinstance(item, SampleRun):
            if item.block is None:
                for _, health in item.interleaved:
                    m.take_interleaved(health)
            else:
                out += [w for w in m.block(item.block, item.interleaved) if isinstance(w, Cycle)]
    return out


def now_us(m: Meter) -> int:
    """When the last second ended."""
    assert m.last_second is not None
    return m.last_second.t_us


@pytest.mark.parametrize(
    ("off", "counted"),
    [({}, {}), ({"raw_deg": 3.0}, {"lag spike": 1}), ({"spring_mm": 3.0}, {"spring spike": 1}),
     ({"raw_deg": 3.0, "spring_mm": -3.0}, {"lag spike": 1, "spring spike": 1})],
    ids=["none", "lag", "spring", "both"],
)  # fmt: skip
def test_each_mean_counts_its_own_spikes(off: dict[str, float], counted: dict[str, int]) -> None:
    """A revolution far from its neighbours is refused by that figure's gate and counted under its name alone."""
    m = meter()
    (*_, last) = play(m, capture("[engine]\nspeed = [[0, 96]]\n", 60.0, seed=2))
    before = Counter(m.refused)
    m._smooth(replace(last, t_us=last.t_us + 600_000, **{name: getattr(last, name) + by for name, by in off.items()}))
    assert m.refused - before == counted


STATES = [
    # speed, seconds, running, spring's quality, lag's quality, words of the lag's reason
    ("[[0, 96]]", 70, Running.AHEAD, GOOD, GOOD, ""),
    ("[[0, 96]]", 45, Running.AHEAD, UNCERTAIN, UNCERTAIN, "too few revolutions"),
    ("[[0, 96]]", 20, Running.CHANGING, UNCERTAIN, UNCERTAIN, "changing"),
    ("[[0, -80]]", 70, Running.ASTERN, UNCERTAIN, UNCERTAIN, "astern"),
    ("[[0, 0]]", 20, Running.STOPPED, GOOD, UNCERTAIN, "stopped"),
    ("[[0, 0.12]]", 20, Running.TURNING, GOOD, UNCERTAIN, "turning gear"),
]


@pytest.mark.parametrize(("speed", "seconds", "running", "spring", "lag", "words"), STATES)
def test_quality_and_reason_in_every_state(
    speed: str, seconds: int, running: Running, spring: Quality, lag: Quality, words: str
) -> None:
    """A live spring length is good on a standing engine, a lag only from steady revolutions; a reason is given."""
    m = meter()
    play(m, capture(f"[engine]\nspeed = {speed}\n", seconds + 0.5))
    r = m.reading(now_us(m))
    assert (r.running, r.spring.quality, r.lag.quality) == (running, spring, lag)
    assert words in r.lag.reason
    assert (r.lag.reason == "") == (r.lag.quality is GOOD)
    assert (r.spring.reason == "") == (r.spring.quality is GOOD)
    assert r.lag.value is not None and abs(r.lag.value) < 5.0
    assert r.spring.value is not None and 170.0 < r.spring.value < 190.0
    assert (r.slap_mm is None, r.lag_p2p_deg is None) == (running is not Running.AHEAD,) * 2


def test_compression_and_tension_follow_from_the_spring() -> None:
    """Free length less spring length, and handbook sum 2 on it."""
    m = meter()
    play(m, capture("", 70.0))
    r = m.reading(now_us(m))
    assert r.spring.value is not None and r.compression_mm is not None
    assert r.compression_mm == pytest.approx(203.2 - r.spring.value)
    assert r.tension_n == pytest.approx(310.0 * r.compression_mm * 0.25 / (2 * np.sin(np.radians(45.0))))
    assert r.tension_n == pytest.approx(slack_tension_n(m.engine.tightener, r.compression_mm))


def test_nothing_heard_is_known_by_nobody() -> None:
    """Before the first second, and five seconds after the last: bad, without a figure, and it says why."""
    m = meter()
    r = m.reading(0)
    assert (r.running, r.rpm, r.lag.value, r.spring.value) == (Running.UNKNOWN, None, None, None)
    assert (r.lag.quality, r.spring.quality) == (BAD, BAD)
    play(m, capture("", 70.0))
    r = m.reading(now_us(m) + STALE_US + 1)
    assert (r.lag.value, r.spring.value, r.compression_mm, r.tension_n, r.slap_mm) == (None,) * 5
    assert "nothing heard" in r.lag.reason


def test_without_a_zero_there_is_no_lag() -> None:
    """The zero was never taken: no figure, and what to do about it."""
    data = tern_settings().engine[0]
    m = Meter(replace(data, lag=replace(data.lag, zero_deg=None)))
    cycles = play(m, capture("", 70.0))
    assert all(c.lag_deg is None and c.raw_deg is not None for c in cycles if c.steady)
    assert m.reading(now_us(m)).lag.quality is BAD
    assert "pin gauge" in m.reading(now_us(m)).lag.reason


@pytest.mark.parametrize(("seconds", "quality"), [(100, UNCERTAIN), (150, GOOD)])
def test_a_figure_from_a_window_with_an_open_loop_is_not_good(seconds: int, quality: Quality) -> None:
    """One opening of 20 ms is no fault, and the mean leaves it out; it is in doubt for two time constants."""
    m = meter()
    play(m, capture(event("bad-contact", 75, per_s=1.0, open_ms=20.0, for_s=1.0), seconds))
    r = m.reading(now_us(m))
    assert m.sensors.now.transducer == ""
    assert r.spring.quality is quality
    assert ("open" in r.spring.reason) == (quality is UNCERTAIN)


@pytest.mark.parametrize(
    ("kind", "spring", "lag", "words"),
    [
        ("loop-broken", BAD, GOOD, "NE 43"),
        ("cam-invalid", GOOD, BAD, "cam encoder as not valid"),
        ("cam-stuck", GOOD, BAD, "cam encoder stands still"),
        ("crank-stuck", None, BAD, "crank encoder stands still"),
        ("crank-invalid", None, BAD, "crank encoder as not valid"),
    ],
)
def test_a_faulty_sensor_spoils_its_own_figure_only(
    kind: str, spring: Quality | None, lag: Quality, words: str
) -> None:
    """The other figure stays as it was; without a crank there are no revolutions and nothing is averaged."""
    m = meter()
    play(m, capture(event(kind, 75, for_s=100), 90.0))
    r = m.reading(now_us(m))
    assert r.spring.quality is (spring or UNCERTAIN)
    assert r.lag.quality is lag
    bad = r.spring if r.spring.quality is BAD else r.lag
    assert bad.value is None and words in bad.reason
    assert r.running is (Running.AHEAD if spring else Running.UNKNOWN)


def test_refused_revolutions_are_counted_by_cause() -> None:
    """Each cause under its own name; what is used and what is not add up to all cycles."""
    text = "[engine]\nspeed = [[0, 60], [100, 60], [120, -60], [200, -60]]\n"
    text += event("cam-invalid", 60, for_s=5) + event("loop-broken", 70, for_s=5) + event("cam-stuck", 80, for_s=5)
    text += event("transducer-noisy", 90, for_s=5)
    m = meter()
    cycles = play(m, capture(text, 200.0))
    assert {"astern", "not steady", "cam not valid", "encoder fault", "loop doubtful", "transducer fault"} <= set(
        m.refused
    )
    assert m.used == sum(1 for c in cycles if c.steady and not c.refused) > 30
    assert all(c.refused for c in cycles if not c.steady)
    for c in cycles:
        assert (c.lag_deg is None) == bool({"cam not valid", "encoder fault"} & set(c.refused))
        assert (c.spring_mm is None) == bool({"loop doubtful", "transducer fault"} & set(c.refused))


def test_a_stuck_cam_does_not_leave_the_lag_a_turn_away() -> None:
    """After thirty seconds stuck the lag is again what it was, not whole turns beside it."""
    m = meter()
    cycles = play(m, capture(event("cam-stuck", 75, for_s=30), 150.0))
    lags = [c.raw_deg for c in cycles if c.steady and c.raw_deg is not None]
    assert len(lags) > 80
    assert max(lags) - min(lags) < 0.2


def test_a_change_of_speed_does_not_hand_the_mean_to_one_revolution() -> None:
    """Time runs only while steady: after two minutes of changing, the first steady revolution weighs as any other."""
    speed = "[[0, 96], [100, 96], [110, 70], [120, 96], [130, 70], [140, 96], [150, 70], [160, 96]]"
    m = meter()
    decoder = Decoder()
    data = capture(f"[engine]\nspeed = {speed}\n", 240.0)
    before = 0.0
    for at in range(0, len(data), 3_400):
        was = m.running.state
        play(m, data[at : at + 3_400], decoder)
        grown = m.lag.seen_s - before
        before = m.lag.seen_s
        assert grown <= 2.5, f"from {was}: a second of bytes gave {grown} s of mean"
    assert m.lag.seen_s > 100.0


def test_a_short_break_is_no_revolution() -> None:
    """A lost frame spoils the revolutions it touches and no other; the speed of its second stays right."""
    m = meter()
    data = capture(event("drop", 60, rate=0.1), 150.0, seed=4)
    speeds = []
    decoder = Decoder()
    for at in range(0, len(data), 3_400):
        play(m, data[at : at + 3_400], decoder)
        if m.running.rpm is not None:
            speeds.append(m.running.rpm)
    assert max(speeds) - min(speeds) < 5.0
    assert m.running.state is Running.AHEAD
    assert 30 < m.used < 150 * 1.6


def test_what_came_before_a_break_is_a_second_of_its_own() -> None:
    """Half a second of samples and two health frames: given out by the break, once, and every frame counted."""
    m, turned = meter(), np.arange(250, dtype=np.int64) * 210
    frames = frames_of(turned, turned, np.full(250, 12_000, dtype=np.int64))
    health = Health(0, 1, 0, None, None, None, None, None, None, None, None, None)
    assert list(m.block(block_of(frames, False), [(2, health), (5, health)])) == []
    second = m.gap(3_000_000)
    assert second is not None
    assert (second.n, second.frames, second.crank_travel, second.covered_us) == (250, 5, 249 * 210, 500_000)
    assert m.last_second is second and m.frames == 7 and m.gap(1_000_000) is None


def test_four_stroke_cycles_are_two_turns_at_crank_speed() -> None:
    """Ratio 2: half as many cycles, each of two crank turns; lag in crank degrees within 0.01° of the truth."""
    text = "[engine]\nratio = 2\nspeed = [[0, 100]]\n[chain]\ncam_teeth = 90\n"
    engine = replace(tern_settings().engine[0], ratio=2)
    m = Meter(engine)
    cycles = [c for c in play(m, capture(text, 100.0, seed=2)) if c.steady]
    assert len(cycles) == pytest.approx(70 * 100 / 60 / 2, abs=3)
    assert {round(c.rpm / 10) for c in cycles} == {10}
    truth = Truth(parse_scenario(text), 2)
    assert np.mean([c.lag_deg for c in cycles]) == pytest.approx(float(truth.lag_deg(70.0)), abs=0.01)


@pytest.mark.parametrize("at", [0.3, 0.71])
def test_a_restart_from_a_checkpoint_gives_the_same_means(at: float) -> None:
    """Means, gate, hours and faults go on as if never stopped but for the frames not heard: within a hundredth."""
    data = capture(event("cam-slip", 100, deg=0.0), 300.0, seed=9)
    cut = data.index(b"\0", int(len(data) * at)) + 1
    whole, first = meter(), meter()
    play(whole, data)
    play(first, data[:cut])
    second = meter()
    kept = json.loads(json.dumps(first.checkpoint()))
    second.restore(kept)
    assert json.loads(json.dumps(second.checkpoint())) == kept
    play(second, data[cut:])
    assert second.hours.hours == pytest.approx(whole.hours.hours, abs=2 / 3_600)
    for name in ("lag", "spring"):
        a, b = getattr(whole, name), getattr(second, name)
        assert b.fast.value == pytest.approx(a.fast.value, abs=0.005)
        assert b.slow.value == pytest.approx(a.slow.value, abs=0.005)
        # Steadiness is judged anew, for half a minute.
        assert a.seen_s - 40 <= b.seen_s <= a.seen_s
    assert second.running.under_way_s == pytest.approx(whole.running.under_way_s, abs=2)
    assert second.sensors.now.cam == whole.sensors.now.cam != ""


def test_an_interval_that_changes_without_a_break_makes_no_wild_speed() -> None:
    """The head samples faster from now on: the second ends there, and no travel leads across."""
    m = meter()
    crank = np.rint(np.arange(5_000) * 209.7152).astype(np.int64)
    loop = np.full(5_000, 10_000)
    slow = frames_of(crank, crank - 700, loop)
    fast = frames_of(crank[-1] + crank // 2, crank[-1] + crank // 2 - 700, loop, interval_ns=1_000_000, start_us=10**7)
    speeds = []
    for block in (block_of(slow, False), block_of(fast, False, 1_000_000)):
        speeds += [w.rpm for w in m.block(block) if isinstance(w, Second)]
    assert len(speeds) >= 14
    assert speeds == pytest.approx([96.0] * len(speeds), abs=0.1)


def test_a_restart_in_port_forgets_the_lag_before_the_stop() -> None:
    """Stopped, the daemon killed and started again, the camshaft turned by 0.6 deg, under way again: no reading that is
    called good lies off the truth (found by a voyage: the mean from before the stop was gone on with)."""
    text = "[head]\nrate_hz = 100\n[engine]\nspeed = [[0, 96], [200, 96], [210, 0], [300, 0], [310, 96]]\n"
    text += '[[event]]\nkind = "retime"\nat_s = 230\nfor_s = 20\ndeg = -0.6\n'
    scenario = parse_scenario(text)
    frames = list(Head(scenario).frames(500.0))
    first, second = pipeline(), pipeline()
    fed(first, [data for data, due_us in frames if due_us <= 225e6])
    second.restore(json.loads(json.dumps(first.checkpoint())))
    said = fed(second, [data for data, due_us in frames if due_us > 225e6])
    good = [s for s in said if isinstance(s, ReadingDue) and s.reading.lag.quality is Quality.GOOD]
    truth = Truth(scenario)
    for s in good:
        assert s.reading.lag.value == pytest.approx(float(truth.lag_deg(s.reading.t_us / 1e6)), abs=0.02)
    assert good
