"""The order of work and the cautions of every sheet, against the handbook's "Work at the drive".

Common practice, no source; the engine's manual comes first. The order is written here by hand from the handbook's
list, never read out of the sheets.
"""

import re
from dataclasses import replace
from typing import Any

import pytest

from gateway.model.enums import Quality, Running
from gateway.model.records import Measured
from gateway.model.settings import EngineSettings, LostMotionSettings
from gateway.model.snapshot import ShapeDetail
from gateway.wear.agreement import Agreement
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import CamshaftSet, CylinderPressures, Pressures, PumpsCompensated
from gateway.wear.datum import from_settings
from gateway.wear.decision import Standing, decide
from gateway.wear.logbook import rebase
from gateway.wear.refusals import refusals
from gateway.worksheet.catalogue import SHEETS, sheet
from gateway.worksheet.record import in_words
from gateway.worksheet.sheet import Facts, Sheet, Step
from tests.drive_engines import tern


def engine(
    kind: str = "sprung", sense: str | None = "astern", sections: int = 1, wait_min: float = 20
) -> EngineSettings:
    tightener: dict[str, Any] = {"slack_when_turning": sense}
    if kind == "locked":
        tightener |= {"kind": "locked", "locked_at_mm": 177.2, "locking_turn_deg": 30.0}
    return tern(
        tightener=tightener,
        lag={"camshaft_sections": sections, "pin_gauge_radius_mm": 160.0},
        service={"open_after_min": wait_min},
    )


def facts(e: EngineSettings, **known: Any) -> Facts:
    return replace(Facts(e, from_settings(e)), **known)


def keys(made: Sheet) -> list[str]:
    return [s.key for s in made.steps]


def in_order(made: Sheet, *wanted: str) -> None:
    found = keys(made)
    assert [k for k in found if k in wanted] == list(wanted)


ISOLATED = ("immobilise", "permit", "stopped", "air", "gear-blocked", "turning-gear", "propeller", "oil", "open",
            "ventilate")  # fmt: skip
RESTORED = ("inspect", "tools", "door", "oil-on", "gear-out", "unblock", "book", "air-on")
STOPPED = [name for name in SHEETS if name != "pressures"]
ENGINES = [engine(), engine("locked"), engine(sense=None), engine(sense="ahead", sections=2)]


@pytest.mark.parametrize("kind", ["sprung", "locked"])
def test_retighten_brings_the_slack_before_anything_is_released(kind: str) -> None:
    """Handbook, Retighten 1 to 9."""
    made = sheet("retighten", facts(engine(kind)), {})
    locked = ("seat",) if kind == "locked" else ()
    in_order(
        made,
        *ISOLATED,
        "before",
        "slack-to-tightener",
        "unlock",
        "release",
        "free-length",
        "tighten",
        "turn-a-little",
        "target",
        "hold",
        *locked,
        "lock",
        "plates",
        "round",
        "slack-to-free",
        "lost-motion",
        "play",
        *RESTORED,
    )
    step = {s.key: s for s in made.steps}
    assert "spring's nut first, then the opposite nut" in step["release"].text
    assert "Never reverse while the tightener is loose" in step["turn-a-little"].text
    assert "whole loop" in step["round"].text and "3.33 crank turns" in step["round"].text


@pytest.mark.parametrize(("crank_deg", "words"), [(38.0, "3.5° after"), (31.4, "3.1° before"), (34.9, "")])
def test_retime_compares_the_crank_with_the_dead_centre(crank_deg: float, words: str) -> None:
    """A gauge read away from the dead centre that the commissioning found is noticed: how far, to which side."""
    e = engine()
    e = replace(e, lag=replace(e.lag, dead_centre_deg=34.5))
    made = sheet("retime", facts(e, crank_deg=crank_deg), {"gauge_mm": "0"})
    assert made.figure("from_dead_centre_deg") == pytest.approx(crank_deg - 34.5)
    told = [n.text for n in made.notices if "dead centre of cylinder 1" in n.text]
    assert [words in t for t in told] == ([True] if words else [])


def test_retime_holds_the_shaft_stands_at_dead_centre_and_takes_the_pumps_off() -> None:
    """Handbook, Re-time 1 to 12."""
    made = sheet("retime", facts(engine(sections=2)), {})
    in_order(
        made,
        "pressures-before",
        *ISOLATED,
        "chain-first",
        "whole-turn",
        "dead-centre",
        "lock-gear",
        "gauge-before",
        "guards-off",
        "tackle",
        "pressure-on",
        "turn-camshaft",
        "pressure-off",
        "read-again",
        "section-2",
        "read-all",
        "plugs",
        "turn-astern",
        "turn-after",
        "lost-motion",
        "gauge-after",
        "pumps-off",
        *RESTORED,
        "running-zero",
        "pressures-after",
    )
    step = {s.key: s for s in made.steps}
    assert "AHEAD" in step["dead-centre"].text and "30° before" in step["dead-centre"].text
    assert "held both ways" in step["tackle"].text and "Never feel for a leak" not in step["tackle"].text
    assert "never feel for a leak" in step["pressure-on"].caution and "emergency" in step["pressure-on"].caution
    assert "Turn nothing" in step["plugs"].text


@pytest.mark.parametrize("name", STOPPED)
@pytest.mark.parametrize("e", ENGINES, ids=["sprung", "locked", "no sense", "two sections"])
def test_starting_air_is_last_and_each_isolation_has_a_tick_of_its_own(name: str, e: EngineSettings) -> None:
    """Handbook, Retighten 9: oil before the turning gear is out, book before starting, starting air last."""
    found = [k for k in keys(sheet(name, facts(e), {})) if k in RESTORED]
    assert found[-1] == "air-on" and found.index("oil-on") < found.index("gear-out") < found.index("book")
    assert len(set(keys(sheet(name, facts(e), {})))) == len(keys(sheet(name, facts(e), {})))


TURNS = re.compile(r"\b[Tt]urn (?!nothing|sudden)", re.ASCII)
NOT_A_TURN = {"Make the locking turn", "turning gear", "turning wheel"}


@pytest.mark.parametrize("name", list(SHEETS))
@pytest.mark.parametrize("e", ENGINES, ids=["sprung", "locked", "no sense", "two sections"])
def test_nothing_is_turned_without_its_caution_and_its_sense(name: str, e: EngineSettings) -> None:
    """Whatever the words, a step that asks for a turn is marked so, and bears the caution of the casing."""
    for s in sheet(name, facts(e), {}).steps:
        if (TURNS.search(s.text) and not any(w in s.text for w in NOT_A_TURN)) or s.turns:
            assert s.turns and "Clear the casing" in s.caution, s.text
            assert s.sense, s.text


def test_the_turning_sense_is_the_settings_own() -> None:
    """Slack to the tightener astern here, ahead there; where it is not set the sheet tells the engineer to look."""

    def sense(e: EngineSettings, key: str) -> Step:
        return next(s for s in sheet("retighten", facts(e), {}).steps if s.key == key)

    assert sense(engine(sense="astern"), "slack-to-tightener").sense == "astern"
    assert sense(engine(sense="astern"), "slack-to-free").sense == "ahead"
    assert sense(engine(sense="ahead"), "slack-to-tightener").sense == "ahead"
    unset = sense(engine(sense=None), "slack-to-tightener")
    assert unset.sense == "see" and "look before you turn" in unset.text


@pytest.mark.parametrize("name", STOPPED)
def test_a_longer_wait_is_shown_everywhere(name: str) -> None:
    """40 minutes in the settings: no 20 minutes anywhere on the sheet."""
    made = sheet(name, facts(engine(wait_min=40)), {})
    text = " ".join([*made.cautions, *(f"{s.text} {s.caution}" for s in made.steps)])
    assert "40 min" in text and not re.search(r"\b20 min", text)
    assert all(w.least_s == 2_400 for w in made.waits if "stopping" in w.text)


def test_pressures_have_the_running_engine_s_cautions() -> None:
    """Taken with the engine running: indicator cocks, hot gas; nothing of a stopped engine."""
    made = sheet("pressures", facts(engine()), {})
    text = " ".join(made.cautions)
    assert "indicator cock" in text and "hot gas" in text and "running" in text
    assert "turning gear engaged" not in text and "door" not in text
    assert any("hot gas" in s.caution for s in made.steps)


def test_pumps_are_isolated_from_fuel() -> None:
    """Fuel shut off and relieved, turning gear in and oil off, before a pump is touched."""
    in_order(sheet("compensate", facts(engine()), {}), "turning-gear", "oil", "fuel-off", "set", "fuel-on", "air-on")


@pytest.mark.parametrize("name", ["retighten", "retime"])
def test_a_live_advice_to_turn_bears_its_caution(name: str) -> None:
    """Passed the target, passed zero, no whole turn yet: each notice that asks for a turn names the hazard."""
    e = engine()
    zero = e.lag.zero_deg or 0.0
    cases = [
        sheet("retighten", facts(e, spring=Measured(179.0, Quality.GOOD)),
              {"free_mm": "203.0"}),
        sheet("retime", facts(e, running=Running.STOPPED, lag=Measured(0.5, Quality.GOOD)), {}),
        sheet("retime", facts(e, running=Running.TURNING, raw_deg=zero - 0.3, whole_turn=True), {"before_deg": "0.7"}),
    ]  # fmt: skip
    turns = [n.text for made in cases for n in made.notices if "urn " in n.text and made.name == name]
    assert turns and all("Clear the casing" in t for t in turns)


def test_a_turn_each_way_bears_its_cautions_and_its_way() -> None:
    """Everybody clear, starting air shut, indicator cocks as the manual has it; a four-stroke's crank turns twice; a
    drive with a reversing servo has no such step."""
    for name, key in (("retime", "turn-astern"), ("retighten", "slack-to-free")):
        step = next(s for s in sheet(name, facts(engine()), {}).steps if s.key == key)
        for words in ("Clear the casing", "starting air shut off", "indicator cocks where the manual requires"):
            assert words in step.caution
        assert step.turns and "one whole turn and a little more" in step.text
        four = replace(engine(), ratio=2)
        assert "two whole turns" in next(s.text for s in sheet(name, facts(four), {}).steps if s.key == key)
        servo = replace(engine(), lost_motion=LostMotionSettings(applies=False))
        made = sheet(name, facts(servo), {})
        assert "lost-motion" not in keys(made) and all(i.name != "lost_motion_deg" for i in made.inputs)
    senses = [s.sense for s in sheet("retime", facts(engine()), {}).steps if s.key in ("turn-astern", "turn-after")]
    assert senses == ["astern", "ahead"], "the dead centre is approached ahead"


def test_lost_motion_is_taken_from_turns_after_the_work_and_booked() -> None:
    """Of two turns one of which came before the pressure was released, the camshaft's own turning is a part."""
    e = engine()
    turned = {"utc_s": 1.7e9, "turned_lost_deg": 1.234, "turned_lost_from_utc_s": 1.7e9 - 600}
    known = facts(e, running=Running.STOPPED, raw_deg=e.lag.zero_deg, whole_turn=True, **turned)

    def offered(typed: dict[str, str], f: Facts = known) -> float | None:
        return next(i.take for i in sheet("retime", f, typed).inputs if i.name == "lost_motion_deg")

    released = {"oil_off": str(1.7e9 - 1_200)}
    assert offered(released) == 1.234
    assert offered({}) is None and offered({"oil_off": str(1.7e9 - 300)}) is None
    assert offered(released, replace(known, burst_age_s=400.0)) is None
    assert offered(released, replace(known, running=Running.AHEAD)) is None
    made = sheet("retime", known, {**released, "gauge_after_mm": "0", "lost_motion_deg": "1.234"})
    assert made.booking is not None and made.booking["lost_motion_deg"] == 1.234
    assert "Lost motion 1.234°" in in_words(made.booking) and made.figure("lost_motion_deg") == 1.234
    assert any("10 min old" in x.help for x in made.figures)
    typed = {"free_mm": "203.2", "there_mm": "180.2", "held_mm": "180.2", "lost_motion_deg": "1.2"}
    tight = sheet("retighten", facts(e, running=Running.STOPPED, hours=22_000.0, utc_s=1.7e9), typed)
    assert tight.booking is not None and tight.booking["lost_motion_deg"] == 1.2


CAMS = ShapeDetail(changes=(("1", -13.4, -9.2, -5.1), ("2/4", -3.0, 0.4, 4.0), ("3", -2.0, 7.0, 16.0)))


def test_cam_loads_stand_beside_the_pressures_as_a_question() -> None:
    """Each cylinder's change with its range, cylinders at like angles named; asked only where it is clear of no change
    and as large as the settings ask for. It refuses nothing and is not booked."""
    known = facts(tern(cams={"angle_deg": [12, 252, 132, 252]}), rpm=95.0, cam_loads=CAMS)
    made = sheet("pressures", known, {"max_bar": "130 134 134 134", "mean_bar": "12 12.4 12.4 12.4"})
    assert [made.figure(f"cam_{n}") for n in (1, 2, 3, 4)] == [
        "−9 (−13 to −5)", "0 (−3 to +4)", "+7 (−2 to +16)", "0 (−3 to +4)",
    ]  # fmt: skip
    order = [f.key for f in made.figures]
    assert order.index("max_1") < order.index("cam_1") < order.index("max_2")
    assert any("Cylinder 4 lies at a like angle" in f.help for f in made.figures if f.key == "cam_2")
    (asked,) = [n for n in made.notices if "own past" in n.text]
    assert "cylinder 1 the camshaft's load" in asked.text and "by −9 (−13 to −5) %" in asked.text
    assert "−3.0 bar off the mean" in asked.text and "−0.30 bar" in asked.text and "not a verdict" in asked.text
    assert asked.level == "attention" and made.booking is not None and "cam" not in str(made.booking)
    empty = sheet("pressures", known, {})
    assert empty.figure("cam_1") == "−9 (−13 to −5)"
    assert any("Take its pressures" in n.text for n in empty.notices)
    unknown = sheet("pressures", replace(known, cam_loads=ShapeDetail()), {"max_bar": "130 134"})
    assert unknown.figure("cam_1") is None and not any("own past" in n.text for n in unknown.notices)


LOCKED = engine("locked")


def locked(now_mm: float, **typed: str) -> Sheet:
    known = facts(LOCKED, spring=Measured(now_mm, Quality.GOOD), running=Running.STOPPED, hours=22_000.0)
    return sheet("retighten", known, {"free_mm": "203.2", **typed})


def test_a_locked_tightener_seats_below_its_target() -> None:
    """Target 180.2, seated at 177.2 on the distance tube: the fall is right, and no phase calls it passed."""
    assert locked(180.2).phase == "to target"
    assert locked(180.2, there_mm="180.2").phase == "hold"
    falling = locked(178.5, there_mm="180.2", held_mm="180.2")
    assert falling.phase == "seating" and falling.booking is None
    texts = [n.text for n in falling.notices]
    assert any("that is right" in t for t in texts) and not any("Passed" in t or "losing" in t for t in texts)
    seated = locked(177.2, there_mm="180.2", held_mm="180.2")
    assert any(n.text.startswith("Seated") for n in seated.notices)
    done = locked(177.2, there_mm="180.2", held_mm="180.2", seated_mm="177.2")
    assert done.phase == "locking turn" and done.booking is not None and done.booking["spring_after_mm"] == 177.2


def test_a_length_far_below_the_seat_stops_the_work() -> None:
    """Beyond the distance tube nothing can go: plate, tube or transducer is wrong."""
    made = locked(176.0, there_mm="180.2", held_mm="180.2")
    assert any("Stop. Find out why" in n.text for n in made.notices)


def test_a_sprung_tightener_that_falls_in_the_hold_is_losing_tension() -> None:
    """The same fall that is right when seating is wrong in the hold."""
    made = locked(179.0, there_mm="180.2")
    assert any("losing tension" in n.text for n in made.notices)


def test_before_cannot_be_taken_again_after_the_nut_has_moved() -> None:
    """One tap must not overwrite the length before; with a reason it can be changed."""
    made = locked(180.2, before_mm="182.2", there_mm="180.2")
    before = next(i for i in made.inputs if i.name == "before_mm")
    assert before.take is None and before.locked
    again = locked(180.2, before_mm="182.2", there_mm="180.2", unlock_before_mm="typing error")
    assert next(i for i in again.inputs if i.name == "before_mm").take == 180.2
    fresh = locked(182.2)
    assert next(i for i in fresh.inputs if i.name == "there_mm").press == "TARGET REACHED"


def test_a_burst_head_cannot_confirm_the_target() -> None:
    """An old reading is shown with its age, and nothing may be taken from it."""
    known = facts(engine(), spring=Measured(180.2, Quality.GOOD), running=Running.STOPPED, burst_age_s=420.0)
    made = sheet("retighten", known, {"free_mm": "203.2"})
    assert all(i.take is None for i in made.inputs) and any("7 min old" in n.text for n in made.notices)
    assert not any("TARGET REACHED" in n.text for n in made.notices), "nor is it said in words"


def test_a_second_section_that_is_out_is_shown_and_booked() -> None:
    """2.99 mm at 160 mm are 1.07°: not passed without a word, and in the record."""
    e = engine(sections=2)
    zero = e.lag.zero_deg or 0.0
    known = facts(e, running=Running.STOPPED, raw_deg=zero, whole_turn=True)
    assert sheet("retime", known, {"gauge_after_mm": "0"}).booking is None
    made = sheet("retime", known, {"gauge_after_mm": "0 2.99"})
    assert any("Section 2 is still 1.07° (crank) late" in n.text for n in made.notices)
    assert made.booking is not None and "section 2: gauge 2.99 mm" in str(made.booking["note"])


def test_pumps_still_advanced_after_retiming_come_first() -> None:
    """Decision, sheet and step: take it off before the engine starts, until 0° is booked."""
    e = engine()
    who = {"person": "Second engineer"}
    log = [
        PumpsCompensated(id="a", utc_s=1.7e9, hours=22_000.0, after_deg=[1.6] * 6, **who),
        CamshaftSet(id="b", utc_s=1.71e9, hours=22_400.0, raw_deg=17.35, **who),
    ]
    datum = rebase(e, log)
    agreed = Agreement("agree")
    decision = decide(e, datum, Standing(0.0, 0.1, 23.0, 22_400.0, agreed))
    assert decision.do == "compensate" and decision.compensate_deg == 0.0 and "off first" in decision.why
    made = sheet("retime", Facts(e, datum), {})
    assert any("1.6° are set at the fuel pumps" in n.text for n in made.notices)
    assert "Take off the 1.6°" in next(s.text for s in made.steps if s.key == "pumps-off")
    off = PumpsCompensated(id="c", utc_s=1.72e9, hours=22_400.0, after_deg=[0.0] * 6, **who)
    assert decide(e, rebase(e, [*log, off]), Standing(0.0, 0.1, 23.0, 22_400.0, agreed)).do == "nothing"


def before_work(**more: Any) -> Pressures:
    """Pressures of one cylinder before the work, as they are booked: load is a share of full load."""
    cylinder = CylinderPressures(cylinder=1, max_bar=140.0, compression_bar=110.0)
    who = {"id": "p", "utc_s": 1.7e9, "hours": 22_000.0, "person": "Second engineer", "taken": "before"}
    return Pressures(**who, rpm=95.0, cylinders=[cylinder], **{"load": 0.85, "scavenge_bar": 2.4, **more})


ALIKE = {"taken": "after", "max_bar": "146", "load": "84", "scavenge_bar": "2,38", "compression_bar": "111"}


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"load": "60"}, "The load was 85% before and 60% after: not alike"),
        ({"rpm": "88"}, "The speed was 95 rpm before and 88 rpm after: not alike"),
        ({"scavenge_bar": "2.1"}, "The scavenge pressure was 2.4 bar before and 2.1 bar after: not alike"),
        ({"compression_bar": "101"}, "Cylinder 1: compression pressure was 110 bar before and 101 bar after"),
        ({"scavenge_bar": ""}, "The scavenge pressure is not known both before and after"),
    ],
)
def test_pressures_at_unlike_conditions_are_not_compared_in_silence(typed: dict[str, str], words: str) -> None:
    """Load, speed, scavenge and compression pressure: each that is not alike is shown, and nothing is called good."""
    known = facts(engine(), taken=(before_work(),), rpm=95.0)
    made = sheet("pressures", known, ALIKE | typed)
    assert any(n.text.startswith(words) for n in made.notices)
    assert not any("can be compared" in n.text for n in made.notices) and made.booking is not None


def test_pressures_at_like_conditions_are_compared_and_the_log_book_takes_them() -> None:
    """The change of maximum and compression; booked as the log book has them, the load as a share of full load."""
    known = facts(engine(), taken=(before_work(),), rpm=95.0)
    made = sheet("pressures", known, ALIKE)
    assert any("can be compared" in n.text for n in made.notices)
    assert made.figure("max_change_1") == pytest.approx(6.0) and made.figure("compression_change_1") == pytest.approx(1)
    assert made.booking is not None and made.booking["load"] == pytest.approx(0.84)
    data = {"id": "b", "utc_s": 1.71e9, "hours": 22_400.0, "person": "Second engineer", **made.booking}
    entry = read_entry(data)
    assert isinstance(entry, Pressures) and refusals(entry, known.datum) == []
    assert (entry.scavenge_bar, entry.cylinders[0].compression_bar) == (2.38, 111.0)
    assert "Load 84%. Scavenge pressure 2.38 bar" in in_words(made.booking)


def test_compression_pressures_that_cannot_be_are_refused() -> None:
    """Above the maximum, or not one a cylinder."""
    known = facts(engine(), rpm=95.0)
    for typed, words in (({"compression_bar": "150"}, "swapped"), ({"compression_bar": "110 111"}, "one of each")):
        made = sheet("pressures", known, ALIKE | typed)
        assert made.refused and made.booking is None and any(words in n.text for n in made.notices)


@pytest.mark.parametrize("lag_deg", [-0.04, 0.0, 0.04])
def test_the_pumps_are_taken_off_after_retiming_by_the_sheet(lag_deg: float) -> None:
    """What is left of the lag after the camshaft was set, early or late, refuses no booking of 0°; half a degree early
    is still no wear."""
    e = engine()
    who = {"person": "Second engineer"}
    log = [PumpsCompensated(id="a", utc_s=1.7e9, hours=22_000.0, after_deg=[1.6] * 6, **who)]
    made = sheet("compensate", Facts(e, rebase(e, log)), {"lag_deg": str(lag_deg), "pumps": "6"})
    assert any("Take off the 1.6°" in n.text for n in made.notices) and not made.refused
    assert made.booking is not None and made.booking["after_deg"] == [0.0] * 6
    assert sheet("compensate", Facts(e, rebase(e, log)), {"lag_deg": "-0.5"}).refused


@pytest.mark.parametrize(
    ("play", "compressed_mm", "agrees"),
    [
        (0.75, 23.0, True), (1.4, 18.0, True), (0.1, 27.0, True),
        (1.4, 23.0, False), (0.1, 23.0, False), (0.75, 18.0, False), (0.75, 27.0, False), (1.4, 27.0, False),
        # Near an end of its band the play is either.
        (1.1, 23.0, True), (1.1, 18.0, True), (0.4, 27.0, True), (0.4, 18.0, False),
    ],
)  # fmt: skip
def test_hand_play_knows_its_direction_and_is_compared_with_the_spring(
    play: float, compressed_mm: float, agrees: bool
) -> None:
    """Much play and a relaxed spring show slack, little play and a compressed one a tight chain; what does not fit is
    shown, with what each shows. The spring is read with the slack at the tightener, before the slack goes over."""
    e = engine()
    known = facts(e, running=Running.STOPPED, spring=Measured(181.0, Quality.GOOD))
    spring = known.datum.free_length_mm - compressed_mm
    made = sheet("hand-play", known, {"play_links": str(play), "spring_mm": str(spring)})
    assert any(n.text.startswith("Play and spring agree") for n in made.notices) is agrees
    assert any("do not agree" in n.text and "which strand" in n.text for n in made.notices) is not agrees
    assert (
        made.booking is not None and f"spring {spring:.2f} mm with the slack at the tightener" in made.booking["note"]
    )
    in_order(made, *ISOLATED, "slack-to-tightener", "spring", "slack-to-free", "measure", *RESTORED)
    senses = {s.key: s.sense for s in made.steps if s.turns}
    assert senses == {"slack-to-tightener": "astern", "slack-to-free": "ahead"}


def test_the_spring_beside_the_play_is_read_from_a_standing_engine() -> None:
    """Nothing is offered under way, nor from a head in bursts."""

    def offered(**known: Any) -> float | None:
        made = sheet("hand-play", facts(engine(), spring=Measured(181.0, Quality.GOOD), **known), {})
        return next(i.take for i in made.inputs if i.name == "spring_mm")

    assert offered(running=Running.STOPPED) == 181.0
    assert offered(running=Running.AHEAD) is None and offered(running=Running.STOPPED, burst_age_s=400.0) is None


def test_play_after_retightening_is_compared_with_the_spring_too() -> None:
    """At the target with a link and a half of play: one of the two is wrong."""
    typed = {"free_mm": "203.2", "there_mm": "180.2", "held_mm": "180.2", "turned_mm": "180.2"}
    known = facts(engine(), spring=Measured(180.2, Quality.GOOD), running=Running.STOPPED, hours=22_000.0)
    assert any("do not agree" in n.text for n in sheet("retighten", known, typed | {"play_links": "1.5"}).notices)
    assert any(
        "Play and spring agree" in n.text for n in sheet("retighten", known, typed | {"play_links": "0.7"}).notices
    )


@pytest.mark.parametrize(("lag_deg", "holds"), [(0.12, True), (-0.45, True), (0.9, False), (-0.9, False)])
def test_the_running_zero_is_confirmed_or_said_not_to_hold(lag_deg: float, holds: bool) -> None:
    """Taken steady ahead alone; the button and the notice say whether it holds."""
    e = engine()
    under_way = facts(e, running=Running.AHEAD, lag=Measured(lag_deg, Quality.GOOD), rpm=90.0)

    def asked(known: Facts) -> Any:
        return next(i for i in sheet("retime", known, {}).inputs if i.name == "running_deg")

    assert asked(under_way).step == "running-zero" and asked(under_way).take == lag_deg
    assert asked(under_way).press == ("ZERO HOLDS" if holds else "ZERO DOES NOT HOLD")
    for changes in (
        {"running": Running.CHANGING}, {"running": Running.STOPPED}, {"lag": Measured(lag_deg, Quality.UNCERTAIN)},
        {"burst_age_s": 400.0},
    ):  # fmt: skip
        assert asked(replace(under_way, **changes)).take is None
    made = sheet("retime", under_way, {"running_deg": str(lag_deg)})
    words = "The running zero holds" if holds else "The running zero does not hold"
    assert [n.level for n in made.notices if n.text.startswith(words)] == ["good" if holds else "attention"]
    assert made.figure("cam_deg") is None, "nothing is turned under way"


def test_every_turn_of_every_sheet_waits_for_isolation_and_comes_before_restoring() -> None:
    """Nothing is turned by hand before the turning gear is in and the propeller is clear, nor after the gear is out."""
    for name in STOPPED:
        for e in ENGINES:
            found = sheet(name, facts(e), {}).steps
            order = {s.key: n for n, s in enumerate(found)}
            for n, s in enumerate(found):
                if s.turns:
                    assert order["turning-gear"] < n < order["gear-out"] and order["propeller"] < n, (name, s.key)
                    assert order["air"] < n and order["oil"] < n < order["oil-on"], (name, s.key)


@pytest.mark.parametrize(("before", "now", "gauge", "after", "differ"), [
    (0.62, 0.0, 1.73, None, False), (0.62, 0.0, 0.0, None, True), (0.62, 0.0, 1.73, 0.0, False),
    (0.62, 0.0, 1.73, 1.5, True), (None, 0.62, 1.73, None, False), (None, 0.62, 0.0, None, True),
])  # fmt: skip
def test_gauge_and_lag_of_the_same_moment_are_compared(
    before: float | None, now: float, gauge: float, after: float | None, differ: bool
) -> None:
    """The gauge read before the camshaft is turned beside the lag of then, that after it beside the lag of now."""
    e = engine()
    known = facts(e, running=Running.STOPPED, raw_deg=(e.lag.zero_deg or 0.0) + now, whole_turn=True)
    typed = {"gauge_mm": gauge, "before_deg": before, "gauge_after_mm": after}
    made = sheet("retime", known, {k: str(v) for k, v in typed.items() if v is not None})
    assert any("Trust neither" in n.text for n in made.notices) is differ
    assert any("Gauge and encoders agree" in n.text for n in made.notices) is not differ


@pytest.mark.parametrize(("known", "doubted"), [
    ({"lag": Measured(1.7, Quality.GOOD)}, True), ({"whole_turn": True, "raw_deg": 19.05}, False),
    ({"lag": Measured(1.7, Quality.GOOD), "sea_lag_deg": (1.6, 1.7, 1.8)}, False),
    ({"lag": Measured(1.7, Quality.GOOD), "running": Running.AHEAD}, False),
])  # fmt: skip
def test_pumps_are_not_set_by_a_lag_of_one_standing_place_in_silence(known: dict[str, Any], doubted: bool) -> None:
    """A standing lag without a whole turn is off by the mounting of the encoders: shown, until it is typed or read."""
    at = facts(engine(), **({"running": Running.STOPPED} | known))
    assert any("one standing place" in n.text for n in sheet("compensate", at, {}).notices) is doubted
    assert not any("one standing place" in n.text for n in sheet("compensate", at, {"lag_deg": "1.7"}).notices)


def test_the_other_sheets_follow_the_handbook() -> None:
    """Links on the taut strand; a chain parted only with the tightener free and all secured; pumps with the fuel off;
    pressures from steady conditions to the booking, cocks blown before they are used."""
    made = {name: sheet(name, facts(engine()), {}) for name in SHEETS}
    in_order(made["links"], *ISOLATED, "taut", "count", "measure", "next-place", *RESTORED)
    in_order(made["new-chain"], *ISOLATED, "slack", "release", "part", "fit", "other-sheets", *RESTORED, "plan")
    closed = [k for k in ISOLATED if k not in ("immobilise", "propeller", "open", "ventilate")]
    restored = [k for k in RESTORED if k not in ("inspect", "door")]
    in_order(
        made["compensate"],
        "pressures-before", *closed, "fuel-off", "set", "racks", "fuel-on", *restored, "pressures-after",
    )  # fmt: skip
    in_order(made["pressures"], "steady", "conditions", "blow", "take", "type", "book")
    assert set(made) == {"links", "new-chain", "compensate", "pressures", "hand-play", "retighten", "retime"}


HAZARDS = {
    "air": "without warning", "propeller": "diver", "open": "oil mist can explode", "ventilate": "enclosed space",
    "tools": "left in the casing", "air-on": "engine can start", "release": "stores energy", "part": "springs apart",
    "fit": "does not hold the camshaft", "tackle": "turn by itself", "pressure-on": "never feel for a leak",
    "turn-camshaft": "turn by itself", "section-2": "turn by itself", "pumps-off": "injection is early",
    "fuel-off": "cuts through skin", "set": "cuts through skin", "fuel-on": "cuts through skin", "racks": "overspeed",
    "blow": "jet of hot gas", "take": "jet of hot gas", "count": "fingers between chain", "measure": "fingers between",
    "play": "fingers", "plugs": "grip return",
}  # fmt: skip
"""By step: words of the hazard that handbook "Safety" names there."""


def test_each_hazard_of_the_handbook_stands_at_its_step() -> None:
    """In every sheet that has the step, for each kind of engine; and each step of the list is in some sheet."""
    seen = set()
    for name in SHEETS:
        for e in ENGINES:
            for s in sheet(name, facts(e), {}).steps:
                if s.key in HAZARDS:
                    seen.add(s.key)
                    assert HAZARDS[s.key] in s.caution, (name, s.key, s.caution)
    assert seen == set(HAZARDS)
