"""Sick wires, encoders, clocks and heads: each is in the bytes as it is set, while it lasts, and nowhere else."""

import head_decoder
import numpy as np
import pytest

from firmware_sim import Head, Scenario, Truth, parse_scenario

CRANK, CAM, LOOP = 0, 1, 2
RATE = "[head]\nrate_hz = 500\nsamples = 50\n"


def scenario(event: str = "", tables: str = RATE) -> Scenario:
    return parse_scenario(tables + (f"\n[[event]]\n{event}" if event else ""))


def played(event: str, duration_s: float = 30.0, tables: str = RATE) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Times, samples with the event, samples without it."""
    stream = head_decoder.decode(Head(scenario(event, tables)).capture(duration_s))
    plain = head_decoder.decode(Head(scenario("", tables)).capture(duration_s))
    return stream.sample_times_s(), stream.samples(), plain.samples()


def turns(codes: np.ndarray) -> float:
    steps = (np.diff(codes.astype(np.int64)) + 32_768) % 65_536 - 32_768
    return float(steps.sum()) / 65_536


# -- the loop -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("noise_ua", [0.3, 4.0])
def test_seized_transducer(noise_ua: float) -> None:
    """The current stands, but for its little noise; before and after it follows the spring."""
    t, rows, plain = played(f'kind = "transducer-seized"\nat_s = 10\nfor_s = 10\nnoise_ua = {noise_ua}')
    inside = (t >= 10) & (t < 20)
    assert rows[inside, LOOP].std() == pytest.approx(np.hypot(noise_ua, 0.29), rel=0.6)
    assert (rows[~inside] == plain[~inside]).all()
    assert plain[inside, LOOP].std() > 5 * rows[inside, LOOP].std()


def test_mains_ripple_keeps_its_frequency() -> None:
    """300 µA at 50 Hz stand in the spectrum at 50 Hz whatever the speed."""
    t, rows, plain = played('kind = "loop-ripple"\nat_s = 0\nma = 0.3\nhz = 50')
    added = (rows - plain)[:, LOOP].astype(float)
    amplitude = 2 * abs(np.mean(added * np.exp(-2j * np.pi * 50 * t)))
    assert amplitude == pytest.approx(300, rel=0.01)


@pytest.mark.parametrize(("per_s", "open_ms"), [(2.0, 50.0), (5.0, 4.0)])
def test_bad_contact(per_s: float, open_ms: float) -> None:
    """The loop is open for its share of the time, in pieces of its length."""
    t, rows, plain = played(f'kind = "bad-contact"\nat_s = 10\nfor_s = 20\nper_s = {per_s}\nopen_ms = {open_ms}')
    open_now = rows[:, LOOP] == 0
    inside = t >= 10
    assert open_now[inside].mean() == pytest.approx(per_s * open_ms / 1000, rel=0.15)
    assert not open_now[~inside].any()
    assert (rows[~open_now] == plain[~open_now]).all()


def test_hysteresis_holds_back_what_is_smaller_than_its_play() -> None:
    """A linkage with 2 mm of play shows nothing of a slap of less; the mean is off by no more than half the play."""
    tables = RATE + "[transducer]\nhysteresis_mm = 2.0\nnoise_ma = 0.0\n"
    rows = head_decoder.decode(Head(scenario(tables=tables)).capture(30)).samples()
    free = head_decoder.decode(Head(scenario()).capture(30)).samples()
    assert np.ptp(rows[2_000:, LOOP]) < 0.1 * np.ptp(free[2_000:, LOOP])
    assert abs(rows[:, LOOP].mean() - free[:, LOOP].mean()) * 80 / 16_000 <= 1.0


def test_a_loose_bracket_goes_with_the_speed() -> None:
    """At half speed it moves a quarter as far."""
    event = 'kind = "bracket-loose"\nat_s = 0\nmm = 2.0'
    moved = []
    for rpm in (96, 48):
        _, rows, plain = played(event, 60.0, RATE + f"[engine]\nspeed = [[0, {rpm}]]\n")
        moved.append(float((rows - plain)[:, LOOP].astype(float).mean()))
    assert moved[0] == pytest.approx(400, rel=0.5)
    assert moved[1] / moved[0] == pytest.approx(0.25, rel=0.02)


# -- the encoders ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wiring", "crank", "cam"),
    [
        ("crank_reversed = true", -1.0, 1.0),
        ("cam_reversed = true", 1.0, -1.0),
        ("cam_scale = 0.5", 1.0, 0.5),
        ("swapped = true", 1.0, 1.0),
    ],
)
def test_wrong_fitting(wiring: str, crank: float, cam: float) -> None:
    """Turns that the encoders read in half a minute at 96 rpm, by the mistake made."""
    rows = head_decoder.decode(Head(scenario(tables=RATE + f"[wiring]\n{wiring}\n")).capture(30)).samples()
    assert turns(rows[:, CRANK]) == pytest.approx(48 * crank, rel=0.02)
    assert turns(rows[:, CAM]) == pytest.approx(48 * cam, rel=0.02)
    if "swapped" in wiring:
        plain = head_decoder.decode(Head(scenario()).capture(30)).samples()
        assert (rows[:, [CAM, CRANK]] == plain[:, [CRANK, CAM]]).all()


def test_a_slip_that_is_not_counted() -> None:
    """The angle slips as before, the head's count of slips stays."""
    event = 'kind = "cam-slip"\nat_s = 10\ndeg = 0.1\ncounted = false'
    stream = head_decoder.decode(Head(scenario(event)).capture(30))
    assert {f.fields["cam_slips"] for f in stream.of(3)} == {0}
    t, rows, plain = played(event)
    off = ((rows - plain)[t >= 10, CAM] + 32_768) % 65_536 - 32_768
    assert off.mean() * 360 / 65_536 == pytest.approx(0.1, abs=0.01)


def test_validity_bit_flickers() -> None:
    """Once in two seconds one frame has its bit dropped; its samples are as good as ever."""
    event = 'kind = "cam-flicker"\nat_s = 10\nfor_s = 10\nevery_s = 2.0\ndrop_s = 0.02'
    stream = head_decoder.decode(Head(scenario(event)).capture(30))
    assert [f.head_us / 1e6 for f in stream.of(2) if f.fields["valid"] == 5] == [10.0, 12.0, 14.0, 16.0, 18.0]
    _, rows, plain = played(event)
    assert (rows == plain).all()


def test_a_loose_coupling_scatters_and_hangs_back() -> None:
    """Half the play is lost each way of turning."""
    speed = "[engine]\nspeed = [[0, 60], [28, 60], [30, -60], [60, -60]]\nsea = []\nripple = []\n"
    t, rows, plain = played('kind = "cam-loose"\nat_s = 0\nplay_deg = 2.0\nshake_deg = 0.2', 60.0, RATE + speed)
    off = ((rows - plain)[:, CAM].astype(int) + 32_768) % 65_536 - 32_768
    deg = off * 360 / 65_536
    ahead, astern = deg[t < 27], deg[t > 33]
    assert ahead.mean() == pytest.approx(-1.0, abs=0.05)
    assert astern.mean() == pytest.approx(1.0, abs=0.05)
    assert ahead.std() == pytest.approx(0.2, rel=0.2)


def test_uneven_links_go_round_in_three_turns_and_a_third() -> None:
    """150 links over 45 teeth: order 0.3 of the crank, repeated after ten turns and not after one."""
    tables = RATE + "[chain]\nlink_error_mm = 0.03\n[shafts]\ntorsion = []\n[engine]\nsea = []\nripple = []\n"
    still = tables.replace("link_error_mm = 0.03", "link_error_mm = 0.0")
    rows = [head_decoder.decode(Head(scenario(tables=x)).capture(60)).samples() for x in (tables, still)]
    late = -((rows[0][:, CAM] - rows[1][:, CAM] + 32_768) % 65_536 - 32_768) * 360 / 65_536
    angle = 96 / 60 * np.arange(len(late)) / 500
    orders = {k: 2 * abs(np.mean(late * np.exp(-2j * np.pi * k * angle))) for k in (0.3, 0.45, 1.0)}
    assert orders[0.3] > 0.003
    assert orders[0.3] > 5 * max(orders[0.45], orders[1.0])


def test_a_weak_pump_shows_at_its_cylinders_cam() -> None:
    """With the pump of cylinder 3 weaker the shape changes at its cam's angle, and not at the others'."""
    tables = RATE + "[cams]\npump_nm = 10_000\n[engine]\nsea = []\nripple = []\nload_wander = []\n"
    weak = 'kind = "pump-load"\nat_s = 0\ncylinder = 3\npart = 0.9'
    _, rows, plain = played(weak, 60.0, tables)
    off = ((rows - plain)[:, CAM].astype(int) + 32_768) % 65_536 - 32_768
    angle = (96 / 60 * np.arange(len(off)) / 500 * 360) % 360
    by_angle = np.array([off[(angle >= a) & (angle < a + 12)].mean() for a in range(0, 360, 12)]) * 360 / 65_536
    assert by_angle.argmax() * 12 == pytest.approx(132, abs=12)
    assert 0.002 < by_angle.max() < 0.02


# -- the head -------------------------------------------------------------------------------------------------------


def test_clock() -> None:
    """Fast by 1,000 ppm, on a tick of 10 ms, with another interval declared."""
    tables = RATE + "[clock]\nppm = 1_000\ntick_us = 10_000\ndeclared = 1.02\n"
    stream = head_decoder.decode(Head(scenario(tables=tables)).capture(30))
    stamps = np.array([f.head_us for f in stream.of(2)])
    assert (stamps % 10_000 == 0).all()
    assert stamps[-1] == pytest.approx(29.9e6 * 1.001, abs=10_000)
    assert {f.fields["interval_ns"] for f in stream.of(2)} == {2_040_000}
    jittery = RATE + "[clock]\njitter_us = 3_000\n"
    stamps = np.array([f.head_us for f in head_decoder.decode(Head(scenario(tables=jittery)).capture(30)).of(2)])
    off = stamps - np.arange(len(stamps)) * 100_000
    assert 1_500 < off.std() < 2_000 and abs(off).max() <= 3_000


@pytest.mark.parametrize(("where", "place"), [("first", 0), ("middle", 60), ("last", 120)])
def test_place_of_the_health_frame_in_a_burst(where: str, place: int) -> None:
    """One health frame a burst, where the head's build puts it, for bursts off whole seconds as well."""
    head = "[head]\nrate_hz = 100\nsamples = 5\nburst_s = 6\nevery_s = 600\n"
    build = f'[build]\nhealth = "{where}"\nburst_offset_s = 0.37\n'
    stream = head_decoder.decode(Head(scenario(tables=head + build)).capture(1_800))
    health = [f.head_us / 1e6 % 600 for f in stream.of(3)]
    assert len(health) == 3
    assert health == pytest.approx([0.37 + place * 0.05] * 3, abs=0.051)
    assert [f.sequence for f in stream.frames] == list(range(len(stream.frames)))


def test_health_tail() -> None:
    """A head that has it adds eight bytes: mean speed, starts, jitter, skew."""
    whole = Head(scenario(tables=RATE + "[build]\ntail = true\n[clock]\njitter_us = 40\n")).capture(20)
    tails = head_decoder.tails(whole)
    assert len(tails) == 21
    assert [t[0] for t in tails[1:]] == pytest.approx([960] * 20, abs=15)
    assert {t[1:] for t in tails} == {(0, 40, 0)}


def test_another_head_and_a_failed_temperature() -> None:
    """From its time on the identity names another head; a failed input is sent as not fitted or as it stands."""
    stream = head_decoder.decode(Head(scenario('kind = "other-head"\nat_s = 15')).capture(40))
    assert [f.fields["name"] for f in stream.of(1)] == ["port-head"] * 2 + ["starboard-head"] * 3
    event = 'kind = "temperature-failed"\nat_s = 10\nfor_s = 10\nsensor = "frame_c"'
    stream = head_decoder.decode(Head(scenario(event)).capture(30))
    failed = [f.head_us / 1e6 for f in stream.of(3) if f.fields["frame_c"] is None]
    assert failed == [float(s) for s in range(10, 20)]
    stands = head_decoder.decode(Head(scenario(event + "\ncelsius = -50.0")).capture(30))
    assert stands.of(3)[15].fields["frame_c"] == -50.0


def test_a_vanished_port_ends_the_stream() -> None:
    """Nothing comes after it."""
    stream = head_decoder.decode(Head(scenario('kind = "port-gone"\nat_s = 15')).capture(40))
    assert max(f.head_us for f in stream.frames) < 15_000_000


# -- the sea --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("rpm", "period_s"), [(4.0, 12.0), (8.0, 8.0)])
def test_a_storm_makes_the_speed_hunt(rpm: float, period_s: float) -> None:
    """Within the storm the speed swings by its rpm at its period, before and after it does not."""
    made = parse_scenario(f"[engine]\nsea = []\n[sea]\nstorm = [[3_600, 36_000, {rpm}, {period_s}]]\n")
    truth = Truth(made)
    t = np.arange(10_000, 30_000, 0.5)
    hunts = truth.rpm(t) - truth.rpm(t).mean()
    assert rpm * 0.9 < np.abs(hunts).max() < rpm * 1.2
    crossings = np.flatnonzero((hunts[:-1] < 0) & (hunts[1:] >= 0))
    assert np.diff(crossings).mean() * 0.5 == pytest.approx(period_s, rel=0.05)
    assert np.ptp(truth.rpm(np.arange(0, 3_600, 0.5))) < 1e-6
    turns_made = np.diff(Truth(made).revolutions(20_000, 20_060).begin_s)
    assert 60 / turns_made.min() - 60 / turns_made.max() > rpm


def test_a_batch_does_not_show_in_a_drawn_voyage() -> None:
    """The bytes of a voyage with all its faults are the same in any batch."""
    from firmware_sim import draw_voyage

    made = draw_voyage(11, days=12).scenario
    assert Head(made, batch=1_000).capture(86_400) == Head(made).capture(86_400)
