"""Each judgement of the commissioning, on statuses whose right answer is known."""

import math
from dataclasses import replace

import pytest

from gateway.model.errors import Refused
from gateway.model.settings_file import load_settings
from gateway.worksheet import commission_record as records
from gateway.worksheet.cautions import TURNING
from gateway.worksheet.commission import Finding
from gateway.worksheet.commission_tasks import tasks
from tests.commission_rig import judged, status
from tests.drive_engines import TERN as TERN_FILE

TERN = load_settings(TERN_FILE)
FOUR_STROKE = replace(TERN.engine[0], ratio=2)


@pytest.mark.parametrize(
    ("crank", "cam", "word", "line"),
    [
        (-2.0, 2.0, "crank encoder is reversed", "A and B of the crank encoder (pins 2 and 3)"),
        (2.0, -2.0, "cam encoder is reversed", "A and B of the cam encoder (pins 5 and 6)"),
        (-2.0, -2.0, "Both encoders are reversed", "A and B of the crank"),
        (2.0, 1.0, "wrong ratio", "ratio = 2"),
        (2.0, 1.758, "wrong counts", "set cam_lines 3164"),
        (1.0, 2.0, "wrong counts", "set crank_lines 1800"),
        (2.0, 1.95, "wrong counts", "set cam_lines 3510"),
        (2.0, 0.0, "cam encoder did not move", "cam encoder (pins 5 and 6)"),
        (0.0, 0.0, "Neither encoder moved", None),
        (2.03, 2.03, "right ratio and counts", None),
    ],
)
def test_wiring_is_named(crank: float, cam: float, word: str, line: str | None) -> None:
    """Two turns ahead: each mistake is named, with the wire or the line of settings that corrects it."""
    found = judged(TERN, "sense", status(), status(head_turns=[crank, cam]), turns=2)
    assert word in " ".join(found.lines)
    assert found.ok == (line is None and abs(crank - cam) < 0.01 and crank > 0)
    assert (line is None and not found.settings) or any(str(line) in s for s in found.settings)


def test_swapped_encoders_of_a_four_stroke() -> None:
    """The crank's channel shows half a turn for one, the cam's channel a whole one."""
    found = judged(TERN, "sense", status(), status(head_turns=[1.0, 2.0]), FOUR_STROKE, turns=2)
    assert not found.ok and "swapped" in found.lines[1]
    assert judged(TERN, "sense", status(), status(head_turns=[2.0, 1.0]), FOUR_STROKE, turns=2).ok


@pytest.mark.parametrize(
    ("turns", "valid", "ok"),
    [
        ([0.5, 0.0], [True, True], True),
        ([0.0, 0.0], [True, False], True),
        ([0.0, 0.5], [True, True], False),
        ([0.0, 0.0], [False, True], False),
        ([0.5, 0.5], [True, True], False),
    ],
)
def test_pulled_plug_shows_which_encoder_is_which(turns: list[float], valid: list[bool], ok: bool) -> None:
    """The cam's plug is pulled: its angle stops or is not valid; where the crank's does, the two are swapped."""
    found = judged(TERN, "plugs", status(), status(head_turns=turns, head_valid=valid))
    assert found.ok == ok
    assert ("swapped" in found.lines[0]) == (turns == [0.0, 0.5] or not valid[0])


def test_index_that_slips_is_named() -> None:
    """The cam's index came twice at another count within two turns, the crank's never."""
    before = status(head_slips=[3, 1])
    found = judged(TERN, "index", before, status(head_turns=[3.0, 3.0], head_slips=[3, 3]))
    assert not found.ok
    assert found.lines[0].startswith("The crank encoder's index came each turn") and "cam" in found.lines[1]
    assert judged(TERN, "index", before, status(head_turns=[3.0, 3.0], head_slips=[3, 1])).ok
    # A head with a wrong number of lines is set right by its index at each turn, and its turns look right.
    each = judged(TERN, "index", before, status(head_turns=[3.0, 3.0], head_slips=[6, 1]))
    assert not each.ok and "crank_lines" in each.lines[0]
    assert not judged(TERN, "index", before, status(head_turns=[1.0, 1.0], head_slips=[3, 1])).ok


def test_an_encoder_without_its_index_is_named() -> None:
    """Never valid: which one, and that Z may be what is missing. A head that reports no index cannot keep its zero."""
    blind = status(head_valid=[True, False], head_turns=[2.0, 0.0])
    found = judged(TERN, "sense", status(head_valid=[True, False]), blind, turns=2)
    assert not found.ok and found.lines[0].startswith("The cam encoder is not valid: its index Z (pin 7)")
    found = judged(TERN, "index", status(), status(head_valid=[True, False], head_turns=[3.0, 3.0]))
    assert not found.ok and any("cam encoder is not valid" in line for line in found.lines)
    found = judged(TERN, "index", status(), status(head_turns=[3.0, 3.0], head_slips=[0, None]))
    assert not found.ok and "absolute encoder" in found.lines[1]


def test_turns_before_the_first_index_count_for_nothing() -> None:
    """An encoder that was not valid at the beginning: begin again, and no mistake is named."""
    found = judged(TERN, "sense", status(head_valid=[True, False]), status(head_turns=[1.4, 1.4]), turns=2)
    assert not found.ok and "begin again" in found.lines[-1] and not found.settings


@pytest.mark.parametrize(
    ("before", "now", "ok"),
    [
        (None, {"deg": 1.23, "from_utc": 100.0}, True),
        (None, None, False),
        # Measured before the task began; or its first turn was.
        ({"deg": 1.23, "from_utc": 100.0}, {"deg": 1.23, "from_utc": 100.0}, False),
        (None, {"deg": 1.23, "from_utc": 40.0}, False),
        (None, {"deg": -0.9, "from_utc": 100.0}, False),
    ],
)
def test_lost_motion_by_a_turn_each_way(
    before: dict[str, float] | None, now: dict[str, float] | None, ok: bool
) -> None:
    """Both turns lie within the task; less than none is a sense that is wrong."""
    turned = {"raw_deg": 17.4, "utc": 50.0}
    found = judged(TERN, "lost-motion", status(turned=turned, turned_lost=before), status(turned_lost=now))
    assert found.ok == ok
    assert found.values == ({"lost_motion_deg": 1.23} if ok else {})
    if ok:
        assert found.lines[0] == "Lost motion 1.23°: the lag ahead less the lag astern."
    task = next(t for t in tasks(TERN, TERN.engine[0]) if t.key == "lost-motion")
    assert [s.sense for s in task.steps] == ["astern", "ahead"] and all("starting air" in s.caution for s in task.steps)
    servo = replace(TERN.engine[0], lost_motion=replace(TERN.engine[0].lost_motion, applies=False))
    assert all(t.key != "lost-motion" for t in tasks(TERN, servo))


def test_a_task_is_left_out_with_a_reason() -> None:
    """Those for safety never; the record shows which and why."""
    all_tasks = {t.key: t for t in tasks(TERN, TERN.engine[0])}
    record = records.empty("tern-passage", "main")
    records.finish(record, all_tasks["zero"], all_tasks["zero"].leave_out("no gauge"), "A", "2026-03-01T06:00:00Z", {})
    text = records.text_of(record, list(all_tasks.values()), "f00d")
    assert "LEFT OUT" in text and "Left out: no gauge." in text
    for key, reason in (("isolate", "in a hurry"), ("restore", "later"), ("zero", " ")):
        with pytest.raises(Refused):
            all_tasks[key].leave_out(reason)


def test_head_against_plate_and_settings() -> None:
    """Counts that are not four times the plate's lines are named with the console's line."""
    found = judged(TERN, "head", status(), status(), crank_lines=3_600, cam_lines=2_048)
    assert not found.ok and found.settings == ("head's console: set cam_lines 2048",)
    assert judged(TERN, "head", status(), status()).ok
    assert not judged(TERN, "head", status(), status(head_heard=False)).ok
    wheel = status(head_counts=[120, 14_400])
    found = judged(TERN, "head", status(), wheel, crank_lines=118, cam_lines=3_600)
    assert found.settings == ("head's console: set crank_teeth 118",) and "teeth or marks" in found.lines[1]
    assert judged(TERN, "head", status(), wheel, crank_lines=120).ok


def test_dead_centre_is_approached_ahead() -> None:
    """Turned back, or by less than 30°: not accepted."""
    assert not judged(TERN, "dead-centre", status(), status(head_turns=[-0.2, -0.2]), gauge_mm=0).ok
    found = judged(TERN, "dead-centre", status(), status(head_turns=[0.1, 0.1]), gauge_mm="1,4")
    assert found.ok and found.values == {"dead_centre_deg": 12.0, "gauge_mm": 1.4}
    assert found.settings == ("[engine.lag] dead_centre_deg = 12.0",)


@pytest.mark.parametrize(("known", "proposed"), [(11.4, False), (359.5, True)])
def test_dead_centre_against_the_settings(known: float, proposed: bool) -> None:
    """Found within 1° of what is set: nothing is proposed. Further off: the difference is named, also over zero."""
    engine = replace(TERN.engine[0], lag=replace(TERN.engine[0].lag, dead_centre_deg=known))
    found = judged(TERN, "dead-centre", status(), status(head_turns=[0.1, 0.1]), engine, gauge_mm=0)
    assert found.ok and bool(found.settings) == proposed
    assert ("+12.5°" in found.lines[2]) == proposed


def test_zero_is_the_turns_mean_less_the_gauge() -> None:
    """5.59 mm on the arc of 160 mm are 2.0° (handbook's check value): the zero lies by so much below the mean."""
    values = {"gauge_mm": 5.585}
    now = status(head_turns=[1.3, 1.3], turned={"raw_deg": 19.35, "utc": 9.0})
    found = judged(TERN, "zero", status(), now, values=values)
    assert found.ok and found.values["zero_deg"] == pytest.approx(17.35, abs=0.001)
    assert found.settings == ("[engine.lag] zero_deg = 17.35",)
    assert not judged(TERN, "zero", now, status(head_turns=[2.6, 2.6], turned=now["turned"]), values=values).ok
    with pytest.raises(Refused, match="dead-centre"):
        judged(TERN, "zero", status(), now)


@pytest.mark.parametrize("skew_us", [-40.0, 10.0, 333.0])
def test_skew_from_two_speeds(skew_us: float) -> None:
    """Angle = speed × time: in t µs a shaft at n rpm turns n/60 · 360° · t·1e-6. More than 15 µs is corrected, beyond
    what the settings take off."""

    def lag(rpm: float) -> float:
        return 17.35 + rpm / 60 * 360 * skew_us * 1e-6

    slow = judged(TERN, "skew-slow", status(), status(running="ahead", rpm=60.0, raw_deg=lag(60)))
    values = {**slow.values, "zero_deg": 17.35}
    now = status(running="ahead", rpm=100.0, raw_deg=lag(100))
    found = judged(TERN, "skew-fast", status(), now, values=values)
    assert found.ok and found.values["skew_us"] == pytest.approx(skew_us, abs=0.01)
    assert bool(found.settings) == (abs(skew_us) > 15)
    if found.settings:
        assert found.settings == (f"[engine.lag] skew_us = {skew_us:.0f}",)
        known = replace(TERN.engine[0], lag=replace(TERN.engine[0].lag, skew_us=20.0))
        more = judged(TERN, "skew-fast", status(), now, known, values)
        assert more.settings == (f"[engine.lag] skew_us = {skew_us + 20:.0f}",)
    torn = status(running="ahead", rpm=100.0, raw_deg=lag(100) + 1.0)
    assert not judged(TERN, "skew-fast", status(), torn, values=values).ok
    near = status(running="ahead", rpm=65.0, raw_deg=lag(65))
    assert not judged(TERN, "skew-fast", status(), near, values=values).ok


def points(*rules: float) -> tuple[Finding, list[Finding]]:
    """The transducer of 4 mA = 150 mm, 20 mA = 230 mm reads 160, 180, 200 mm."""
    values: dict[str, float] = {}
    found = []
    for n, (shown, rule) in enumerate(zip((160.0, 180.0, 200.0), rules, strict=True), 1):
        now = status(spring_mm={"value": shown, "quality": "good", "reason": ""})
        found.append(judged(TERN, f"transducer-{n}", status(), now, values=values, rule_mm=rule))
        values |= found[-1].values
    return found[-1], found


def test_transducer_against_a_rule() -> None:
    """Right within 0.5 mm: the settings hold. Off along a line: its ends. Off a line: a table. Too near: again."""
    assert points(160.2, 179.9, 200.3)[0].settings == ()
    assert points(160.2, 179.9, 200.3)[0].ok
    straight = points(162.0, 182.0, 202.0)[0]
    assert straight.ok and straight.settings == ("[engine.transducer] at_4ma_mm = 152.00, at_20ma_mm = 232.00",)
    bent = points(160.0, 183.0, 200.0)[0]
    assert bent.settings == ("[engine.transducer] table = [[6.000, 160.0], [10.000, 183.0], [14.000, 200.0]]",)
    assert not points(160.0, 161.0, 200.0)[0].ok


def test_spring_and_locked_length() -> None:
    """Two sides, no longer than new; the locked length is the transducer's, beside the rule."""
    found = judged(TERN, "spring", status(), status(), side_1_mm=203.0, side_2_mm=203.4)
    assert found.ok and found.settings == ("[engine.tightener] free_length_mm = 203.2",)
    assert not judged(TERN, "spring", status(), status(), side_1_mm=203.0, side_2_mm=205.0).ok
    assert not judged(TERN, "spring", status(), status(), side_1_mm=209.0, side_2_mm=209.0).ok
    t = replace(TERN.engine[0].tightener, kind="locked", locked_at_mm=170.0)
    locked = replace(TERN.engine[0], tightener=t)
    assert judged(TERN, "locked", status(), status(), locked, rule_mm=180.2).settings == (
        "[engine.tightener] locked_at_mm = 180.0",
    )
    assert not judged(TERN, "locked", status(), status(), locked, rule_mm=185.0).ok


def test_trial_needs_every_outlet_and_the_alarm() -> None:
    """One outlet at which nobody saw it is not right; nor are answers without a trial alarm."""
    standing = [{"tag": "trial", "text": "Trial", "state": "unacknowledged"}]
    seen = {"page": "yes", "broker_ship": "yes"}
    assert judged(TERN, "trial", status(alarms=standing), status(), **seen).ok
    assert not judged(TERN, "trial", status(alarms=standing), status(), **seen | {"page": "no"}).ok
    assert "try-alarm" in judged(TERN, "trial", status(), status(), **seen).lines[0]


def test_first_hours() -> None:
    """Two hours with good sensors; a sensor's alarm, lost frames or too short a time is named."""
    now = status(hours=102.5, link={"good": 50_000, "lost": 10})
    assert judged(TERN, "first-hours", status(), now).ok
    alarm = [{"tag": "cam-encoder-fault", "text": "slips", "state": "acknowledged"}]
    assert not judged(TERN, "first-hours", status(), now | {"alarms": alarm}).ok
    assert not judged(TERN, "first-hours", status(), now | {"hours": 101.0}).ok
    assert not judged(TERN, "first-hours", status(), now | {"link": {"good": 5_000, "lost": 500}}).ok


def test_answers_are_checked() -> None:
    """What is no number, no yes or no, or comes after a restart of the gateway is refused in words."""
    for turns in ("two", "nan", "1e9", "", "0.5"):
        with pytest.raises(Refused, match="turns"):
            judged(TERN, "sense", status(), status(head_turns=[2.0, 2.0]), turns=turns)
    with pytest.raises(Refused, match="yes or no"):
        judged(TERN, "isolate", status(), status(), done="maybe")
    with pytest.raises(Refused, match="restarted"):
        judged(TERN, "sense", status(), status(link={"good": 3, "lost": 0}), turns=2)
    with pytest.raises(Refused, match="no valid data"):
        judged(TERN, "sense", status(), status(head_heard=False), turns=2)


@pytest.mark.parametrize("engine", [TERN.engine[0], FOUR_STROKE])
def test_every_step_that_turns_has_its_caution(engine: object) -> None:
    """And so has each step with hands at the spring, the plugs or the gauge."""
    steps = [s for t in tasks(TERN, engine) for s in t.steps]  # type: ignore[arg-type]
    turning = [s for s in steps if s.turns]
    assert len(turning) >= 4 and all(TURNING in s.caution for s in turning)
    assert [s.key for s in turning if s.sense != "ahead"] == ["astern"], "lost motion alone needs a turn astern"
    hands = ("rule", "free", "tighten", "pull", "gauge")
    assert all(s.caution for s in steps if s.key.startswith(hands))


def test_record_keeps_the_last_line_of_a_setting() -> None:
    """The skew's zero takes the place of the turning gear's; tasks that are not done are shown so."""
    all_tasks = tasks(TERN, TERN.engine[0])
    record = records.empty("tern-passage", "main")
    for key, zero in (("zero", "17.35"), ("skew-fast", "17.55")):
        task = next(t for t in all_tasks if t.key == key)
        found = Finding(True, ("x",), (f"[engine.lag] zero_deg = {zero}",), {"zero_deg": float(zero)})
        records.finish(record, task, found, "A. Person", "2026-03-01T06:00:00Z", {})
    text = records.text_of(record, all_tasks, "f00d")
    assert "zero_deg = 17.55" in text and "zero_deg = 17.35" not in text
    assert "NOT DONE" in text and text.count("signature __") == 3 and "A. Person" in text
    assert math.isclose(records.values(record)["zero_deg"], 17.55)
    damaged = [{**record, "done": {"zero": {}}}, {**record, "started": {"zero": {}}}, {**record, "signed": [1]}]
    for wrong in ({}, [], *damaged, records.empty("other", "main"), {"v": 2, "started": {}, "done": {}}):
        with pytest.raises(Refused):
            records.checked(wrong, "tern-passage", "main")
