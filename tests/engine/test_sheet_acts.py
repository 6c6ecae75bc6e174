"""Ticks, figures and bookings of a work sheet: who may do what, what is stored, what is refused."""

from pathlib import Path
from typing import Any

import pytest
from commands_rig import InStep, Outlets, commands
from drive_engines import TERN
from firmware_sim_voyages import pipeline

from gateway.engine.sheets import NotedBooking, OpenSheets
from gateway.model.enums import AlarmState, Running
from gateway.model.errors import Refused
from gateway.model.output import Batch, NewSheetAct
from gateway.model.settings import GatewaySettings
from gateway.model.settings_file import load_settings
from gateway.store.reader import StateReader
from gateway.store.state import StateStore

TICKED = [{"what": "open"}, {"what": "tick", "key": "permit"}]
DAY_US = 24 * 3_600_000_000


class Ship:
    """One engine, and a store of its own for what is done at its sheets."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.outlets = folder, Outlets()
        self.engine = InStep(pipeline(), self.outlets)
        self.begin()

    def begin(self) -> None:
        """As after a start of the gateway: all that is known comes from the disk."""
        self.store = StateStore(self.folder, GatewaySettings(data_dir=self.folder), brokers={}, ballast_bytes=4096)
        self.ways = commands(load_settings(TERN), self.engine, store=self._keep, kept=self.store.sheet_acts())

    def _keep(self, act: NewSheetAct) -> Any:
        self.store.commit(Batch(sheet_acts=[act]))
        return self.outlets.record(Batch(sheet_acts=[act]))

    def restart(self) -> None:
        """The store is closed and opened again."""
        for act in self.outlets.sheet_acts:
            if '"booked"' in act.act:
                self.store.commit(Batch(sheet_acts=[act]))
        self.store.close()
        self.begin()

    def act(self, what: str, by: str = "second", **more: str) -> dict[str, Any]:
        """One act; the sheet after it."""
        asked = {"do": "sheet-act", "name": "retighten", "act": what, "by": by, **more}
        made: dict[str, Any] = self.ways.handle("page", asked, "page")["sheet"]
        return made

    def take_all(self) -> dict[str, Any]:
        """All figures of the work."""
        self.act("open")
        made: dict[str, Any] = {}
        for name, value in (("before_mm", "182.18"), ("free_mm", "202.9"), ("there_mm", "179.9"), ("held_mm", "179.9")):
            made = self.act("figure", key=name, value=value)
        return made

    def book(self, **more: str) -> dict[str, Any]:
        """Book what the sheet has ready."""
        made = self.ways.sheet("retighten", "main", {})
        assert made["booking"] is not None
        entry = {"person": "second", **made["booking"]}
        return self.ways.handle(
            "page", {"do": "book", "entry": entry, "sheet": "retighten", "by": "second", **more}, "page"
        )


@pytest.fixture
def ship(tmp_path: Path) -> Ship:
    """At rest."""
    return Ship(tmp_path)


def test_ticks_survive_a_restart_and_are_everybodys(ship: Ship) -> None:
    """Pins that who ticked, when, and who countersigned are read back from the disk, with the figures taken."""
    ship.act("open")
    ship.act("tick", key="immobilise", by="chief")
    ship.act("countersign", key="immobilise", by="second")
    ship.act("figure", key="before_mm", value="182,18")
    ship.restart()
    made = ship.ways.sheet("retighten", "main", {})
    tick = made["record"]["ticks"]["immobilise"]
    assert tick["by"].startswith("chief") and tick["second_by"].startswith("second")
    assert tick["utc_s"] > 1e9 and tick["second_utc_s"] >= tick["utc_s"]
    assert next(f["value"] for f in made["figures"] if f["key"] == "before_mm") == 182.18


@pytest.mark.parametrize("origin", ["panel", "mqtt"])
def test_only_page_and_shell_act_at_a_sheet(ship: Ship, origin: Any) -> None:
    """Pins the same rights as for bookings."""
    with pytest.raises(Refused, match="cannot be asked from here"):
        ship.ways.handle(origin, {"do": "sheet-act", "name": "retighten", "act": "open"}, "x")


@pytest.mark.parametrize(
    ("acts", "last", "why"),
    [
        ([], {"what": "tick", "key": "permit"}, "not open"),
        ([{"what": "open"}], {"what": "open"}, "open already"),
        ([{"what": "open"}], {"what": "tick", "key": "none"}, "no step"),
        (TICKED, {"what": "tick", "key": "permit"}, "ticked already"),
        (TICKED, {"what": "countersign", "key": "permit"}, "second person"),
        (TICKED, {"what": "untick", "key": "permit"}, "give a reason"),
        ([{"what": "open"}], {"what": "countersign", "key": "permit"}, "not ticked yet"),
        ([{"what": "open"}], {"what": "figure", "key": "none", "value": "1"}, "no figure"),
        ([{"what": "open"}], {"what": "unlock", "key": "before_mm", "reason": "x"}, "not locked"),
        ([{"what": "open"}], {"what": "booked", "key": "x"}, "act is not one of"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_refused(ship: Ship, acts: list[Any], last: Any, why: str) -> None:
    """Pins each refusal, and that it stores nothing."""
    for a in acts:
        ship.act(**a)
    stored = len(ship.outlets.sheet_acts)
    with pytest.raises(Refused, match=why):
        ship.act(**last)
    assert len(ship.outlets.sheet_acts) == stored


def test_a_figure_locks_once_the_next_phase_is_ticked(ship: Ship) -> None:
    """Pins the mistake of one tap: the length before changes with a reason alone once a nut is unlocked."""
    ship.act("open")
    ship.act("figure", key="before_mm", value="182.18")
    ship.act("figure", key="before_mm", value="182.20")
    ship.act("tick", key="unlock")
    with pytest.raises(Refused, match="locked"):
        ship.act("figure", key="before_mm", value="179.90")
    with pytest.raises(Refused, match="give a reason"):
        ship.act("unlock", key="before_mm")
    ship.act("unlock", key="before_mm", reason="read wrongly")
    made = ship.act("figure", key="before_mm", value="182.10")
    assert made["record"]["figures"]["before_mm"] == "182.10"
    assert "from 182.20 to 182.10: read wrongly" in made["record"]["reasons"][0]
    with pytest.raises(Refused, match="locked"):
        ship.act("figure", key="before_mm", value="182.11")


def test_a_booking_needs_its_ticks_or_a_reason_and_refuses_a_twin(ship: Ship) -> None:
    """Pins that no tick means no booking, that a reason stands in the log book, and that a second booking is a
    correction that names the first."""
    made = ship.take_all()
    assert made["record"]["words"].startswith("Retightened. Free length 202.9 mm. Spring length after 179.9 mm.")
    with pytest.raises(Refused, match="steps are not ticked"):
        ship.book()
    first = ship.book(reason="ticked on paper")["entry"]
    assert "ticks missing: ticked on paper" in first["note"] and first["spring_before_mm"] == 182.18
    with pytest.raises(Refused, match=f"booked already as {first['id']}"):
        ship.book(reason="ticked on paper")
    ship.restart()
    with pytest.raises(Refused, match=f"booked already as {first['id']}"):
        ship.book(reason="again")
    ship.act("unlock", key="free_mm", reason="measured again")
    ship.act("figure", key="free_mm", value="202.8")
    second = ship.book(reason="measured again", corrects=first["id"])["entry"]
    assert second["kind"] == "correction" and second["replaces"] == first["id"]
    assert ship.engine.snapshot.datum.free_length_mm == 202.8


def test_a_booking_with_all_ticks_needs_no_reason(ship: Ship) -> None:
    """Pins that a fully ticked sheet is booked as it stands."""
    made = ship.take_all()
    for key in made["record"]["missing"]:
        ship.act("tick", key=key)
    assert ship.book()["recorded"]


def test_the_same_work_by_another_way_is_a_twin(ship: Ship) -> None:
    """Pins that the shell cannot book the same figures a second time while the engine has not run between."""
    entry = {"kind": "hand-play", "play_links": 0.6, "person": "fitter"}
    first = ship.ways.handle("shell", {"do": "book", "entry": entry}, "x")["entry"]
    with pytest.raises(Refused, match=f"booked already as {first['id']}"):
        ship.ways.handle("shell", {"do": "book", "entry": entry}, "x")
    ship.ways.handle("shell", {"do": "book", "entry": {**entry, "play_links": 0.7}}, "x")


def alarm(ship: Ship, tag: str) -> AlarmState:
    """Its state as everybody sees it."""
    return next(a.state for a in ship.engine.snapshot.view.alarms if a.tag == tag)


def test_an_open_sheet_suppresses_what_the_work_disturbs(ship: Ship) -> None:
    """Pins WORK IN PROGRESS: from opening to closing, while the engine stands; the alarms come back with it."""
    ship.act("open")
    assert ship.engine.snapshot.view.work_since_utc_s is not None
    assert alarm(ship, "tightener-moved") is alarm(ship, "cam-encoder-fault") is AlarmState.SUPPRESSED
    assert alarm(ship, "slap-high") is AlarmState.NORMAL
    ship.act("close")
    assert ship.engine.snapshot.view.work_since_utc_s is None
    assert alarm(ship, "tightener-moved") is AlarmState.NORMAL


@pytest.mark.parametrize("running", [Running.CHANGING, Running.AHEAD, Running.ASTERN])
def test_running_ends_work_in_progress(ship: Ship, running: Running) -> None:
    """Pins that an engine above turning speed has its alarms back, also while the sheet stays open."""
    p = ship.engine._pipeline
    ship.act("open")
    assert p.judging.work.judge(p.alarms, p.timeline.t_us + DAY_US - 1, Running.TURNING) == []
    back = p.judging.work.judge(p.alarms, p.timeline.t_us, running)
    assert p.judging.work.since_us is None and {t.to for t in back} == {AlarmState.NORMAL}
    assert ship.ways.sheet("retighten", "main", {})["record"]


def test_a_sheet_opened_under_way_begins_once_the_engine_stands(ship: Ship) -> None:
    """Pins the sheet that begins under load, with the pressures: nothing is suppressed until the engine stands, then
    all is; once it has run again nothing more is; and a sheet opened at sea and forgotten begins nothing."""
    p = ship.engine._pipeline
    now = p.timeline.t_us
    p.judging.work.switch(True, now)
    assert p.judging.work.judge(p.alarms, now, Running.AHEAD) == [] and p.judging.work.since_us is None
    again = pipeline()
    again.restore(p.checkpoint())
    assert again.judging.work.asked_us == now
    begun = p.judging.work.judge(p.alarms, now + 3_600_000_000, Running.STOPPED)
    assert {t.to for t in begun} == {AlarmState.SUPPRESSED} and p.judging.work.since_us == now + 3_600_000_000
    p.judging.work.judge(p.alarms, now + 7_200_000_000, Running.AHEAD)
    assert (
        p.judging.work.judge(p.alarms, now + 7_300_000_000, Running.STOPPED) == [] and p.judging.work.since_us is None
    )
    p.judging.work.switch(True, now)
    p.judging.work.judge(p.alarms, now, Running.AHEAD)
    assert p.judging.work.judge(p.alarms, now + DAY_US, Running.STOPPED) == [] and p.judging.work.asked_us is None


def test_work_in_progress_lasts_a_day_at_most_and_survives_a_restart(ship: Ship) -> None:
    """Pins the day, and that the checkpoint keeps when it began."""
    p = ship.engine._pipeline
    ship.act("open")
    again = pipeline()
    again.restore(p.checkpoint())
    assert again.judging.work.since_us == p.judging.work.since_us
    again.judging.work.judge(again.alarms, p.timeline.t_us + DAY_US, Running.STOPPED)
    assert again.judging.work.since_us is None and again.alarms["tightener-moved"].state is AlarmState.NORMAL


def test_an_alarm_that_stands_calls_once_the_work_is_over(ship: Ship) -> None:
    """Pins that suppression hides nothing for good: a fault that is there at the end calls."""
    p = ship.engine._pipeline
    ship.act("open")
    p.alarms["tightener-moved"].facts.active = True
    p.judging.work.switch(False, p.timeline.t_us)
    back = p.judging.work.judge(p.alarms, p.timeline.t_us, Running.STOPPED)
    assert [t.to for t in back if t.tag == "tightener-moved"] == [AlarmState.UNACKNOWLEDGED]


def test_acts_survive_damage_and_an_unreadable_one_costs_only_itself(tmp_path: Path) -> None:
    """Pins that a damaged file's acts are carried over row by row, and a row that is none is left out."""
    settings = GatewaySettings(data_dir=tmp_path)
    store = StateStore(tmp_path, settings, brokers={}, ballast_bytes=4096)
    utc = "2026-03-01T12:00:00.000Z"
    good = '{"what": "open", "by": "second", "utc_s": 1772366400.0}'
    store.commit(Batch(sheet_acts=[NewSheetAct("main", "retighten", utc, a) for a in (good, '{"what": "dance"}')]))
    store.close()
    (tmp_path / "state.db.suspect").touch()
    with (tmp_path / "state.db").open("r+b") as f:
        f.seek(60)
        f.write(b"\xff\xff\xff\xff")
    store = StateStore(tmp_path, settings, brokers={}, ballast_bytes=4096)
    assert store.renewal is not None
    store.close()
    reader = StateReader(tmp_path)
    rows = reader.sheet_acts()
    reader.close()
    assert [r.act.get("what") for r in rows] == ["open", "dance"]
    assert OpenSheets(rows).record("main", "retighten") is not None


def test_a_figure_that_cannot_be_is_refused_and_not_kept(ship: Ship) -> None:
    """Pins that a spring longer than new, or no number at all, never becomes a figure of the sheet."""
    ship.act("open")
    with pytest.raises(Refused, match="a spring does not grow"):
        ship.act("figure", key="free_mm", value="206")
    with pytest.raises(Refused, match="is not a number"):
        ship.act("figure", key="free_mm", value="20o")
    assert ship.ways.sheet("retighten", "main", {})["record"]["figures"] == {}
    ship.act("figure", key="free_mm", value="202,9")


def test_what_one_device_types_beside_an_open_sheet_is_no_figure_of_it(ship: Ship) -> None:
    """Pins that an open sheet shows to everybody what is stored, and nothing else."""
    ship.act("open")
    ship.act("figure", key="free_mm", value="202.9")
    made = ship.ways.sheet("retighten", "main", {"free_mm": "203.0", "there_mm": "180"})
    shown = {f["key"]: f["value"] for f in made["figures"]}
    assert shown["target_mm"] == pytest.approx(179.9) and "target" in made["booking_wants"]


def test_only_what_the_sheet_shows_is_booked(ship: Ship) -> None:
    """Pins that an unready sheet books nothing, that old figures are refused once another device has changed them, and
    that a booking without figures takes the sheet's."""
    entry = {"kind": "retightened", "free_length_mm": 202.9, "spring_after_mm": 179.9, "person": "second"}
    asked = {"do": "book", "sheet": "retighten", "reason": "on paper"}
    ship.act("open")
    with pytest.raises(Refused, match="still needed: the free length measured today"):
        ship.ways.handle("page", {**asked, "entry": entry}, "page")
    ship.act("close")
    ship.take_all()
    with pytest.raises(Refused, match="have changed meanwhile"):
        ship.ways.handle("page", {**asked, "entry": {**entry, "free_length_mm": 202.0}}, "page")
    booked = ship.ways.handle("page", {**asked, "entry": {"person": "fitter"}}, "page")["entry"]
    assert (booked["free_length_mm"], booked["spring_before_mm"], booked["person"]) == (202.9, 182.18, "fitter")


def test_the_speed_goes_on_changing_under_way() -> None:
    """Pins that pressures whose speed is the head's are booked although the sea has moved it since they were checked,
    with the speed that the sheet shows then; another speed is refused as any other figure."""
    shown = {"kind": "pressures", "rpm": 80.4, "max_bar": [140.0, 141.0], "taken": "before"}
    noted = NotedBooking("pressures", "second", 0.0, "", "", shown)
    assert noted.figures({**shown, "rpm": 79.1, "person": "second"}) == {**shown, "person": "second"}
    with pytest.raises(Refused, match="have changed meanwhile"):
        noted.figures({**shown, "rpm": 75.0})


def test_a_work_that_is_not_booked_is_neither_ticked_so_nor_closed_in_silence(ship: Ship) -> None:
    """Pins that the step of booking is ticked after the booking, and that unbooked work is closed with a reason."""
    ship.take_all()
    with pytest.raises(Refused, match="book the work, then tick"):
        ship.act("tick", key="book")
    with pytest.raises(Refused, match="give a reason to close it"):
        ship.act("close")
    ship.book(reason="on paper")
    ship.act("tick", key="book")
    ship.act("close")
    ship.take_all()
    ship.act("close", reason="stopped by the bridge")


def test_the_noise_of_a_reading_makes_no_second_work(ship: Ship) -> None:
    """Pins that a twin is known by its figures within what a reading moves; the sum beyond that is another work."""
    entry = {"kind": "retightened", "free_length_mm": 202.9, "spring_after_mm": 179.912, "person": "fitter"}
    first = ship.ways.handle("shell", {"do": "book", "entry": entry}, "x")["entry"]
    with pytest.raises(Refused, match=f"booked already as {first['id']}"):
        ship.ways.handle("shell", {"do": "book", "entry": {**entry, "spring_after_mm": 179.934}}, "x")
    ship.ways.handle("shell", {"do": "book", "entry": {**entry, "spring_after_mm": 179.5}}, "x")


def test_a_correction_is_corrected_again_by_naming_the_latest(ship: Ship) -> None:
    """Pins that a second correction stands, and that each wants its reason."""
    ship.take_all()
    last = ship.book(reason="on paper")["entry"]["id"]
    for n, free in enumerate(("202.8", "202.7")):
        ship.act("unlock", key="free_mm", reason="measured again")
        ship.act("figure", key="free_mm", value=free)
        with pytest.raises(Refused, match=r"give a reason|not ticked"):
            ship.book(corrects=last)
        last = ship.book(reason=f"correction {n}", corrects=last)["entry"]["id"]
    assert ship.engine.snapshot.datum.free_length_mm == 202.7
