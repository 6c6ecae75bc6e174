"""Each fault of the timetable is visible in the bytes, only while it lasts, and in no other channel."""

from collections import Counter

import head_decoder
import numpy as np
import pytest

from firmware_sim import Head, Scenario, Truth, parse_scenario

CRANK, CAM, LOOP = 0, 1, 2
RATE = "[head]\nrate_hz = 200\nsamples = 20\n"


def scenario(*events: str, tables: str = "") -> Scenario:
    return parse_scenario(RATE + tables + "".join(f"\n[[event]]\n{e}" for e in events))


def played(event: str, duration_s: float = 30, tables: str = "") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, samples with the event, samples without it."""
    stream = head_decoder.decode(Head(scenario(event, tables=tables)).capture(duration_s))
    plain = head_decoder.decode(Head(scenario(tables=tables)).capture(duration_s))
    return stream.sample_times_s(), stream.samples(), plain.samples()


def changed_channels(rows: np.ndarray, plain: np.ndarray) -> set[int]:
    return set(np.flatnonzero((rows != plain).any(axis=0)).tolist())


@pytest.mark.parametrize(("kind", "low_ua", "high_ua"), [("loop-broken", 0, 3_600), ("loop-high", 21_000, 25_000)])
def test_failed_loop(kind: str, low_ua: int, high_ua: int) -> None:
    """A broken loop reads below 3.6 mA, a shorted one above 21.0 mA, while it lasts; the angles do not know."""
    t, rows, plain = played(f'kind = "{kind}"\nat_s = 10\nfor_s = 5')
    inside = (t >= 10) & (t < 15)
    assert ((rows[inside, LOOP] >= low_ua) & (rows[inside, LOOP] <= high_ua)).all()
    assert (rows[~inside] == plain[~inside]).all()
    assert changed_channels(rows, plain) == {LOOP}


@pytest.mark.parametrize(("kind", "channel"), [("transducer-frozen", LOOP), ("crank-stuck", CRANK), ("cam-stuck", CAM)])
def test_standing_signal(kind: str, channel: int) -> None:
    """A frozen transducer or stuck encoder repeats its first sample while it lasts, and is then back."""
    t, rows, plain = played(f'kind = "{kind}"\nat_s = 10.003\nfor_s = 5')
    inside = (t >= 10.003) & (t < 15.003)
    assert set(rows[inside, channel].tolist()) == {int(plain[inside][0, channel])}
    assert (rows[~inside] == plain[~inside]).all()
    assert changed_channels(rows, plain) == {channel}


def test_noisy_transducer() -> None:
    """A noisy transducer's steps from sample to sample are of the size of the scenario's noise."""
    t, rows, _ = played('kind = "transducer-noisy"\nat_s = 10\nfor_s = 5\nma = 0.5')
    inside = (t >= 10) & (t < 15)
    assert np.diff(rows[inside, LOOP]).std() == pytest.approx(500 * np.sqrt(2), rel=0.1)
    assert np.diff(rows[~inside, LOOP]).std() < 60


def test_shifted_and_creeping_transducer() -> None:
    """A shift reads its mm more while it lasts, a drift ends at its mm and stays; the truth stays out."""
    t, rows, plain = played('kind = "transducer-shift"\nat_s = 10\nfor_s = 5\nmm = 2.0')
    off = (rows - plain)[:, LOOP]
    assert set(off[(t >= 10) & (t < 15)].tolist()) <= {399, 400, 401}
    assert (off[(t < 10) | (t >= 15)] == 0).all()
    event = 'kind = "transducer-drift"\nat_s = 10\nfor_s = 10\nmm = 2.0'
    t, rows, plain = played(event)
    off = (rows - plain)[:, LOOP]
    assert off[np.argmin(abs(t - 15))] == pytest.approx(200, abs=2)
    assert off[-1] == pytest.approx(400, abs=2)
    assert Truth(scenario(event)).spring_mm(29.0) == Truth(scenario()).spring_mm(29.0)


@pytest.mark.parametrize(
    ("kind", "channel", "bit"), [("crank-slip", CRANK, "crank_slips"), ("cam-slip", CAM, "cam_slips")]
)
def test_slipped_encoder(kind: str, channel: int, bit: str) -> None:
    """A slipped encoder reads its degrees more from then on, its index slips once, and the true lag stays."""
    event = f'kind = "{kind}"\nat_s = 10\ndeg = 5.0'
    stream = head_decoder.decode(Head(scenario(event)).capture(30))
    plain = head_decoder.decode(Head(scenario()).capture(30))
    off = ((stream.samples() - plain.samples())[:, channel] + 32_768) % 65_536 - 32_768
    late = stream.sample_times_s() >= 10
    assert off[late] == pytest.approx(np.full(late.sum(), 5 * 65_536 / 360), abs=1.5)
    assert (off[~late] == 0).all()
    other = {"crank_slips", "cam_slips"} - {bit}
    assert [f.fields[bit] for f in stream.of(3)] == [int(f.head_us >= 10_000_000) for f in stream.of(3)]
    assert {f.fields[o] for f in stream.of(3) for o in other} == {0}
    assert Truth(scenario(event)).lag_deg(20.0) == Truth(scenario()).lag_deg(20.0)


@pytest.mark.parametrize(("kind", "bit"), [("crank-invalid", 1), ("cam-invalid", 2), ("loop-invalid", 4)])
def test_invalid_signal(kind: str, bit: int) -> None:
    """A signal marked as not valid loses its bit in every frame that holds such a sample, and in no other."""
    stream = head_decoder.decode(Head(scenario(f'kind = "{kind}"\nat_s = 10.05\nfor_s = 5')).capture(30))
    for frame in stream.of(2):
        begin_s = frame.head_us / 1e6
        touched = begin_s + 0.095 >= 10.05 and begin_s < 15.0499
        assert frame.fields["valid"] == (7 - bit if touched else 7)


@pytest.mark.parametrize(
    ("event", "deg"),
    [('kind = "tooth-jump"\nat_s = 10', 8.0), ('kind = "coupling-slip"\nat_s = 10\ndeg = 0.7', 0.7)],
)
def test_camshaft_that_moved(event: str, deg: float) -> None:
    """A tooth of 45 is 8°; crank − cam is later by it from one sample to the next, the truth with it, and it stays."""
    t, rows, plain = played(event)
    off = ((plain - rows)[:, CAM] + 32_768) % 65_536 - 32_768
    assert off[t >= 10] == pytest.approx(np.full((t >= 10).sum(), deg * 65_536 / 360), abs=6)
    assert (off[t < 10] == 0).all()
    assert changed_channels(rows, plain) == {CAM}
    moved = Truth(scenario(event)).lag_deg(29.0) - Truth(scenario()).lag_deg(29.0)
    assert moved == pytest.approx(deg)


def test_nut_backs_off_and_spring_breaks() -> None:
    """A nut that backs off lengthens the spring gradually; a broken spring steps, and slaps more than before."""
    t, rows, plain = played('kind = "nut-backs-off"\nat_s = 10\nfor_s = 10\nmm = 3.0')
    off_mm = (rows - plain)[:, LOOP] * 80 / 16_000
    assert off_mm[(t > 12) & (t < 18)].mean() == pytest.approx(1.5, abs=0.1)
    assert off_mm[t > 21].mean() == pytest.approx(3.0, abs=0.05)
    t, rows, plain = played('kind = "spring-break"\nat_s = 10\nmm = -9.0')
    off_mm = (rows - plain)[:, LOOP] * 80 / 16_000
    assert off_mm[t > 10].mean() == pytest.approx(-9.0, abs=0.05)
    assert np.ptp(rows[t > 10, LOOP]) > 2 * np.ptp(plain[t > 10, LOOP])


def frames_of(events: list[str]) -> tuple[bytes, bytes]:
    return Head(scenario(*events)).capture(120), Head(scenario()).capture(120)


def test_dropped_frames() -> None:
    """Dropped frames leave gaps in the sequence at about their rate, and only in their time."""
    damaged, plain = frames_of(['kind = "drop"\nat_s = 60\nfor_s = 30\nrate = 0.3'])
    kept = head_decoder.decode(damaged)
    whole = head_decoder.decode(plain)
    gone = {f.sequence for f in whole.frames} - {f.sequence for f in kept.frames}
    times = [f.head_us / 1e6 for f in whole.frames if f.sequence in gone]
    assert 70 < len(gone) < 140
    assert min(times) > 59.5 and max(times) < 90.5
    assert kept.refused == 0


@pytest.mark.parametrize("kind", ["corrupt", "truncate"])
def test_damaged_frames_are_refused_and_no_sample_is_altered(kind: str) -> None:
    """Corrupted and cut frames fail their check, and what passes it is what was sent."""
    damaged, plain = frames_of([f'kind = "{kind}"\nat_s = 0\nrate = 0.3'])
    kept, whole = head_decoder.decode(damaged), head_decoder.decode(plain)
    sent = {f.sequence: f for f in whole.frames}
    assert kept.refused > 100
    assert len(kept.frames) < len(whole.frames)
    assert all(f == sent[f.sequence] for f in kept.frames)


def test_a_frame_cut_to_nothing_is_not_corrupted_as_well() -> None:
    """Two faults at once: what the first leaves nothing of, the second passes over."""
    damaged, plain = frames_of(['kind = "truncate"\nat_s = 0\nrate = 1.0', 'kind = "corrupt"\nat_s = 0\nrate = 1.0'])
    assert 0 < len(damaged) < len(plain)
    assert not head_decoder.decode(damaged).frames


def test_doubled_frames() -> None:
    """Doubled frames come twice in a row, at about their rate."""
    damaged, plain = frames_of(['kind = "duplicate"\nat_s = 0\nrate = 0.1'])
    counts = Counter(f.sequence for f in head_decoder.decode(damaged).frames)
    assert set(counts.values()) == {1, 2}
    assert len(counts) == len(head_decoder.decode(plain).frames)
    assert 80 < sum(n == 2 for n in counts.values()) < 180


def test_frames_out_of_order() -> None:
    """Swapped frames arrive behind a later one; all arrive but perhaps the last."""
    damaged, plain = frames_of(['kind = "reorder"\nat_s = 0\nrate = 0.1'])
    order = [f.sequence for f in head_decoder.decode(damaged).frames]
    assert 60 < (np.diff(order) < 0).sum() < 180
    assert len(plain) - len(damaged) <= 200
    assert len(set(order)) == len(order)


def test_garbage_between_frames() -> None:
    """Garbage is added between frames and takes only the frame behind it with it."""
    damaged, plain = frames_of(['kind = "garbage"\nat_s = 0\nrate = 0.1\nbytes = 100'])
    kept, whole = head_decoder.decode(damaged), head_decoder.decode(plain)
    assert len(damaged) - len(plain) > 2_000
    assert 0.85 * len(whole.frames) < len(kept.frames) < len(whole.frames)


def test_one_stream_fault_does_not_move_another() -> None:
    """Which frames are dropped does not depend on whether others are doubled."""
    drop = 'kind = "drop"\nat_s = 0\nrate = 0.1'
    alone = head_decoder.decode(Head(scenario(drop)).capture(60))
    both = head_decoder.decode(Head(scenario(drop, 'kind = "duplicate"\nat_s = 0\nrate = 0.2')).capture(60))
    assert {f.sequence for f in alone.frames} == {f.sequence for f in both.frames}


def test_pause() -> None:
    """A silent head sends nothing, keeps its sequence, counts the samples as lost, and its turns go on."""
    event = 'kind = "pause"\nat_s = 10\nfor_s = 20'
    stream = head_decoder.decode(Head(scenario(event)).capture(60))
    times = [f.head_us / 1e6 for f in stream.frames]
    assert not any(10 < t < 29.8 for t in times)
    assert [f.sequence for f in stream.frames] == list(range(len(stream.frames)))
    assert stream.of(3)[-1].fields["lost"] == 20 * 200
    assert stream.of(3)[-1].fields["crank_turns"] == int(Truth(scenario(event)).turns(60.0))


def test_restart() -> None:
    """A restarted head says a new boot number and its identity first; time, turns, slips, sequence are nought."""
    events = ['kind = "restart"\nat_s = 20\ndown_s = 3', 'kind = "cam-slip"\nat_s = 5\ndeg = 1']
    stream = head_decoder.decode(Head(scenario(*events)).capture(60))
    boots = [f.boot for f in stream.frames]
    assert boots == sorted(boots) and set(boots) == {1, 2}
    second = [f for f in stream.frames if f.boot == 2]
    assert (second[0].kind, second[0].sequence, second[0].head_us) == (1, 0, 0)
    last = [f for f in second if f.kind == 3][-1]
    truth = Truth(scenario(*events))
    assert last.head_us == 37_000_000
    assert last.fields["crank_turns"] == int(truth.turns(60.0) - truth.turns(23.0))
    assert last.fields["cam_slips"] == 0
    # The slipped encoder has not slipped back.
    plain = head_decoder.decode(Head(scenario(events[0])).capture(60))
    off = ((stream.samples()[-1] - plain.samples()[-1])[CAM] + 32_768) % 65_536 - 32_768
    assert off == pytest.approx(65_536 / 360, abs=1.5)


@pytest.mark.parametrize("step_s", [90.0, -5.0, -1_000.0])
def test_time_step(step_s: float) -> None:
    """Head time jumps by the step, never below nought, and the sequence does not notice."""
    stream = head_decoder.decode(Head(scenario(f'kind = "time-step"\nat_s = 20\nstep_s = {step_s}')).capture(40))
    health = [f.head_us / 1e6 for f in stream.of(3)]
    assert health == [max(0.0, s + (step_s if s >= 20 else 0)) for s in range(41)]
    assert [f.sequence for f in stream.frames] == list(range(len(stream.frames)))
