"""The one way in: who may ask for what, what is done at once, what an answer says of the disk, what is never done."""

import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any, get_args

import daemon_rig as rig
import pytest
from commands_rig import Gateway, InStep, Outlets, commands
from drive_engines import TERN
from firmware_sim_voyages import pipeline
from structlog.testing import capture_logs

import gateway.engine.commands as module
from gateway.alarm.acts import Act
from gateway.app.daemon import Daemon
from gateway.engine.commands import NOT_YET
from gateway.engine.inbox import COMMANDS_MAX, Inbox
from gateway.engine.queues import CommandQueue
from gateway.engine.rights import ALLOWED, Origin
from gateway.model.errors import Refused, StorageError
from gateway.model.settings_file import checked_settings, fingerprint, load_settings
from gateway.store.reader import StateReader
from gateway.store.state import StateStore

SLAP = "slap-high"
ACKNOWLEDGE = {"do": "acknowledge", "alarm": SLAP, "by": "second"}


class Ship:
    """One engine on which an alarm calls, and the way in to it."""

    def __init__(self) -> None:
        self.outlets, self.gateway = Outlets(), Gateway()
        p = pipeline()
        p.alarms[SLAP].facts.active, p.alarms[SLAP].facts.accepted = True, False
        self.engine = InStep(p, self.outlets)
        self.ways = commands(load_settings(TERN), self.engine, gateway=self.gateway)

    def state(self) -> str:
        """Of the alarm, as everybody sees it."""
        return next(str(a.state) for a in self.engine.snapshot.view.alarms if a.tag == SLAP)


@pytest.fixture
def ship(monkeypatch: pytest.MonkeyPatch) -> Ship:
    """Not to be waited for."""
    monkeypatch.setattr(module, "RECORD_S", 0.05)
    return Ship()


@pytest.mark.parametrize("origin", get_args(Origin))
def test_each_way_in_may_ask_for_its_own_and_for_nothing_else(ship: Ship, origin: Origin) -> None:
    """The table of rights is what is done: a panel books nothing, nobody silences by MQTT."""
    for do in ALLOWED["shell"]:
        request = {"do": do, "alarm": SLAP, "why": "test", "minutes": 5, "name": "retighten", "entry": {}}
        why = ""
        try:
            ship.ways.handle(origin, request, "somebody")
        except Refused as e:
            why = str(e)
        assert ("cannot be asked from here" in why) == (do not in ALLOWED[origin]), (do, why)


def test_what_nobody_knows_is_refused_with_what_there_is(ship: Ship) -> None:
    """Also from the panel, and the log keeps who asked for what."""
    with capture_logs() as log, pytest.raises(Refused, match="is not among what can be asked: acknowledge, book"):
        ship.ways.handle("mqtt", {"do": "open"}, "oiler")
    assert [(x["event"], x["origin"], x["who"]) for x in log] == [("command.refused", "mqtt", "oiler")]


@pytest.mark.parametrize("origin", ["shell", "page", "mqtt"])
def test_an_act_is_done_recorded_and_answered_alike(ship: Ship, origin: Origin) -> None:
    """The same event with who did it, whichever way it came."""
    answer = ship.ways.handle(origin, dict(ACKNOWLEDGE), "bridge")
    assert answer == {"done": 1, "by": "second (bridge)", "recorded": True}
    assert ship.state() == "acknowledged"
    assert [(e.body["to"], e.body["by"]) for e in ship.outlets.events] == [("acknowledged", "second (bridge)")]


def test_a_panel_s_act_takes_the_same_way(ship: Ship) -> None:
    """One alarm by its number, all of one engine, and the sound."""
    ship.ways.from_panel("acknowledge", "main", 7, "modbus-tcp:10.0.0.9")
    assert ship.state() == "acknowledged" and ship.outlets.events[-1].body["by"] == "modbus-tcp:10.0.0.9"
    ship.ways.from_panel("silence", "main", 7, "panel")
    assert ship.gateway.silenced_by == ["panel"]
    ship.ways.from_panel("acknowledge-all", "", None, "panel")
    assert [a.tag for a in ship.gateway.acts] == [None]


def test_a_panel_s_act_that_is_refused_is_in_the_log(ship: Ship) -> None:
    """Nobody waits for an answer; whoever looks for it finds it."""
    with capture_logs() as log:
        ship.ways.from_panel("acknowledge", "port", 7, "panel")
    assert [(x["event"], x["who"]) for x in log] == [("command.refused", "panel")]


def test_with_a_dead_disk_an_act_takes_effect_at_once_and_says_so(ship: Ship) -> None:
    """Acknowledged at once, answered "not yet recorded", still queued; the gateway knows how long it waits."""
    ship.outlets.disk = "dead"
    answer = ship.ways.handle("page", dict(ACKNOWLEDGE), "second")
    assert (answer["recorded"], answer["note"]) == (False, NOT_YET)
    assert ship.state() == "acknowledged"
    assert ship.ways.unrecorded_s is not None
    for future in ship.outlets.waiting:
        assert not future.cancelled()
        future.set_result(1)
    assert ship.ways.unrecorded_s is None


def test_a_maintenance_record_that_the_disk_does_not_take_is_withdrawn(ship: Ship) -> None:
    """Reported as failed, it never counts, not even when the disk comes back."""
    ship.outlets.disk = "dead"
    entry = {"kind": "hand-play", "person": "Chief", "play_links": 0.7, "hours": 21_400.0, "utc_s": 1.75e9}
    with pytest.raises(Refused, match="nothing was booked: the disk does not take it"):
        ship.ways.handle("shell", {"do": "book", "entry": entry}, "Chief")
    assert [f.cancelled() for f in ship.outlets.waiting] == [True]
    ship.outlets.disk = "ok"
    ship.engine.settle()
    assert ship.engine.snapshot.log == () and ship.outlets.bookings == []


class Deaf(InStep):
    """An engine whose thread does not respond."""

    def submit(self, command: Any) -> Any:
        return self.inbox.submit(command)


def test_a_request_to_an_engine_that_hangs_never_runs_later(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused after a while, and not done when the engine responds again."""
    monkeypatch.setattr(module, "ANSWER_S", 0.05)
    p = pipeline()
    p.alarms[SLAP].facts.active, p.alarms[SLAP].facts.accepted = True, False
    engine = Deaf(p, Outlets())
    with pytest.raises(Refused, match="engine main does not respond, so nothing was done"):
        commands(load_settings(TERN), engine).handle("shell", dict(ACKNOWLEDGE), "second")
    assert engine.inbox.commands() == []
    assert str(p.alarms[SLAP].state) == "unacknowledged"


def test_an_act_on_all_engines_says_where_it_was_not_done(monkeypatch: pytest.MonkeyPatch) -> None:
    """One engine hangs: the other's alarms are acknowledged, the answer names the one, nothing is done there later."""
    monkeypatch.setattr(module, "ANSWER_S", 0.05)
    p = pipeline()
    p.alarms[SLAP].facts.active, p.alarms[SLAP].facts.accepted = True, False
    good, deaf = InStep(p, Outlets()), Deaf(pipeline(), Outlets())
    deaf.slug = "aux"
    answer = commands(load_settings(TERN), good, deaf).handle("shell", {"do": "acknowledge"}, "second")
    assert answer["done"] == 1 and "engine aux does not respond" in answer["note"]
    assert deaf.inbox.commands() == []


def test_a_panel_s_act_that_the_engine_refuses_is_in_the_log(ship: Ship) -> None:
    """There is nothing to acknowledge: nobody waits for the answer, and the log has it."""
    with capture_logs() as log:
        ship.ways.from_panel("acknowledge", "main", 3, "panel")
    assert [(x["event"], x["origin"]) for x in log] == [("command.refused", "panel")]
    assert "there is nothing to acknowledge" in log[0]["why"]


def test_an_inbox_has_a_bound_and_says_so() -> None:
    """More commands than it holds are refused at once."""
    inbox = Inbox("main")
    for _ in range(COMMANDS_MAX):
        inbox.submit(Act("acknowledge", SLAP, "x"))
    with pytest.raises(Refused, match="too many requests wait"):
        inbox.submit(Act("acknowledge", SLAP, "x"))
    # The wakes beside them never take the place of bytes for long: they are skipped together.
    inbox.chunks.get_nowait()
    inbox.chunks.put((b"data", 1.0))
    assert inbox.next_chunk(0.0) == (b"data", 1.0)


def test_a_queue_of_commands_drops_what_finds_no_room_and_outlives_a_fault() -> None:
    """Bounded; one that fails is logged and the next is done."""
    done: list[int] = []

    def do(item: int) -> None:
        if item == 1:
            raise ZeroDivisionError
        done.append(item)

    queue: CommandQueue[int] = CommandQueue("test", do)
    with capture_logs() as log:
        for item in range(100):
            queue.put(item)
        while queue.poll():
            pass
    assert done == [0, *range(2, 64)] and queue.dropped == 36
    assert {x["event"] for x in log} == {"command.dropped", "command.failed"}


# -- the whole daemon, in this process --------------------------------------------------------------------------


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Daemon]:
    """A daemon in this process, without broker, page and head."""
    settings = checked_settings(rig.example(tmp_path, None) | {"page": {"enabled": False}})
    daemon = Daemon(settings, fingerprint(settings))
    daemon.start()
    yield daemon
    daemon.stop()


def silent(daemon: Daemon) -> bool:
    """Does head-silent call?"""
    (engine,) = daemon.snapshot().engines
    return any(a.tag == "head-silent" and a.unacknowledged for a in engine.alarms)


def test_an_act_is_answered_after_its_commit(running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """Until the commit is over there is no answer "recorded": killed right after it, the act is on the disk."""
    rig.until(lambda: silent(running) and running.stores.writer.pending == 0, "head-silent stands")
    in_commit, go_on, real = threading.Event(), threading.Event(), StateStore.commit

    def slow(store: StateStore, *args: Any, **parts: Any) -> list[int]:
        in_commit.set()
        assert go_on.wait(180)
        return real(store, *args, **parts)

    monkeypatch.setattr(StateStore, "commit", slow)
    monkeypatch.setattr(module, "RECORD_S", 60.0)
    answers: list[dict[str, Any]] = []
    request = {"do": "acknowledge", "alarm": "head-silent", "by": "second"}
    asking = threading.Thread(target=lambda: answers.append(running.commands.handle("shell", request, "second")))
    asking.start()
    assert in_commit.wait(180)
    rig.until(lambda: not silent(running), "it is acknowledged at once")
    assert answers == []
    go_on.set()
    asking.join(180)
    reader = StateReader(running.data_dir)
    assert '"to":"acknowledged"' in reader.events(0, 1, newest_first=True)[0].payload.decode()
    reader.close()
    assert answers == [{"done": 1, "by": "second", "recorded": True}]


def test_storage_fault_stands_while_an_act_waits_for_the_disk(running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that hangs and reports no error: the alarm says what waits, and goes when it is written."""
    rig.until(lambda: silent(running) and running.stores.writer.pending == 0, "head-silent stands")
    go_on, real = threading.Event(), StateStore.commit

    def slow(store: StateStore, *args: Any, **parts: Any) -> list[int]:
        assert go_on.wait(180)
        return real(store, *args, **parts)

    monkeypatch.setattr(StateStore, "commit", slow)
    monkeypatch.setattr(module, "RECORD_S", 0.05)
    answer = running.commands.handle("shell", {"do": "acknowledge", "alarm": "head-silent", "by": "x"}, "x")
    assert answer["recorded"] is False
    running.watch()
    fault = running.own.alarms["storage-fault"]
    assert fault.facts.active and "waits" in fault.facts.text
    go_on.set()
    rig.until(lambda: running.stores.writer.pending == 0, "it is written")
    running.watch()
    assert not fault.facts.active


def test_a_dead_disk_does_not_stop_acknowledging(running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every commit refused: the act is done, and recorded when the disk takes again."""
    rig.until(lambda: silent(running) and running.stores.writer.pending == 0, "head-silent stands")
    real, dead = StateStore.commit, True

    def commit(store: StateStore, *args: Any, **parts: Any) -> list[int]:
        if dead:
            raise StorageError("refused by the test")
        return real(store, *args, **parts)

    monkeypatch.setattr(StateStore, "commit", commit)
    monkeypatch.setattr(module, "RECORD_S", 0.05)
    running.commands.from_panel("acknowledge", "main", 16, "panel")
    rig.until(lambda: not silent(running), "the panel's act is done")
    assert running.commands.handle("shell", {"do": "silence"}, "x")["recorded"] is False
    assert running.snapshot().silenced
    dead = False
    rig.until(lambda: running.stores.writer.pending == 0, "the disk takes again")
    reader = StateReader(running.data_dir)
    stored = b"".join(row.payload for row in reader.events(0, 100))
    reader.close()
    assert b'"by":"panel"' in stored and b"silenced" in stored


def test_the_sound_comes_back_with_an_announcement_and_not_with_another_event(running: Daemon) -> None:
    """From the transition itself: an alarm that becomes unacknowledged, and neither a repeat nor an acknowledgement."""
    rig.until(lambda: silent(running), "head-silent stands")
    running.commands.handle("shell", {"do": "silence"}, "x")
    running.commands.handle("shell", {"do": "acknowledge", "alarm": "head-silent", "by": "x"}, "x")
    assert running.snapshot().silenced
    running.own.alarms["storage-fault"].on_delay_us = 0
    health = running._health.look()
    running.own.judge(type(health)(health.oldest_undelivered_min, {}, "made by the test", None))
    assert not running.snapshot().silenced


def test_future_of_a_commit_may_fail() -> None:
    """Waiting for one that fails is done, not an error of the waiter."""
    failed: Future[int] = Future()
    failed.set_exception(Refused("x"))
    assert module.wait_for(failed, 0.0)
    assert not module.wait_for(Future(), 0.0)
