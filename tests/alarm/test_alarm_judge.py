"""From evidence to findings, and findings to what is announced, for the invented vessel's engine."""

import math
from dataclasses import replace
from typing import Any

import pytest
from drive_engines import tern
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.alarm.judge import Evidence, judge
from gateway.alarm.machine import AlarmSet
from gateway.alarm.table import BY_TAG, ENGINE_TAGS, ROWS
from gateway.engine.snapshot import alarm_view, with_present
from gateway.model.enums import AlarmState, Running
from gateway.wear.summary import StandingStep, WearSummary

ENGINE = tern()
GOOD = Evidence(
    running=Running.AHEAD, settled=True, lag_deg=0.8, compression_mm=23.0, spring_mm=180.2, slap_mm=0.8,
    lag_step=None, tension_step=None, lag_step_known=True, tension_step_known=True,
    transducer="", crank="", cam="", silent_s=0.0, link_loss_percent=0.0,
    wear=WearSummary(0.3, "agree", (), 9_000.0, "lag-near", 1_600.0, 4_000.0),
)  # fmt: skip
BLIND = replace(
    GOOD, running=Running.UNKNOWN, lag_deg=None, compression_mm=None, spring_mm=None, slap_mm=None,
    lag_step_known=False, tension_step_known=False, transducer=None, crank=None, cam=None, silent_s=None,
    link_loss_percent=None, wear=WearSummary(), head_text=None,
)  # fmt: skip
"""Nothing is known at all."""

RAISES: dict[str, Any] = {
    "lag-near": replace(GOOD, lag_deg=1.5),
    "lag-limit": replace(GOOD, lag_deg=-2.0),
    "lag-step": replace(GOOD, lag_step=StandingStep(8.0, "Cam phase stepped")),
    "tension-low": replace(GOOD, compression_mm=20.5),
    "tension-high": replace(GOOD, compression_mm=25.5),
    "tension-step": replace(GOOD, tension_step=StandingStep(2.0, "Spring length stepped")),
    "slap-high": replace(GOOD, slap_mm=3.0),
    "elongation-near": replace(GOOD, wear=replace(GOOD.wear, elongation_percent=0.8)),
    "elongation-limit": replace(GOOD, wear=replace(GOOD.wear, elongation_percent=1.0)),
    "wear-disagree": replace(GOOD, wear=replace(GOOD.wear, agreement="part", causes=("a coupling has slipped",))),
    "limit-in-sight": replace(GOOD, wear=replace(GOOD.wear, hours_to_limit=1_000.0)),
    "retighten-due": replace(GOOD, wear=replace(GOOD.wear, hours_since_retightened=4_000.0)),
    "transducer-fault": replace(GOOD, transducer="wire broken"),
    "crank-encoder-fault": replace(GOOD, crank="stands still"),
    "cam-encoder-fault": replace(GOOD, cam="stands still"),
    "head-silent": replace(GOOD, silent_s=6.0),
    "link-poor": replace(GOOD, link_loss_percent=1.0),
    "head-timing": replace(GOOD, head_text="another head"),
}
"""The least that raises each alarm of a sprung engine."""


def alarm_set() -> AlarmSet:
    """The engine's alarms with the shipped delays."""
    return AlarmSet(tuple(r for r in ROWS if r.tag in ENGINE_TAGS), ENGINE.alarms, "main")


def held(alarms: AlarmSet, e: Evidence, seconds: int, start_s: int = 0) -> list[tuple[str, str]]:
    """Judge the same evidence each second; the transitions as (tag, state)."""
    out = []
    for s in range(start_s, start_s + seconds):
        out += [(t.tag, t.to.value) for t in alarms.judge(s * 1_000_000, judge(ENGINE, alarms, e))]
    return out


def announced(moves: list[tuple[str, str]]) -> list[str]:
    """Tags that called."""
    return [tag for tag, to in moves if to == "unacknowledged"]


def test_nothing_calls_on_a_good_engine() -> None:
    """An hour of what is normal."""
    assert held(alarm_set(), GOOD, 3_600) == []


@pytest.mark.parametrize("tag", sorted(RAISES))
def test_each_is_raised_by_its_own_condition_and_calls_alone(tag: str) -> None:
    """At the limit exactly, after its delay and not before, and nothing else calls."""
    alarms = alarm_set()
    delay_s = round(BY_TAG[tag].on_delay_s)
    assert held(alarms, RAISES[tag], delay_s) == []
    assert announced(held(alarms, RAISES[tag], 600, delay_s)) == [tag]


@pytest.mark.parametrize("tag", sorted(set(RAISES)))
def test_each_stays_while_nothing_is_known_and_returns_when_all_is_well(tag: str) -> None:
    """Never normal for want of data: hours of blindness move nothing; good figures end it after the off-delay."""
    alarms = alarm_set()
    held(alarms, RAISES[tag], round(BY_TAG[tag].on_delay_s) + 5)
    t = 100_000
    assert held(alarms, BLIND, 7_200, t) == []
    assert alarms[tag].state is AlarmState.UNACKNOWLEDGED
    off_s = round(BY_TAG[tag].off_delay_s)
    for s in (t + 8_000, t + 8_000 + off_s - 1):
        list(alarms.judge(s * 1_000_000, judge(ENGINE, alarms, GOOD)))
        assert alarms[tag].facts.active or off_s == 0
    list(alarms.judge((t + 8_000 + off_s) * 1_000_000, judge(ENGINE, alarms, GOOD)))
    assert not alarms[tag].facts.active


def test_a_lag_past_both_limits_calls_once_even_as_a_mean_creeps_there() -> None:
    """A tooth's jump through the 30 s mean passes the near limit seconds before the limit: only `lag-limit` calls."""
    alarms, calls = alarm_set(), []
    for s in range(600):
        lag = 0.8 + 8.0 * (1 - math.exp(-s / 30))
        calls += [
            t.tag
            for t in alarms.judge(s * 1_000_000, judge(ENGINE, alarms, replace(GOOD, lag_deg=lag)))
            if t.to is AlarmState.UNACKNOWLEDGED
        ]
    assert calls == ["lag-limit"]
    assert alarms["lag-near"].state is AlarmState.SUPPRESSED


def test_back_between_the_limits_the_near_one_calls() -> None:
    """When the higher returns and the lower still stands, it is told."""
    alarms = alarm_set()
    held(alarms, replace(GOOD, lag_deg=2.4), 120)
    assert held(alarms, replace(GOOD, lag_deg=1.8), 400, 120) == [
        ("lag-limit", "returned"),
        ("lag-near", "unacknowledged"),
    ]


@pytest.mark.parametrize("tau_s", [0.001, 30.0], ids=["at once", "as a mean creeps"])
def test_set_right_past_both_limits_the_near_one_does_not_call_on_the_way_down(tau_s: float) -> None:
    """The camshaft is set: what stood under the limit's suppression goes with it, and nobody is called to a cure."""
    alarms = alarm_set()
    held(alarms, replace(GOOD, lag_deg=2.4), 120)
    said = []
    for s in range(1, 700):
        lag = 0.2 + 2.2 * math.exp(-s / tau_s)
        said += [
            (t.tag, t.to)
            for t in alarms.judge((120 + s) * 1_000_000, judge(ENGINE, alarms, replace(GOOD, lag_deg=lag)))
        ]
    assert said == [("lag-limit", AlarmState.RETURNED), ("lag-near", AlarmState.NORMAL)]


def test_what_is_blind_on_the_way_down_calls_once_its_limit_is_gone() -> None:
    """Well for a while and then unknown is not well: the near limit, which still stands, is not left suppressed."""
    alarms = alarm_set()
    held(alarms, replace(GOOD, lag_deg=2.4), 120)
    list(alarms["lag-limit"].out_of_service(120_000_000, "x", "y"))
    assert held(alarms, GOOD, 100, 121) == []
    assert held(alarms, BLIND, 5, 221) == [("lag-near", "unacknowledged")]


def test_a_limit_out_of_service_does_not_silence_the_near_limit() -> None:
    """Nobody would be told of a lag past both."""
    alarms = alarm_set()
    list(alarms["lag-limit"].out_of_service(0, "x", "y"))
    assert announced(held(alarms, replace(GOOD, lag_deg=2.4), 120)) == ["lag-near"]


def test_dead_band_holds_what_hovers_at_the_limit() -> None:
    """Once raised, a lag just under the limit does not end it; under the dead band it does."""
    alarms = alarm_set()
    held(alarms, replace(GOOD, lag_deg=1.51), 61)
    assert held(alarms, replace(GOOD, lag_deg=1.46), 3_600, 100) == []
    assert held(alarms, replace(GOOD, lag_deg=1.44), 400, 4_000) == [("lag-near", "returned")]


@pytest.mark.parametrize("tag", [t for t in sorted(RAISES) if BY_TAG[t].states == frozenset({Running.AHEAD})])
@pytest.mark.parametrize("running", [r for r in Running if r is not Running.AHEAD])
def test_limits_of_running_ahead_are_judged_in_no_other_state(tag: str, running: Running) -> None:
    """Astern, stopped, turning, changing: neither raised nor cleared."""
    alarms = alarm_set()
    assert held(alarms, replace(RAISES[tag], running=running), 600) == []
    delay_s = round(BY_TAG[tag].on_delay_s)
    for t in (1_000, 1_000 + delay_s):
        list(alarms.judge(t * 1_000_000, judge(ENGINE, alarms, RAISES[tag])))
    assert held(alarms, replace(GOOD, running=running), 7_200, 50_000) == []
    assert alarms.active(tag)


@pytest.mark.parametrize("tag", [t for t in sorted(RAISES) if BY_TAG[t].settled])
def test_what_warmth_moves_waits_until_the_drive_is_warm(tag: str) -> None:
    """Not judged before the settling time is over."""
    assert held(alarm_set(), replace(RAISES[tag], settled=False), 600) == []


@pytest.mark.parametrize("tag", [t for t in sorted(RAISES) if BY_TAG[t].held_by])
def test_a_fault_of_what_it_hangs_on_holds_it(tag: str) -> None:
    """While the sensor's own alarm stands, what the sensor says of the drive is neither raised nor cleared."""
    for fault in BY_TAG[tag].held_by:
        alarms = alarm_set()
        held(alarms, RAISES[fault], 10)
        assert alarms.active(fault)
        both = {f.name: getattr(RAISES[tag], f.name) for f in RAISES[tag].__dataclass_fields__.values()}
        for name in ("transducer", "crank", "cam", "silent_s"):
            if getattr(RAISES[fault], name):
                both[name] = getattr(RAISES[fault], name)
        assert announced(held(alarms, Evidence(**both), 600, 20)) == []


def test_a_locked_tightener_is_judged_by_its_length_alone() -> None:
    """Moved either way: `tightener-moved`; its compression raises nothing."""
    engine = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
    rows = tuple(r for r in ROWS if r.tag in ENGINE_TAGS)
    for mm in (180.8, 179.6):
        alarms = AlarmSet(rows, {}, "main")
        e = replace(GOOD, spring_mm=mm, compression_mm=2.0, running=Running.STOPPED)
        found = [t.tag for s in range(60) for t in alarms.judge(s * 1_000_000, judge(engine, alarms, e))]
        assert found == ["tightener-moved"]


def test_early_is_told_as_not_wear() -> None:
    """The text says late or early, the figure and its limit."""
    alarms = alarm_set()
    late, early = "1.62° late, warning limit 1.50°", "1.62° early, warning limit 1.50°. Early is not wear"
    for lag, words in ((1.62, late), (-1.62, early)):
        finding = judge(ENGINE, alarms, replace(GOOD, lag_deg=lag))["lag-near"]
        assert words in finding.text
        assert (finding.over, finding.value, finding.limit) == (True, lag, 1.5)


FAULTS = st.sampled_from([None, "", "wire broken"])
UNKNOWN_OR = st.none() | st.floats(-30, 30)


@settings(max_examples=80)
@given(
    st.lists(
        st.tuples(st.sampled_from(list(Running)), st.booleans(), UNKNOWN_OR, UNKNOWN_OR, FAULTS),
        max_size=40,
    )
)
def test_an_unknown_figure_never_moves_its_alarm(steps: list[Any]) -> None:
    """Whatever comes: where the lag or the compression is not known, its alarms stay as they were."""
    alarms, t = alarm_set(), 0
    for running, settled, lag, compression, fault in steps:
        t += 400
        e = replace(GOOD, running=running, settled=settled, lag_deg=lag, compression_mm=compression, transducer=fault)
        before = {tag: alarms.active(tag) for tag in ENGINE_TAGS}
        list(alarms.judge(t * 1_000_000, judge(ENGINE, alarms, e)))
        unknown = [("lag-near", lag), ("lag-limit", lag), ("tension-low", compression), ("tension-high", compression)]
        for tag, figure in unknown:
            if figure is None or running is not Running.AHEAD:
                assert alarms.active(tag) == before[tag]
        if fault is None:
            assert alarms.active("transducer-fault") == before["transducer-fault"]


def test_a_delay_of_hours_outlasts_changes_of_speed() -> None:
    """What only daily sums can end ends although the engine changes speed each hour; unknown time does not count."""
    alarms = alarm_set()
    list(alarms.judge(0, judge(ENGINE, alarms, RAISES["elongation-near"])))
    assert alarms.active("elongation-near")
    off_h = round(BY_TAG["elongation-near"].off_delay_s / 3_600)
    for hour in range(1, 2 * off_h + 2):
        assert alarms.active("elongation-near")
        e = GOOD if hour % 2 else replace(GOOD, running=Running.CHANGING)
        list(alarms.judge(hour * 3_600_000_000, judge(ENGINE, alarms, e)))
    assert not alarms.active("elongation-near")


def test_a_known_good_figure_begins_the_delay_anew_even_beside_unknown_ones() -> None:
    """Half the delay over, then unknown, then well, then over again: the whole delay runs from there."""
    alarms = alarm_set()
    over, well = replace(GOOD, lag_deg=1.6), GOOD
    for t, e in ((0, over), (40, over), (45, BLIND), (50, well), (55, over), (114, over)):
        assert list(alarms.judge(t * 1_000_000, judge(ENGINE, alarms, e))) == []
    (raised,) = alarms.judge(115 * 1_000_000, judge(ENGINE, alarms, over))
    assert raised.tag == "lag-near"


def test_a_limit_taken_out_of_service_hands_back_to_the_near_limit() -> None:
    """The lower calls at the next judgement, and is stood for again when the higher is back."""
    alarms = alarm_set()
    both = replace(GOOD, lag_deg=2.4)
    held(alarms, both, 120)
    list(alarms["lag-limit"].out_of_service(120_000_000, "x", "y"))
    assert held(alarms, both, 5, 121) == [("lag-near", "unacknowledged")]
    list(alarms["lag-limit"].in_service(130_000_000, "x"))
    assert held(alarms, both, 5, 131) == [("lag-near", "suppressed")]


CLEAR = (False, None, None, "", ())
SAID: list[tuple[str, Evidence, tuple[Any, ...]]] = [
    ("lag-near", GOOD, (False, 0.8, 1.5, "", ())),
    ("lag-near", replace(GOOD, lag_deg=1.5), (True, 1.5, 1.5, "Camshaft 1.50° late, warning limit 1.50°", ())),
    ("lag-near", replace(GOOD, lag_deg=-1.5),
     (True, -1.5, 1.5, "Camshaft 1.50° early, warning limit 1.50°. Early is not wear", ())),
    ("lag-limit", GOOD, (False, 0.8, 2.0, "", ())),
    ("lag-limit", replace(GOOD, lag_deg=2.04), (True, 2.04, 2.0, "Camshaft 2.04° late, limit 2.00°", ())),
    ("lag-limit", replace(GOOD, lag_deg=-2.04),
     (True, -2.04, 2.0, "Camshaft 2.04° early, limit 2.00°. Early is not wear", ())),
    ("lag-step", GOOD, (False, None, 0.5, "", ())),
    ("lag-step", RAISES["lag-step"], (True, 8.0, 0.5, "Cam phase stepped", ())),
    ("tension-low", GOOD, (False, 23.0, 20.5, "", ())),
    ("tension-low", replace(GOOD, compression_mm=20.44),
     (True, 20.44, 20.5, "Chain slack: spring compressed 20.4 mm, limit 20.5 mm", ())),
    ("tension-high", GOOD, (False, 23.0, 25.5, "", ())),
    ("tension-high", replace(GOOD, compression_mm=25.56),
     (True, 25.56, 25.5, "Chain tight: spring compressed 25.6 mm, limit 25.5 mm", ())),
    ("tension-step", GOOD, (False, None, 1.0, "", ())),
    ("tension-step", RAISES["tension-step"], (True, 2.0, 1.0, "Spring length stepped", ())),
    ("slap-high", GOOD, (False, 0.8, 3.0, "", ())),
    ("slap-high", replace(GOOD, slap_mm=3.26), (True, 3.26, 3.0, "Chain slap 3.3 mm, limit 3.0 mm", ())),
    ("elongation-near", GOOD, (False, 0.3, 0.8, "", ())),
    ("elongation-near", RAISES["elongation-near"],
     (True, 0.8, 0.8, "Chain 0.80 % longer than new, warning limit 0.80 %", ())),
    ("elongation-limit", GOOD, (False, 0.3, 1.0, "", ())),
    ("elongation-limit", replace(GOOD, wear=replace(GOOD.wear, elongation_percent=1.02)),
     (True, 1.02, 1.0, "Chain 1.02 % longer than new, limit 1.00 %", ())),
    ("wear-disagree", GOOD, (False, None, None, "Lag and tightener do not agree", ())),
    ("wear-disagree", RAISES["wear-disagree"],
     (True, None, None, "Lag and tightener do not agree. Most likely: a coupling has slipped",
      ("a coupling has slipped",))),
    ("limit-in-sight", GOOD, (False, 9_000.0, 1_000.0, "", ())),
    ("limit-in-sight", replace(GOOD, wear=replace(GOOD.wear, hours_to_limit=None)), (False, None, 1_000.0, "", ())),
    ("limit-in-sight", RAISES["limit-in-sight"],
     (True, 1_000.0, 1_000.0, "Camshaft lag warning limit expected in about 1,000 h at the earliest (1 in 20)", ())),
    ("retighten-due", GOOD, (False, 1_600.0, 4_000.0, "", ())),
    ("retighten-due", RAISES["retighten-due"],
     (True, 4_000.0, 4_000.0, "4,000 h since retightening, interval 4,000 h", ())),
    ("transducer-fault", GOOD, CLEAR),
    ("transducer-fault", RAISES["transducer-fault"], (True, None, None, "wire broken", ())),
    ("crank-encoder-fault", RAISES["crank-encoder-fault"], (True, None, None, "stands still", ())),
    ("cam-encoder-fault", RAISES["cam-encoder-fault"], (True, None, None, "stands still", ())),
    ("head-silent", GOOD, CLEAR),
    ("head-silent", RAISES["head-silent"],
     (True, 6.0, None, "No valid data from the sensor head. Check its supply and its cable", ())),
    ("link-poor", GOOD, (False, 0.0, 1.0, "", ())),
    ("link-poor", replace(GOOD, link_loss_percent=1.26),
     (True, 1.26, 1.0, "1.3 % of frames lost or refused in 10 min. Check the cable, its screen and the baud rate", ())),
    ("tightener-moved", GOOD, CLEAR),
]  # fmt: skip
"""Tag, evidence, and what must be found: over, figure, limit, text, causes."""


@pytest.mark.parametrize(("tag", "evidence", "wanted"), SAID)
def test_what_is_found_is_said_with_figure_limit_and_words(tag: str, evidence: Evidence, wanted: Any) -> None:
    """A person reads the text, panel and shore the figure and its limit: each alarm, raised and not."""
    f = judge(ENGINE, alarm_set(), evidence)[tag]
    assert (f.over, f.value, f.limit, f.text, f.causes) == wanted


def test_nothing_known_is_held_by_every_rule() -> None:
    """Each rule but those of a tightener of the other kind and of a forecast that has no end in sight holds."""
    open_ended = {"tightener-moved": False, "limit-in-sight": False}
    found = judge(ENGINE, alarm_set(), replace(BLIND, running=Running.AHEAD))
    assert {tag: f.over for tag, f in found.items()} == {tag: open_ended.get(tag) for tag in found}
    assert all(f.value is None and f.text == "" for f in found.values())


def test_a_locked_tightener_is_told_with_its_lengths() -> None:
    """Moved out or in: sign and size in the text, its own length and the locked one as figure and limit."""
    engine = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
    rows = tuple(r for r in ROWS if r.tag in ENGINE_TAGS)
    said = {}
    for mm in (180.2, 180.8, 179.6):
        f = judge(engine, AlarmSet(rows, {}, "main"), replace(GOOD, spring_mm=mm))["tightener-moved"]
        said[mm] = (f.over, f.value, f.limit, f.text)
    words = "Locked tightener moved {} mm, limit 0.50 mm. A part is loose or broken"
    assert said == {
        180.2: (False, 180.2, 180.2, words.format("+0.00")),
        180.8: (True, 180.8, 180.2, words.format("+0.60")),
        179.6: (True, 179.6, 180.2, words.format("-0.60")),
    }
    blind = judge(engine, AlarmSet(rows, {}, "main"), replace(GOOD, spring_mm=None))["tightener-moved"]
    assert (blind.over, blind.value) == (None, None)
    assert judge(engine, AlarmSet(rows, {}, "main"), replace(GOOD, compression_mm=1.0))["tension-low"].over is False


@pytest.mark.parametrize(
    ("tag", "field", "limit", "inward"),
    [("lag-near", "lag_deg", 1.5, -1), ("lag-limit", "lag_deg", 2.0, -1), ("tension-low", "compression_mm", 20.5, 1),
     ("tension-high", "compression_mm", 25.5, -1), ("slap-high", "slap_mm", 3.0, -1),
     ("link-poor", "link_loss_percent", 1.0, -1)],
)  # fmt: skip
def test_each_dead_band_is_its_rows_own(tag: str, field: str, limit: float, inward: int) -> None:
    """Standing, an alarm is held just inside its row's dead band and ends just beyond it; fresh, it needs the limit."""
    band = BY_TAG[tag].deadband
    assert band > 0
    inside, beyond = (replace(GOOD, **{field: limit + inward * (band + d)}) for d in (-1e-6, 1e-6))
    alarms = alarm_set()
    assert judge(ENGINE, alarms, inside)[tag].over is False
    list(alarms[tag].judge(0, judge(ENGINE, alarms, RAISES[tag])[tag]))
    list(alarms[tag].judge(10**9, judge(ENGINE, alarms, RAISES[tag])[tag]))
    assert alarms.active(tag)
    assert judge(ENGINE, alarms, inside)[tag].over is True
    assert judge(ENGINE, alarms, beyond)[tag].over is False


def test_small_limits_late_and_early() -> None:
    """With a limit below one degree the side is still told by the sign alone."""
    engine = tern(lag={"near_deg": 0.5})
    rows = tuple(r for r in ROWS if r.tag in ENGINE_TAGS)
    for lag, side in ((0.6, "late"), (-0.6, "early")):
        f = judge(engine, AlarmSet(rows, {}, "main"), replace(GOOD, lag_deg=lag))["lag-near"]
        assert f.over and f"0.60° {side}" in f.text


def test_a_sprung_tightener_is_never_one_that_moved() -> None:
    """Also where a length of locking stands in its settings."""
    engine = tern(tightener={"locked_at_mm": 150.0})
    rows = tuple(r for r in ROWS if r.tag in ENGINE_TAGS)
    assert judge(engine, AlarmSet(rows, {}, "main"), GOOD)["tightener-moved"].over is False


def test_a_standing_alarm_shows_its_present_figure() -> None:
    """Raised at 2.04°, now 2.31°: text and short text show 2.31°; over a time without a sensor the last one stays."""
    alarms = alarm_set()
    held(alarms, replace(GOOD, lag_deg=2.04), 120)
    raised = tuple(alarm_view(a, 1, 0.0) for a in alarms.alarms.values())
    for later in (replace(GOOD, lag_deg=2.31), replace(GOOD, lag_deg=None)):
        held(alarms, later, 1, start_s=200)
        shown = next(v for v in with_present(raised, alarms) if v.tag == "lag-limit")
        assert (shown.text, shown.short) == ("Camshaft 2.31° late, limit 2.00°", "Cam 2.31 deg late, limit 2.00")
    assert alarms["lag-limit"].facts.text == "Camshaft 2.04° late, limit 2.00°"


def test_a_cleared_alarm_is_recorded_as_cleared() -> None:
    """The event of the return bears the figure that is inside its limit again, not the text of the alarm."""
    alarms = alarm_set()
    held(alarms, replace(GOOD, compression_mm=20.0), 120)
    back = [t for s in range(120, 600) for t in alarms.judge(s * 1_000_000, judge(ENGINE, alarms, GOOD))]
    assert [(t.tag, t.text) for t in back] == [("tension-low", "Cleared: chain slack (23.0 mm, limit 20.5 mm)")]
