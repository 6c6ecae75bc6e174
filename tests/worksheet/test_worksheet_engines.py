"""Work sheets for a locked tightener, for a four-stroke, and for two engines aboard: each sheet of its own engine."""

import math
import tomllib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from commands_rig import InStep, Outlets, commands

from gateway.model.enums import Quality, Running
from gateway.model.errors import Refused
from gateway.model.records import Measured
from gateway.model.settings import EngineSettings
from gateway.model.settings_file import checked_settings
from gateway.pipeline import EnginePipeline
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import Entry
from gateway.wear.course import band_mm
from gateway.wear.datum import from_settings
from gateway.wear.logbook import rebase
from gateway.worksheet.catalogue import SHEETS, sheet
from gateway.worksheet.sheet import Facts, Sheet
from tests.drive_engines import tern

TWO = Path(__file__).parents[2] / "config" / "two-engines.toml"
SETTINGS = checked_settings(tomllib.loads(TWO.read_text(encoding="utf-8")))
MAIN, AUX = SETTINGS.engine


def facts(engine: EngineSettings, spring_mm: float | None = None, raw_deg: float | None = None) -> Facts:
    """A standing engine with these readings, after a whole turn on the turning gear."""
    spring = Measured(spring_mm, Quality.GOOD)
    known = Facts(engine, from_settings(engine), running=Running.STOPPED, rest_s=3_000.0, hours=12_000.0)
    known = known if spring_mm is None else replace(known, spring=spring)
    return known if raw_deg is None else replace(known, raw_deg=raw_deg, whole_turn=True)


def steps(made: Sheet) -> str:
    return "\n".join(step.text for step in made.steps)


def locked(turn_deg: float | None) -> EngineSettings:
    return tern(tightener={"kind": "locked", "locked_at_mm": 180.2, "locking_turn_deg": turn_deg})


def test_a_locked_tightener_gets_its_locking_turn_in_degrees() -> None:
    """The settings' degrees stand as a figure and in the step that locks; the step that frees a spring is not there."""
    made = sheet("retighten", facts(locked(37.5)), {})
    assert made.figure("locking_deg") == 37.5
    assert "Make the locking turn of 37.5°. Lock the nut." in steps(made)
    assert "spring free to work" not in steps(made)


def test_a_locked_tightener_without_its_degrees_is_sent_to_the_manual() -> None:
    """No number is made up."""
    made = sheet("retighten", facts(locked(None)), {})
    assert made.figure("locking_deg") == "as in the manual"
    assert "Make the locking turn of the manual. Lock the nut." in steps(made)


def test_a_sprung_tightener_is_never_locked() -> None:
    """Neither figure nor step, even where the settings hold degrees: locking it would take the spring out of work."""
    made = sheet("retighten", facts(tern(tightener={"locking_turn_deg": 37.5})), {})
    assert "locking_deg" not in [f.key for f in made.figures]
    assert "distance tube" not in steps(made) and "spring free to work" in steps(made)


def test_what_is_booked_of_a_locked_tightener_becomes_the_length_that_must_not_move() -> None:
    """The sheet's own booking, taken by the log book, moves the band of the alarm to where the bolt now stands."""
    free_mm, now_mm = 95.6, 83.58
    typed = {"free_mm": str(free_mm), "before_mm": "84.4"}
    made = sheet("retighten", facts(AUX, spring_mm=now_mm), typed)
    assert made.figure("target_mm") == pytest.approx(free_mm - AUX.tightener.required_compression_mm)
    assert any("At the target: 83.60 mm" in n.text for n in made.notices)
    pressed = {"there_mm": str(now_mm), "held_mm": str(now_mm)}
    assert sheet("retighten", facts(AUX, spring_mm=now_mm), typed | pressed).booking is None
    made = sheet("retighten", facts(AUX, spring_mm=now_mm), typed | pressed | {"seated_mm": str(now_mm)})
    assert made.booking is not None
    entry = read_entry({"id": "a", "utc_s": 1.7e9, "hours": 12_000.0, "person": "Second engineer", **made.booking})
    datum = rebase(AUX, [entry])
    assert (datum.locked_at_mm, datum.free_length_mm) == (now_mm, free_mm)
    moved = AUX.tightener.moved_mm
    assert band_mm(AUX, datum.free_length_mm, datum.locked_at_mm) == (now_mm, now_mm - moved, now_mm + moved)


def test_a_four_stroke_s_camshaft_turns_by_half_the_lag() -> None:
    """The lag is of the crank, the spanner is at the camshaft: with two turns to one, half; both ways beside a sum."""
    late_deg = 1.3
    for engine in (MAIN, AUX):
        zero = engine.lag.zero_deg
        assert zero is not None
        made = sheet("retime", facts(engine, raw_deg=zero + late_deg), {})
        assert made.figure("lag_deg") == pytest.approx(late_deg)
        assert made.figure("cam_deg") == pytest.approx(late_deg / engine.ratio)
    assert (MAIN.ratio, AUX.ratio) == (1, 2)


def test_a_four_stroke_s_pin_gauge_is_an_arc_at_the_camshaft() -> None:
    """1.3° of the crank are 0.65° at a radius of 120 mm, which is an arc of 1.36 mm; and back again."""
    engine = replace(AUX, lag=replace(AUX.lag, pin_gauge_radius_mm=120.0))
    zero = engine.lag.zero_deg
    assert zero is not None
    arc_mm = math.radians(0.65) * 120.0
    made = sheet("retime", facts(engine, raw_deg=zero + 1.3), {"gauge_mm": f"{arc_mm:.6f}"})
    assert made.figure("gauge_expected_mm") == pytest.approx(arc_mm)
    assert made.figure("gauge_deg_1") == pytest.approx(1.3, abs=1e-4)
    assert made.figure("section_deg_1") == pytest.approx(0.65, abs=1e-4)
    assert any("agree within their uncertainty" in n.text for n in made.notices)


def test_an_engine_without_a_gauge_s_radius_is_told_which_setting_is_wanting() -> None:
    """The four-stroke of the example has none: no angle is made up of its reading."""
    made = sheet("retime", facts(AUX, raw_deg=8.6), {"gauge_mm": "0.5"})
    assert made.figure("gauge_deg_1") is None and made.figure("gauge_expected_mm") is None
    assert "lag.pin_gauge_radius_mm" in next(f.help for f in made.figures if f.key == "gauge_deg_1")


@pytest.mark.parametrize("engine", [MAIN, AUX], ids=["main", "aux"])
def test_every_sheet_has_its_own_engine_s_pitch_limits_and_lengths(engine: EngineSettings) -> None:
    """Play of half a link to one, links' new length, what remains to the limit, free length: by this engine's table."""
    known, pitch = facts(engine, spring_mm=engine.tightener.free_length_mm - 5), engine.chain.pitch_mm
    play = sheet("hand-play", known, {"play_links": "0.5"})
    assert play.figure("low_mm") == pytest.approx(pitch / 2)
    assert play.figure("high_mm") == pytest.approx(pitch)
    assert play.figure("play_mm") == pytest.approx(pitch / 2)
    assert sheet("links", known, {"links": "10"}).figure("new_mm") == pytest.approx(10 * pitch)
    assert sheet("compensate", known, {"lag_deg": "1"}).figure("remains_deg") == pytest.approx(engine.lag.limit_deg - 1)
    tight = sheet("retighten", known, {})
    assert tight.figure("free_last_mm") == engine.tightener.free_length_mm
    assert tight.figure("play_mm") == f"{pitch / 2:.0f} to {pitch:.0f}"


class Ship:
    """The way in to a ship with two engines, of which nothing is heard yet."""

    def __init__(self) -> None:
        self.engines = {e.slug: self.engine(e.slug) for e in SETTINGS.engine}

    def engine(self, slug: str, log: Sequence[Entry] = ()) -> InStep:
        index = [e.slug for e in SETTINGS.engine].index(slug)
        return InStep(EnginePipeline(SETTINGS, slug, log=log), Outlets(), index, log)

    def figure(self, key: str, **asked: Any) -> Any:
        way_in = commands(SETTINGS, *self.engines.values())
        made = way_in.handle("shell", {"do": "sheet", "name": "retighten", **asked}, "test")["sheet"]
        return next(f["value"] for f in made["figures"] if f["key"] == key)


def test_with_two_engines_a_sheet_is_asked_for_by_engine() -> None:
    """Each gets its own; without a name, or with one that is not aboard, the answer says which there are."""
    ship = Ship()
    for engine in SETTINGS.engine:
        assert ship.figure("free_last_mm", engine=engine.slug) == engine.tightener.free_length_mm
    for wrong in ({}, {"engine": "port"}):
        with pytest.raises(Refused, match="name the engine; there are: main, aux"):
            ship.figure("free_last_mm", **wrong)


def test_what_is_booked_for_one_engine_changes_the_sheets_of_that_one_alone() -> None:
    """A free length booked for the generator engine is its last measured one; the main engine's stays."""
    ship = Ship()
    entry = read_entry({"id": "a", "utc_s": 1.7e9, "hours": 12_000.0, "person": "Second engineer",
                         "kind": "retightened", "free_length_mm": 95.1, "spring_after_mm": 83.1})  # fmt: skip
    ship.engines["aux"] = ship.engine("aux", [entry])
    assert ship.figure("free_last_mm", engine="aux") == 95.1
    assert ship.figure("free_last_mm", engine="main") == MAIN.tightener.free_length_mm


@pytest.mark.parametrize("name", list(SHEETS))
@pytest.mark.parametrize("engine", [MAIN, AUX, locked(None)], ids=["main", "aux", "locked"])
def test_every_sheet_opens_for_every_engine(name: str, engine: EngineSettings) -> None:
    """With nothing typed and nothing heard: title, cautions, steps, and where it cannot be booked yet, what is."""
    made = sheet(name, Facts(engine, from_settings(engine)), {})
    assert made.title == SHEETS[name][0] and made.cautions and made.steps
    assert (made.booking is None) == bool(made.booking_wants)


def test_a_part_of_a_link_cannot_be_measured_over() -> None:
    """9.5 links are refused and not booked, the length over 10 is taken."""
    known = facts(MAIN, spring_mm=MAIN.tightener.free_length_mm - 5)
    length = {"length_mm": str(10 * MAIN.chain.pitch_mm)}
    part, whole = sheet("links", known, {"links": "9.5"} | length), sheet("links", known, {"links": "10.0"} | length)
    said = "links: 9.5 is not allowed, a whole number is needed"
    assert [(n.text, n.level) for n in part.notices] == [(said, "refused")] and part.booking is None
    assert not whole.refused and whole.booking is not None and whole.booking["links"] == 10
