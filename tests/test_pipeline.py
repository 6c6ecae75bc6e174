"""From the simulated head's bytes to what is said: same however split, each fault by its own alarm."""

import json
from functools import cache
from itertools import takewhile

import numpy as np
import pytest
from firmware_sim_voyages import START_UTC_S, capture, event, fed, moves, pipeline, raised, split, tern_settings

from firmware_sim import Head, Truth, parse_scenario
from gateway.measure.timeline import Now
from gateway.model.enums import Quality, Running
from gateway.model.records import Median
from gateway.pipeline import AlarmChanged, EnginePipeline, MedianDue, Output, ReadingDue, TrendDue, WrongHead
from gateway.wear.booking_check import read_entry
from gateway.wear.segments import StepFound
from gateway.wear.trend import Series, Side

QUICK = {"settle_min": 2}
"""Limits are judged two minutes after the start, so that a test need not run for twenty."""

ROUGH = "".join(
    [
        "[engine]\nspeed = [[0, 90], [250, 90], [270, -50], [330, -50], [350, 0], [380, 0], [400, 85]]\n",
        event("drop", 20, rate=0.03, for_s=200),
        event("corrupt", 60, rate=0.03, for_s=200),
        event("reorder", 100, rate=0.03, for_s=60),
        event("duplicate", 100, rate=0.03, for_s=60),
        event("crank-invalid", 130, for_s=8),
        event("cam-invalid", 150, for_s=8),
        event("loop-broken", 165, for_s=15),
        event("time-step", 190, step_s=-77),
        event("restart", 205, down_s=3),
        event("pause", 225, for_s=9),
        event("tooth-jump", 470),
    ]
)
"""All kinds of trouble in nine minutes."""


@cache
def rough() -> bytes:
    """The bytes of it."""
    return capture(ROUGH, 540.0, seed=11)


@cache
def rough_whole() -> tuple[EnginePipeline, list[Output]]:
    """A pipeline that was fed it in one piece, and what came out."""
    whole = pipeline(tern_settings(running=QUICK))
    return whole, fed(whole, [rough()])


@pytest.mark.parametrize("how", ["by frames", pytest.param("tiny", marks=pytest.mark.slow), "random", "large"])
def test_same_bytes_say_the_same_however_split(how: str) -> None:
    """Every saying with every figure is equal to the last bit: readings, medians, alarms, their times and order."""
    data = rough()
    rng = np.random.default_rng(1)
    cuts = {
        "by frames": [k + 1 for k, byte in enumerate(data) if byte == 0],
        "tiny": list(range(0, len(data), 61)),
        "random": np.cumsum(rng.integers(1, 20_000, len(data) // 10_000)).tolist(),
        "large": [len(data) // 2],
    }[how]
    parted = pipeline(tern_settings(running=QUICK))
    whole, wanted = rough_whole()
    assert {type(s).__name__ for s in wanted} >= {"AlarmChanged", "ReadingDue"}
    assert fed(parted, split(data, cuts)) == wanted
    for name in ("timeline", "meter", "alarms", "lag_jump"):
        assert parted.checkpoint()[name] == whole.checkpoint()[name]
    assert parted.meter.refused == whole.meter.refused


def test_frames_that_last_a_second_say_the_same_however_split() -> None:
    """A long frame begins before the health frame that went out ahead of it; that is no step of the head's clock."""
    data = capture("[head]\nrate_hz = 15\nsamples = 15\n[engine]\nspeed = [[0, 60]]\n", 300.0)
    whole, parted = pipeline(), pipeline()
    wanted = fed(whole, [data])
    assert fed(parted, split(data, [k + 1 for k, byte in enumerate(data) if byte == 0])) == wanted
    assert 298.0 <= whole.timeline.t_us / 1e6 <= 301.0


FAULTS = {
    "loop-broken": (event("loop-broken", 300, for_s=120), ["transducer-fault"], set()),
    "loop-high": (event("loop-high", 300, for_s=120), ["transducer-fault"], set()),
    "loop-invalid": (event("loop-invalid", 300, for_s=60), ["transducer-fault"], set()),
    "transducer-frozen": (event("transducer-frozen", 300, for_s=200), ["transducer-fault"], set()),
    "transducer-noisy": (event("transducer-noisy", 300, for_s=100), ["transducer-fault"], set()),
    "crank-stuck": (event("crank-stuck", 300, for_s=30), ["crank-encoder-fault"], set()),
    "cam-stuck": (event("cam-stuck", 300, for_s=30), ["cam-encoder-fault"], set()),
    "crank-invalid": (event("crank-invalid", 300, for_s=30), ["crank-encoder-fault"], set()),
    "cam-invalid": (event("cam-invalid", 300, for_s=30), ["cam-encoder-fault"], set()),
    "crank-slip": (event("crank-slip", 300, deg=3.0), ["crank-encoder-fault"], set()),
    "cam-slip": (event("cam-slip", 300, deg=-2.0), ["cam-encoder-fault"], set()),
    "tooth-jump": (event("tooth-jump", 300), ["lag-step"], {"lag-limit"}),
    "tooth-jump-early": (event("tooth-jump", 300, teeth=-1), ["lag-step"], {"lag-limit"}),
    "coupling-slip": (event("coupling-slip", 300, deg=0.6), ["lag-step"], set()),
    "nut-backs-off": (event("nut-backs-off", 300, mm=1.2), ["tension-step"], set()),
    "spring-break": (event("spring-break", 300, mm=6.0), ["tension-step"], {"tension-low", "slap-high"}),
    "pause": (event("pause", 300, for_s=20), ["head-silent"], set()),
    "restart": (event("restart", 300), [], set()),
    "time-step-back": (event("time-step", 300, step_s=-100), [], set()),
    "duplicate": (event("duplicate", 100, rate=0.05), [], set()),
    "corrupt": (event("corrupt", 100, rate=0.05), ["link-poor"], set()),
    "drop": (event("drop", 100, rate=0.05), ["link-poor"], set()),
    "truncate": (event("truncate", 100, rate=0.05), ["link-poor"], set()),
    "none": ("", [], set()),
}
"""Scenario, what must call, and what may call as well (a limit that is truly passed)."""


@cache
def said_of(name: str) -> list[Output]:
    """What is reported of a fault, within ten minutes of it; for the two tests that follow."""
    return fed(pipeline(tern_settings(running=QUICK)), [capture(FAULTS[name][0], 870.0, seed=3)])


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_each_fault_calls_by_its_own_alarm_and_no_other(name: str) -> None:
    """Within ten minutes of the fault: the alarm that names it first, and nothing that does not follow from it."""
    _, must, may = FAULTS[name]
    called = raised(said_of(name))
    assert called[: len(must)] == must
    assert set(called) <= set(must) | may
    assert len(called) == len(set(called))


@pytest.mark.parametrize("name", [n for n, (text, must, _) in FAULTS.items() if must and "for_s" in text])
def test_what_ends_returns(name: str) -> None:
    """When the fault is over its alarm returns, waits for acknowledgement, and the readings are good again."""
    _, must, _ = FAULTS[name]
    said = said_of(name)
    assert [m for m in moves(said) if m[2] == "returned"] == [(must[0], "unacknowledged", "returned")]
    last = [s.reading for s in said if isinstance(s, ReadingDue)][-1]
    assert (last.spring.quality, last.lag.quality) == ("good", "good")


def test_a_tooth_jump_is_found_within_ten_revolutions_and_named() -> None:
    """Handbook: one tooth of 45 is 8°; told within ten turns of 96 rpm, as a tooth."""
    said = fed(pipeline(tern_settings(running=QUICK)), [capture(event("tooth-jump", 300.0), 330.0, seed=3)])
    (step,) = [s.transition for s in said if isinstance(s, AlarmChanged)]
    assert step.tag == "lag-step"
    assert 300.0 < step.t_us / 1e6 <= 300.0 + 10 * 60 / 96 + 0.2
    assert step.value == pytest.approx(8.0, abs=0.1)
    assert "1 tooth" in step.text


def test_a_head_of_another_name_is_told_once_and_not_measured() -> None:
    """The wrong cable in the port must not speak for this engine."""
    p = pipeline()
    said = fed(p, [capture('[head]\nname = "starboard-head"\n', 60.0)])
    told = [s for s in said if isinstance(s, WrongHead)]
    assert [(w.heard, w.wanted) for w in told] == [("starboard-head", "port-head")]
    assert not p.presence.is_heard
    assert not [s for s in said if isinstance(s, MedianDue)]
    assert raised(said) == ["head-timing"]
    assert p.meter.frames == 0


def test_a_vanished_port_is_reported_at_once_however_long_the_head_pauses() -> None:
    """Bursts with an hour between them: an alarm in the next turn, not after three pauses; back, the head is heard."""
    p = pipeline(tern_settings(source="system", head={"burst_pause_s": 3_600.0}, running=QUICK))
    data = capture("", 30.0)
    p.feed(data, Now(0.0, START_UTC_S))
    assert p.idle(Now(5.0, START_UTC_S + 5)) == []
    p.presence.port_lost("Port /dev/ttyUSB0 vanished: check the plug")
    said = p.idle(Now(5.25, START_UTC_S + 5.25))
    assert raised(said) == ["head-silent"]
    assert "ttyUSB0 vanished" in next(s.transition.text for s in said if isinstance(s, AlarmChanged))
    assert not p.presence.is_heard
    p.presence.port_lost("")
    p.feed(capture("", 30.0, seed=4), Now(40.0, START_UTC_S + 40))
    assert p.presence.is_heard


def test_a_silent_head_is_told_by_the_gateways_clock_and_returns() -> None:
    """Five seconds without a good frame, by `idle`; then nothing is known and nothing else moves; back, it returns."""
    p = pipeline(tern_settings(source="system", running=QUICK))
    data = capture("", 120.0)
    frames = [f + b"\0" for f in data.split(b"\0")[:-1]]
    begin, end = frames[: len(frames) // 2], frames[len(frames) // 2 :]
    said = []
    for k, frame in enumerate(begin):
        said += list(p.feed(frame, Now(k * 0.09, START_UTC_S + k * 0.09)))
    t = len(begin) * 0.09
    quiet = [list(p.idle(Now(t + s, START_UTC_S + t + s))) for s in (1.0, 4.0, 4.8, 5.2, 6.2)]
    assert [raised(q) for q in quiet] == [[], [], [], ["head-silent"], []]
    reading = next(s.reading for q in quiet for s in q if isinstance(s, ReadingDue))
    assert (reading.running, reading.lag.value, reading.spring.value) == (Running.UNKNOWN, None, None)
    assert not p.presence.is_heard
    back = []
    for k, frame in enumerate(end):
        back += list(p.feed(frame, Now(t + 7 + k * 0.09, START_UTC_S + t + 7 + k * 0.09)))
    assert moves(back)[0] == ("head-silent", "unacknowledged", "returned")
    assert p.presence.is_heard


def test_silence_in_a_capture_is_told_by_head_time() -> None:
    """Replay has no clock but the head's: a pause of twenty seconds is silence, one of four is not."""
    for for_s, wanted in ((20.0, ["head-silent"]), (4.0, [])):
        said = fed(pipeline(), [capture(event("pause", 60, for_s=for_s), 120.0)])
        assert raised(said) == wanted


def test_astern_is_never_judged_against_the_limits_of_ahead() -> None:
    """Far past every limit, but only while astern: nothing calls, and nothing astern goes into the medians."""
    text = "[engine]\nspeed = [[0, -80]]\n[chain]\nelongation_percent = 2.0\n[tightener]\nlength_mm = 195.0\n"
    p = pipeline(tern_settings(running=QUICK))
    said = fed(p, [capture(text, 900.0)])
    assert moves(said) == []
    assert [s for s in said if isinstance(s, MedianDue)] == []
    readings = [s.reading for s in said if isinstance(s, ReadingDue)][12:]
    assert {r.running for r in readings} == {Running.ASTERN}
    assert {r.lag.quality for r in readings} == {"uncertain"}
    ahead = fed(pipeline(tern_settings(running=QUICK)), [capture(text.replace("-80", "80"), 900.0)])
    assert {"lag-limit", "tension-low"} <= set(raised(ahead))


def test_a_stopped_engine_does_not_heal_a_late_camshaft() -> None:
    """The alarm stands through stop, turning gear and start, and returns only when the running engine is well."""
    text = (
        "[engine]\nspeed = [[0, 90], [400, 90], [430, 0], [1200, 0], [1205, 0.12], [1500, 0.12], [1505, 0], [1600, 0], "
        "[1630, 90]]\n[chain]\nelongation_percent = 0.53\n" + event("retime", 1300, deg=-1.5, for_s=60)
    )
    said = fed(pipeline(tern_settings(running=QUICK)), [capture(text, 2_400.0)])
    lag = [(s.transition.to.value, s.transition.t_us / 1e6) for s in said if isinstance(s, AlarmChanged)]
    lag = [(to, t) for (to, t), (tag, a, b) in zip(lag, moves(said), strict=True) if tag == "lag-near" and a != b]
    assert [to for to, _ in lag] == ["unacknowledged", "returned"]
    assert lag[1][1] >= 1_600 + 120 + 300


@pytest.mark.parametrize(("stands", "lag_deg"), [(True, None), (False, pytest.approx(0.3))])
def test_what_was_measured_before_the_camshaft_was_set_is_not_its_lag(stands: bool, lag_deg: float | None) -> None:
    """Set while the engine stands, the mean from before is forgotten; booked under way, when nothing moves, it stays.

    Either way the chain has grown by nothing since.
    """
    slow = "[430, 0], [700, 0]" if stands else "[430, 85], [700, 85]"
    p = pipeline(tern_settings(running=QUICK))
    fed(p, [capture(f"[engine]\nspeed = [[0, 90], [400, 90], {slow}]\n", 700.0)])
    before_deg = p.meter.lag.slow.value
    assert before_deg is not None
    figures = {"raw_deg": before_deg - 0.3, "elongation_percent": 0.4, "elongation_se_percent": 0.03}
    who = {"id": "1", "utc_s": START_UTC_S + 700, "hours": p.meter.hours.hours, "person": "2/E"}
    entry = read_entry({"kind": "camshaft-set", **who, **figures})
    (trend,) = [s.trend for s in p.book(entry, [entry]) if isinstance(s, TrendDue)]
    assert p.meter.lag_of(p.meter.lag.slow.value) == lag_deg
    assert trend.elongation_percent.p50 == pytest.approx(0.4)


def test_a_slip_leaves_the_lag_in_doubt_until_the_camshaft_is_booked_as_set() -> None:
    """Counted by the index at 300 s: no good lag after its alarm is over, until the pin gauge's booking."""
    p = pipeline(tern_settings(running=QUICK))
    said = fed(p, [capture(event("cam-slip", 300.0, deg=0.4), 1_200.0)])
    last = [s.reading.lag for s in said if isinstance(s, ReadingDue)][-1]
    assert p.meter.sensors.now.cam == ""
    assert last.quality is Quality.UNCERTAIN and "compare the pin gauge" in last.reason
    who = {"id": "1", "utc_s": START_UTC_S + 1_200, "hours": p.meter.hours.hours, "person": "2/E"}
    entry = read_entry({"kind": "camshaft-set", **who, "raw_deg": 18.0, "elongation_percent": 0.4})
    p.book(entry, [entry])
    assert p.meter.lag_now(p.timeline.t_us).quality is Quality.GOOD


@pytest.mark.parametrize("at", [0.35, 0.5, 0.62, 0.93])
def test_a_restart_neither_repeats_nor_forgets_an_alarm(at: float) -> None:
    """A checkpoint, as JSON, taken anywhere, and a new pipeline that misses some seconds: the same alarms."""
    text = event("tooth-jump", 300) + event("loop-broken", 420, for_s=100)
    data = capture(text, 870.0, seed=3)
    settings = tern_settings(running=QUICK)
    wanted = [m for m in moves(fed(pipeline(settings), [data])) if m[1] != m[2]]
    cut = int(len(data) * at)
    first = pipeline(settings)
    before = fed(first, [data[:cut]])
    second = EnginePipeline(settings, "main", START_UTC_S)
    second.restore(json.loads(json.dumps(first.checkpoint())))
    after = fed(second, [data[cut + 7_000 :]])
    got = [m for m in moves(before) + moves(after) if m[1] != m[2]]
    assert sorted(got) == sorted(wanted)
    assert second.meter.hours.hours == pytest.approx(21_400 + 870 / 3_600, abs=1.5 / 3_600)


def timed(text: str, until_s: float) -> list[tuple[bytes, float]]:
    """A head's frames, each with the second at which it is due."""
    frames = ((frame, us / 1e6) for frame, us in Head(parse_scenario(text), 3).frames())
    return list(takewhile(lambda f: f[1] < until_s, frames))


@pytest.mark.slow
@pytest.mark.parametrize(("away_s", "told"), [(20, True), (200, False)])
def test_a_slip_over_a_short_restart_is_told_as_without_it(away_s: int, told: bool) -> None:
    """0.7° while the box is away for seconds: what ran steadily before and after has run on. Longer, and it may have
    stood and cooled: then only what warmth cannot do is told at once."""
    settings = tern_settings(running=QUICK)
    frames = timed(event("coupling-slip", 405, deg=0.7), 900.0)
    first = pipeline(settings)
    fed(first, [b"".join(frame for frame, s in frames if s < 400)])
    second = EnginePipeline(settings, "main", START_UTC_S)
    second.restore(json.loads(json.dumps(first.checkpoint())))
    said = fed(second, [b"".join(frame for frame, s in frames if s >= 400 + away_s)])
    assert ("lag-step" in raised(said)) is told


def test_after_a_restart_the_mean_is_of_what_is_seen_now() -> None:
    """A tooth jumps while the box is away for ten minutes of a head without pause: no reading afterwards that is called
    good lies between the old level and the new."""
    settings = tern_settings(running=QUICK)
    frames = timed(event("tooth-jump", 1_000), 1_500.0)
    first = pipeline(settings)
    fed(first, [b"".join(frame for frame, s in frames if s < 700)])
    second = EnginePipeline(settings, "main", START_UTC_S)
    second.restore(json.loads(json.dumps(first.checkpoint())))
    said = fed(second, [b"".join(frame for frame, s in frames if s >= 1_300)])
    good = [s.reading.lag.value for s in said if isinstance(s, ReadingDue) and s.reading.lag.quality == "good"]
    assert len(good) > 10
    assert np.ptp(np.array(good, float)) < 0.02


def said_after_a_restart(text: str, seconds: float, down_s: float, up_s: float, **running: float) -> list[Output]:
    """What is said of bursts by a gateway that went down at `down_s` and is up again at `up_s`."""
    settings = tern_settings(running=QUICK | running, head={"burst_pause_s": 594.0})
    frames = timed(text, seconds)
    first = pipeline(settings)
    fed(first, [b"".join(frame for frame, s in frames if s < down_s)])
    second = EnginePipeline(settings, "main", START_UTC_S)
    second.restore(json.loads(json.dumps(first.checkpoint())))
    return fed(second, [b"".join(frame for frame, s in frames if s >= up_s)])


@pytest.mark.parametrize("up_s", [4_198.0, 4_201.5, 4_202.4, 4_203.2])
def test_the_first_reading_after_a_restart_has_the_hours_of_the_pause(up_s: float) -> None:
    """Up again between two bursts or in the midst of one, before the head's count of turns was heard."""
    said = said_after_a_restart("[head]\nburst_s = 6\nevery_s = 600\n", 5_500.0, 3_100.0, up_s)
    first, *later = [s.reading for s in said if isinstance(s, ReadingDue)]
    assert 4_200e6 < first.t_us < 4_206e6
    for r in later:
        assert r.hours - first.hours == pytest.approx((r.t_us - first.t_us) / 3.6e9, abs=2 / 3_600)
    assert len(later) >= 2


def test_a_slip_between_bursts_is_told_though_the_box_restarts_there() -> None:
    """The pause hides no more with a restart in it than without."""
    text = "[head]\nburst_s = 6\nevery_s = 600\n" + event("coupling-slip", 3_300, deg=0.7)
    assert "lag-step" in raised(said_after_a_restart(text, 6_100.0, 3_100, 3_100))


@pytest.mark.parametrize(("stopped", "wanted"), [(False, ["tension-step"]), (True, [])])
def test_what_the_spring_does_in_an_hour_out_of_service_is_told_if_the_engine_ran_on(
    stopped: bool, wanted: list[str]
) -> None:
    """The count of turns proves that nobody had hands on the drive; where it stood meanwhile, that is not known."""
    speed = "[[0, 90], [4200, 90], [4260, 0], [5400, 0], [5460, 90]]" if stopped else "[[0, 90]]"
    text = f"[head]\nburst_s = 6\nevery_s = 600\n[engine]\nspeed = {speed}\n"
    text += event("nut-backs-off", 3_900, mm=2.0, for_s=1)
    said = said_after_a_restart(text, 8_100.0, 3_100, 6_500)
    assert [tag for tag in raised(said) if tag == "tension-step"] == wanted


@pytest.mark.parametrize(("up_s", "wanted"), [(3_100, ["tension-step"]), (6_500, [])])
def test_a_step_while_the_speed_changes_in_the_dark(up_s: float, wanted: list[str]) -> None:
    """With a restart between two bursts it is told as without; over an hour out of service the frame follows as well,
    and two millimetres at another speed may be warmth."""
    text = "[head]\nburst_s = 6\nevery_s = 600\n[engine]\nspeed = [[0, 90], [3300, 90], [3400, 84]]\n"
    text += event("nut-backs-off", 3_200, mm=2.0, for_s=1)
    said = said_after_a_restart(text, 8_100.0, 3_100, up_s, trend_after_min=10)
    assert [tag for tag in raised(said) if tag == "tension-step"] == wanted


@pytest.mark.parametrize(
    ("speed", "slip_deg", "after_min", "called"),
    [
        ("[[0, 90], [9700, 90], [9900, 82]]", 0.7, 60, ["lag-step"]),
        ("[[0, 82], [9700, 82], [9900, 90]]", -0.7, 60, ["lag-step"]),
        ("[[0, 90], [9700, 90], [9900, 75]]", None, 60, []),
        ("[[0, 90], [9700, 90], [9720, 0], [10100, 0], [10140, 82]]", 0.7, 60, []),
        ("[[0, 90], [9700, 90], [9900, 82]]", 0.7, 200, []),
        ("[[0, 90], [9700, 90], [9900, 62]]", -1.1, 60, []),
    ],
    ids=["slower", "faster", "no slip", "a stop between", "not warm yet", "slower than normal running"],
)
def test_a_slip_while_the_speed_changes_between_two_bursts(
    speed: str, slip_deg: float | None, after_min: int, called: list[str]
) -> None:
    """Pins that a warm drive that only ran on at another speed is held to little more than the step sought, by the next
    burst but one; over a stop, cold, or creeping into port, a degree may be warmth (a voyage found such
    a slip hours late)."""
    text = f"[head]\nburst_s = 6\nevery_s = 1200\n[engine]\nspeed = {speed}\n"
    text += "" if slip_deg is None else event("coupling-slip", 9_950, deg=slip_deg)
    running = QUICK | {"trend_after_min": after_min}
    p = pipeline(tern_settings(running=running, head={"burst_pause_s": 1_194.0}))
    assert p.engine.running.rpm_min > 62
    assert raised(fed(p, [capture(text, 12_100.0 if called else 14_500.0, seed=3)])) == called


def test_bursts_measure_count_hours_and_call() -> None:
    """Six seconds in ten minutes: hours within 0.1 %, medians each, a passed limit told, and silence not."""
    text = "[head]\nburst_s = 6\nevery_s = 600\n[chain]\nelongation_percent = 0.53\n"
    p = pipeline(tern_settings(head={"burst_pause_s": 594.0}))
    said = fed(p, [capture(text, 12 * 600.0 + 6)])
    assert p.meter.hours.hours - 21_400 == pytest.approx((12 * 600 + 6) / 3_600, rel=1e-3)
    assert len([s for s in said if isinstance(s, MedianDue)]) == 12
    assert raised(said) == ["lag-near"]


def test_lag_and_spring_of_readings_are_the_truth() -> None:
    """Every good reading of a steady voyage lies within 0.01° and 0.05 mm of the simulated truth."""
    said = fed(pipeline(), [capture("", 300.0, seed=5)])
    truth = Truth(parse_scenario(""), 5)
    good = [s.reading for s in said if isinstance(s, ReadingDue) and s.reading.lag.quality == "good"]
    assert len(good) >= 20
    for r in good:
        t_s = r.t_us / 1e6
        assert r.lag.value == pytest.approx(float(truth.lag_deg(t_s)), abs=0.01)
        assert r.spring.value == pytest.approx(float(truth.spring_mm(t_s)), abs=0.05)
        assert r.rpm == pytest.approx(float(truth.rpm(t_s)), abs=1.5)


@pytest.mark.parametrize(("rate", "wanted"), [(0.004, []), (0.02, ["link-poor"])])
def test_one_per_cent_of_frames_lost_is_the_border(rate: float, wanted: list[str]) -> None:
    """Half of it is borne for a whole quarter of an hour, twice of it is told."""
    text = event("drop", 0, rate=rate)
    said = fed(pipeline(), [capture(text, 900.0, seed=2)])
    assert raised(said) == wanted
    shares = [s.transition.value for s in said if isinstance(s, AlarmChanged) and s.transition.to == "unacknowledged"]
    assert all(share is not None and 1.0 <= share < 5.0 for share in shares)


def test_a_tooth_jump_is_no_growth_at_any_moment() -> None:
    """The trend's elongation stays what it was while a jump is in the making, and after it: the slow mean goes on from
    the new level (a voyage raised elongation-limit within the revolutions of a jump)."""
    text = '[head]\nrate_hz = 100\n[engine]\nspeed = [[0, 96]]\n[[event]]\nkind = "tooth-jump"\nat_s = 400\nteeth = 1\n'
    p = pipeline()
    seen = []
    for data, due_us in Head(parse_scenario(text)).frames(420.0):
        fed(p, [data], due_us / 1e6)
        if due_us > 395e6:
            seen.append(
                p.wear.trend(
                    p.measuring.slow_means(p.timeline.utc_s(p.presence.present_us(p.timeline.t_us)))
                ).elongation_percent.p50
            )
    known = [e for e in seen if e is not None]
    assert known
    assert max(known) - min(known) < 0.02
    stands = p.wear.standing_step("lag")
    assert stands is not None and stands.size == pytest.approx(8.0, abs=0.1)
    assert p.wear.jumps.lag.standing is not None


def test_the_trend_goes_by_the_mean_speed_and_not_by_a_bursts_wave() -> None:
    """In a seaway each burst is on another wave: the history keeps its speed, the trend gets the pause's by the turns.
    Where the speed was changed in the pause, it gets the burst's own."""
    text = (
        "[head]\nburst_s = 6\nevery_s = 1200\n[engine]\nspeed = [[0, 88], [24600, 88], [24700, 80]]\n"
        "sea = [[8.3, 0.8], [310.0, 0.5]]\n"
    )
    p = pipeline(tern_settings(running=QUICK | {"trend_after_min": 10}, head={"burst_pause_s": 1_194.0}))
    taken: list[Median] = []
    add = p.wear.series.add

    def seen(median: Median, side: Side) -> list[tuple[Series, StepFound]]:
        taken.append(median)
        return add(median, side)

    p.wear.series.add = seen  # type: ignore[method-assign]
    told = [s.median for s in fed(p, [capture(text, 30_000.0)]) if isinstance(s, MedianDue)]
    of = {m.utc_s: m.rpm for m in told}
    before, at = [m for m in taken if m.rpm > 84], next(m for m in taken if m.rpm < 84)
    assert len(before) > 15 and np.std([of[m.utc_s] for m in before]) > 0.2
    assert max(abs(m.rpm - 88.0) for m in before) < 0.12
    assert at.rpm == of[at.utc_s] and abs(at.rpm - 80.0) < 1.5


def test_alarms_are_judged_once_a_second_and_at_once_at_a_jump(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing else needs every revolution; a jump is announced at the revolution that makes it certain."""
    judged: list[int] = []
    judge = EnginePipeline._judge

    def noted(self: EnginePipeline, t_us: int) -> list[Output]:
        judged.append(t_us)
        return judge(self, t_us)

    monkeypatch.setattr(EnginePipeline, "_judge", noted)
    text = "[engine]\nspeed = [[0, 96]]\n" + event("tooth-jump", 200)
    said = fed(pipeline(tern_settings(running=QUICK)), [capture(text, 300.0)])
    (step,) = [s.transition for s in said if isinstance(s, AlarmChanged) and s.transition.tag == "lag-step"]
    between = [t_us for t_us in judged if t_us % 1_000_000]
    assert between == [step.t_us]
    assert 298 <= len(judged) <= 301
