"""What the head says: repeatable to the byte, in the order and at the pace of the link's page, and true."""

import itertools

import head_decoder
import numpy as np
import pytest

from firmware_sim import Head, Truth, load_scenario, parse_scenario

STEADY = load_scenario("steady")


def unwrapped_turns(codes: np.ndarray) -> np.ndarray:
    steps = (np.diff(codes) + 32_768) % 65_536 - 32_768
    return (codes[0] + np.concatenate([[0], np.cumsum(steps)])) / 65_536


def lags_by_turn(samples: np.ndarray, zero_deg: float = 17.35, ratio: int = 1) -> np.ndarray:
    """Lag of each working cycle, averaged over crank angle by trapezia with interpolated ends: the tests' own sum 3."""
    crank, cam = unwrapped_turns(samples[:, 0]), unwrapped_turns(samples[:, 1])
    lag = ((crank - ratio * cam) * 360 - zero_deg + 180) % 360 - 180
    area = np.concatenate([[0], np.cumsum((lag[1:] + lag[:-1]) / 2 * np.diff(crank))])
    marks = np.arange(np.ceil(crank[0]), np.floor(crank[-1]) + 1, ratio)
    order = np.maximum.accumulate(crank)
    return np.diff(np.interp(marks, order, area)) / ratio


def test_same_seed_same_bytes() -> None:
    """A scenario and a seed give the same bytes each time, from the same head and from a new one."""
    head = Head(STEADY, seed=5)
    first = head.capture(20)
    assert head.capture(20) == first
    assert Head(load_scenario("steady"), seed=5).capture(20) == first
    assert Head(STEADY, seed=6).capture(20) != first


@pytest.mark.parametrize("batch", [1, 333, 4_096, 200_000])
def test_bytes_do_not_depend_on_batches(batch: int) -> None:
    """How many samples are worked out at once does not show in the bytes, all faults included."""
    scenario = load_scenario("faults").changed(head={"rate_hz": 50})
    assert Head(scenario, batch=batch).capture(500) == Head(scenario).capture(500)
    squeezed = [e.model_copy(update={"at_s": e.at_s / 20}) for e in scenario.event]
    short = scenario.model_copy(update={"event": squeezed})
    assert Head(short, batch=batch).capture(75) == Head(short).capture(75)


def test_a_longer_capture_begins_with_the_shorter() -> None:
    """Where a capture ends does not change what comes before."""
    assert Head(STEADY).capture(30).startswith(Head(STEADY).capture(10))


def test_frames_come_at_the_links_pace() -> None:
    """Identity at start and every 10 s, health every second, 500 samples a second, sequence without a gap."""
    stream = head_decoder.decode(Head(STEADY).capture(25))
    assert stream.refused == 0
    assert [f.head_us for f in stream.of(1)] == [0, 10_000_000, 20_000_000]
    assert [f.head_us for f in stream.of(3)] == [s * 1_000_000 for s in range(26)]
    assert [f.head_us for f in stream.of(2)] == [i * 100_000 for i in range(250)]
    assert [f.sequence for f in stream.frames] == list(range(len(stream.frames)))
    assert stream.frames[0].fields["name"] == "port-head"


def test_time_of_sending_never_runs_back() -> None:
    """Frames leave in the order of their times of sending, at frame lengths that do not fit a second as well."""
    head = Head(STEADY.changed(head={"samples": 37, "rate_hz": 333}))
    times = [due for _, due in head.frames(15)]
    assert times == sorted(times)
    stream = head_decoder.decode(head.capture(15))
    assert np.allclose(np.diff(stream.sample_times_s()), 1 / 333, atol=2e-6)


@pytest.mark.parametrize(("rate", "samples"), [(500, 50), (200, 256), (1_000, 7)])
def test_lag_and_spring_in_the_bytes_are_the_truth(rate: int, samples: int) -> None:
    """Averaged over whole turns by angle, the bytes give the true lag within 0.002° and spring within 0.02 mm."""
    scenario = STEADY.changed(head={"rate_hz": rate, "samples": samples})
    rows = head_decoder.decode(Head(scenario).capture(60)).samples()
    truth = Truth(scenario).revolutions(0, 60)
    assert abs(lags_by_turn(rows).mean() - truth.lag_deg.mean()) < 0.002
    assert abs((rows[:, 2].mean() - 4_000) * 80 / 16_000 + 150 - truth.spring_mm.mean()) < 0.02


def test_four_stroke_cam_turns_at_half_speed() -> None:
    """Ratio 2: two crank turns to one cam turn, and the lag of each cycle is still the truth."""
    scenario = STEADY.changed(engine={"ratio": 2, "speed": [(0.0, 500.0)], "reference_rpm": 500, "full_rpm": 520})
    rows = head_decoder.decode(Head(scenario).capture(30)).samples()
    crank, cam = unwrapped_turns(rows[:, 0]), unwrapped_turns(rows[:, 1])
    assert (crank[-1] - crank[0]) / (cam[-1] - cam[0]) == pytest.approx(2, abs=1e-3)
    truth = Truth(scenario).revolutions(0, 30)
    assert abs(lags_by_turn(rows, ratio=2).mean() - truth.lag_deg.mean()) < 0.004


def test_orders_of_the_lag_are_those_of_the_scenario() -> None:
    """Torsion 0.25° of order 3 and 0.12° of order 6 stand in the lag's spectrum over crank angle; the seams do not."""
    rows = head_decoder.decode(Head(STEADY).capture(60)).samples()
    crank, cam = unwrapped_turns(rows[:, 0]), unwrapped_turns(rows[:, 1])
    even = np.linspace(np.ceil(crank[0]), np.floor(crank[-1]), 60_000, endpoint=False)
    lag = np.interp(even, np.maximum.accumulate(crank), (crank - cam) * 360)
    turns = round(np.floor(crank[-1]) - np.ceil(crank[0]))
    orders = 2 * np.abs(np.fft.rfft(lag)) / len(lag)
    assert orders[3 * turns] == pytest.approx(0.25, abs=0.01)
    assert orders[6 * turns] == pytest.approx(0.12, abs=0.01)
    assert orders[5 * turns] < 0.01


def test_eccentric_encoder_shows_once_a_turn() -> None:
    """An eccentric crank encoder alone shows 0.2° of the first order in crank − cam, none when it is centred."""
    for eccentric in (0.2, 0.0):
        shafts = {"crank_eccentric": (eccentric, 0.0), "cam_eccentric": (0.0, 0.0), "torsion": []}
        rows = head_decoder.decode(Head(STEADY.changed(shafts=shafts, engine={"sea": []})).capture(60)).samples()
        crank, cam = unwrapped_turns(rows[:, 0]), unwrapped_turns(rows[:, 1])
        lag = (crank - cam) * 360
        first = 2 * np.abs(np.mean((lag - lag.mean()) * np.exp(-2j * np.pi * crank)))
        assert first == pytest.approx(eccentric, abs=0.01)


def test_angles_come_in_counts() -> None:
    """A coarse encoder's angles are whole counts, in 65,536 parts of a turn."""
    scenario = STEADY.changed(head={"crank_counts": 360, "cam_counts": 1_024})
    rows = head_decoder.decode(Head(scenario).capture(5)).samples()
    counts = rows[:, 0] * 360 / 65_536
    assert np.abs(counts - np.rint(counts)).max() < 360 / 65_536
    assert (rows[:, 1] % 64 == 0).all()


def test_health_tells_turns_temperatures_and_fuel_index() -> None:
    """Health frames hold whole turns since the start, casing and frame temperatures and the fuel index's current."""
    stream = head_decoder.decode(Head(STEADY).capture(120))
    truth, last = Truth(STEADY), stream.of(3)[-1]
    assert last.fields["crank_turns"] == int(truth.turns(120.0))
    assert last.fields["casing_c"] == pytest.approx(float(truth.casing_c(120.0)), abs=0.6)
    assert last.fields["frame_c"] == pytest.approx(float(truth.frame_c(120.0)), abs=0.6)
    assert last.fields["fuel_index_ua"] == pytest.approx(4_000 + 16_000 * float(truth.load(120.0)) * 104 / 96, abs=60)
    assert last.fields["lost"] == 0


def test_any_field_of_health_can_be_not_fitted() -> None:
    """Fields that the scenario names as not fitted are sent with the link's marks, the others are not."""
    names = ["casing_c", "fuel_index_ua", "crank_slips", "crank_turns"]
    stream = head_decoder.decode(Head(STEADY.changed(head={"not_fitted": names})).capture(3))
    for frame in stream.of(3):
        assert {k for k, v in frame.fields.items() if v is None} == set(names)


def test_bursts() -> None:
    """Samples come only inside the bursts, with an identity and a health frame at the start of each."""
    scenario = STEADY.changed(head={"burst_s": 6, "every_s": 600, "rate_hz": 200})
    stream = head_decoder.decode(Head(scenario).capture(1_900))
    times = stream.sample_times_s()
    assert len(times) == 4 * 1_200
    assert ((times % 600) < 6).all()
    assert [f.head_us for f in stream.of(1)] == [k * 600_000_000 for k in range(4)]
    begins = [f.head_us % 600_000_000 for f in stream.of(3)]
    assert begins.count(0) == 4
    # Turns counted over a pause are those the engine made in it.
    turns = [f.fields["crank_turns"] for f in stream.of(3)]
    assert turns[-1] == int(Truth(scenario).turns(stream.of(3)[-1].head_us / 1e6))


def test_stop_turning_gear_and_astern_are_in_the_bytes() -> None:
    """The shafts stand still when stopped, creep on the turning gear, turn back when astern; turns only count up."""
    scenario = parse_scenario(
        "[engine]\nspeed = [[0,60],[20,60],[30,0],[40,0],[45,-50],[70,-50],[75,0],[80,0.1],[140,0.1]]\nsea = []"
    )
    stream = head_decoder.decode(Head(scenario).capture(140))
    times, crank = stream.sample_times_s(), unwrapped_turns(stream.samples()[:, 0])

    def turned(begin_s: float, end_s: float) -> float:
        inside = crank[(times >= begin_s) & (times <= end_s)]
        return float(inside[-1] - inside[0])

    assert turned(31, 39) == pytest.approx(0, abs=1e-3)
    assert turned(46, 69) == pytest.approx(-50 * 23 / 60, abs=0.05)
    assert turned(81, 139) == pytest.approx(0.1 * 58 / 60, abs=0.01)
    turns = [f.fields["crank_turns"] for f in stream.of(3)]
    assert all(a <= b for a, b in itertools.pairwise(turns))
    assert turns[-1] == int(Truth(scenario).turns(140.0))


def test_generating_months_of_bursts_is_quick_in_steps() -> None:
    """A day of bursts is worked out in a bounded number of batches: no work is done for the pauses between."""
    scenario = load_scenario("wear")
    calls = []
    head = Head(scenario)
    angle = head.motion.angle
    head.motion.angle = lambda t: (calls.append(t.size), angle(t))[1]  # type: ignore[method-assign,func-returns-value]
    frames = sum(1 for _ in head.frames(86_400))
    assert sum(calls) == 144 * 1_200
    assert len(calls) <= frames * scenario.head.samples / 16_384 + 2


def test_a_capture_needs_an_end() -> None:
    """An endless scenario cannot be captured without a duration."""
    with pytest.raises(ValueError, match="duration_s"):
        Head(STEADY).capture()
