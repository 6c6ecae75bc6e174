"""A maintenance record: validated, filled in from the readings, or refused with the reason; a broken row at a start."""

import threading
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from commands_rig import InStep, Outlets, commands
from daemon_rig import daemon, example, until, written
from drive_engines import TERN
from firmware_sim_voyages import pipeline

import gateway.engine.commands
from gateway.engine.commands import Commands
from gateway.engine.inbox import Command, Done
from gateway.model.errors import PortError, Refused
from gateway.model.output import Batch
from gateway.model.settings_file import load_settings
from gateway.outlets.control_client import ask
from gateway.store.state import NewBooking, StateStore
from gateway.wear.booking_check import new_booking
from gateway.wear.summary import WearSummary

WORK = {"kind": "hand-play", "id": "w", "hours": 21_450.0, "utc_s": 1.75e9, "person": "Chief", "play_links": 0.7}


@pytest.fixture
def engine() -> InStep:
    """An engine of which nothing is heard."""
    return InStep(pipeline(), Outlets())


@pytest.fixture
def ways(engine: InStep) -> Commands:
    """The way in to it."""
    return commands(load_settings(TERN), engine)


def dry(**figures: Any) -> dict[str, Any]:
    """A booking that is only checked and filled in."""
    return {"do": "book", "dry": True, "entry": WORK | figures}


def bookings_of(folder: Path) -> int:
    """How many bookings the daemon knows of, as soon as it answers."""
    found: dict[str, Any] = {}

    def answered() -> bool:
        try:
            found.update(ask(folder / "data" / "camdrift.sock", {"do": "status"}))
        except PortError:
            return False
        return True

    until(answered, "it answers")
    return int(found["status"]["engines"]["main"]["bookings"])


def test_each_mistake_of_a_booking_is_named(ways: Commands) -> None:
    """A key that there is not and a figure that is none: a line each, and nothing is booked."""
    with pytest.raises(Refused) as refused:
        ways.handle("shell", dry(colour=1, play_links="many"), "test")
    assert str(refused.value).splitlines() == [
        "play_links: 'many' is not allowed, a number is needed",
        "colour: unknown key; remove it or correct its spelling",
    ]


@pytest.mark.parametrize(("percent", "given"), [(-1.879, False), (-0.5, True), (0.42, True), (5.0, True), (5.1, False)])
def test_an_elongation_that_cannot_be_is_not_filled_in(
    ways: Commands, engine: InStep, percent: float, given: bool
) -> None:
    """What the trend makes of a drive with a fault may be no chain's: the crew that typed no such figure is not refused
    for it, and the booking goes without (a voyage's retightening after a jumped tooth was refused for hours)."""
    engine._pipeline.wear.summary = WearSummary(elongation_percent=percent)
    engine.settle()
    work = dict.fromkeys(("utc_s", "hours", "play_links"))
    answer = ways.handle("shell", dry(kind="retightened", free_length_mm=203.2, spring_after_mm=180.2, **work), "test")
    assert answer["entry"].get("elongation_percent") == (percent if given else None)


def test_maintenance_records_are_entered_one_at_a_time(
    ways: Commands, engine: InStep, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one waits for the disk another waits a little and is then refused: it would not know of the first."""
    monkeypatch.setattr(gateway.engine.commands, "TURN_S", 0.01)
    submitting, go_on, submit = threading.Event(), threading.Event(), engine.submit

    def slow(command: Command) -> Future[Done]:
        submitting.set()
        assert go_on.wait(180)
        return submit(command)

    monkeypatch.setattr(engine, "submit", slow)
    answers: list[dict[str, Any]] = []
    first = threading.Thread(
        target=lambda: answers.append(ways.handle("shell", dry(hours=21_400.0) | {"dry": False}, "test"))
    )
    first.start()
    try:
        assert submitting.wait(180)
        with pytest.raises(Refused, match="nothing was booked: another booking is being entered"):
            ways.handle("shell", dry(id="x", hours=21_400.0) | {"dry": False}, "test")
    finally:
        go_on.set()
        first.join(180)
    assert [a["entry"]["id"] for a in answers] == ["w"]
    assert ways.handle("shell", dry(id="x", hours=21_401.0) | {"dry": False}, "test")["entry"]["id"] == "x"
    assert [entry.id for entry in engine.snapshot.log] == ["w", "x"]


def test_a_broken_row_is_told_at_the_start_and_the_others_count(tmp_path: Path) -> None:
    """A row without a figure, one of an unknown kind and a sound one: the daemon starts, tells of two, knows of one."""
    config = written(tmp_path, example(tmp_path, None))
    s = load_settings(config)
    row = new_booking(WORK)[1]
    rows = {"short": row.replace('"hours":21450.0,', ""), "odd": row.replace("hand-play", "repainted"), "w": row}
    assert len(set(rows.values())) == 3
    store = StateStore(s.gateway.data_dir, s.gateway, brokers={}, events_topic="camdrift/1/tern-passage/event")
    store.commit(
        Batch(bookings=[NewBooking("main", name, "hand-play", "2025-06-15T15:06:40Z", x) for name, x in rows.items()])
    )
    store.close()
    with daemon(config) as process:
        assert bookings_of(tmp_path) == 1
        told = {x["id"]: x["why"] for x in process.lines() if x["event"] == "booking.unreadable"}
        assert told["short"] == "hours: must be given" and told["odd"].startswith("kind: 'repainted' is not allowed")
        assert set(told) == {"short", "odd"}
        assert process.end() == 0
