"""A booking at the desk: validated, filled in; a broken row at the next start."""

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from daemon_rig import daemon, example, until, written
from drive_engines import TERN
from firmware_sim_voyages import pipeline

from gateway.alarm.judge import WearSeen
from gateway.encode.topics import Topics
from gateway.engine.commands import Desk
from gateway.model.errors import PortError, Refused
from gateway.model.settings_file import load_settings
from gateway.outlets.control import ask
from gateway.store.state import NewBooking, StateStore
from gateway.wear.booking_check import new_booking

WORK = {"kind": "hand-play", "id": "w", "hours": 21_450.0, "utc_s": 1.75e9, "person": "Chief", "play_links": 0.7}


@pytest.fixture
def desk() -> Desk:
    """The desk before one engine of which nothing is heard."""
    worker = SimpleNamespace(pipeline=pipeline(), log=[], view=None)
    host = SimpleNamespace(settings=load_settings(TERN), workers={"main": worker}, topics=Topics("camdrift", "tern"))
    return Desk(cast(Any, host), cast(Any, None))


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


def test_each_mistake_of_a_booking_is_named(desk: Desk) -> None:
    """A key that there is not and a figure that is none: a line each, and nothing is booked."""
    with pytest.raises(Refused) as refused:
        desk.handle(dry(colour=1, play_links="many"), "test")
    assert str(refused.value).splitlines() == [
        "play_links: 'many' is not allowed, a number is needed",
        "colour: unknown key; remove it or correct its spelling",
    ]


@pytest.mark.parametrize(("percent", "given"), [(-1.879, False), (-0.5, True), (0.42, True), (5.0, True), (5.1, False)])
def test_an_elongation_that_cannot_be_is_not_filled_in(desk: Desk, percent: float, given: bool) -> None:
    """What the trend makes of a drive with a fault may be no chain's: the crew that typed no such figure is not refused
    for it, and the booking goes without (a voyage's retightening after a jumped tooth was refused for hours)."""
    p = next(iter(desk._host.workers.values())).pipeline
    p.wear_seen = WearSeen(elongation_percent=percent)
    work = dict.fromkeys(("utc_s", "hours", "play_links"))
    answer = desk.handle(dry(kind="retightened", free_length_mm=203.2, spring_after_mm=180.2, **work), "test")
    assert answer["entry"].get("elongation_percent") == (percent if given else None)


def test_a_broken_row_is_told_at_the_start_and_the_others_count(tmp_path: Path) -> None:
    """A row without a figure, one of an unknown kind and a sound one: the daemon starts, tells of two, knows of one."""
    config = written(tmp_path, example(tmp_path, None))
    s = load_settings(config)
    row = new_booking(WORK)[1]
    rows = {"short": row.replace('"hours":21450.0,', ""), "odd": row.replace("hand-play", "repainted"), "w": row}
    assert len(set(rows.values())) == 3
    store = StateStore(s.gateway.data_dir, s.gateway, brokers={}, events_topic="camdrift/1/tern-passage/event")
    store.commit(
        bookings=[NewBooking("main", name, "hand-play", "2025-06-15T15:06:40Z", x) for name, x in rows.items()]
    )
    store.close()
    with daemon(config) as process:
        assert bookings_of(tmp_path) == 1
        told = {x["id"]: x["why"] for x in process.lines() if "a booking cannot be read" in json.dumps(x)}
        assert told["short"] == "hours: must be given" and told["odd"].startswith("kind: 'repainted' is not allowed")
        assert set(told) == {"short", "odd"}
        assert process.end() == 0
