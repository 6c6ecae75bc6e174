"""Nobody but the store's writer changes the state database, and nobody else opens it for writing."""

import ast
import sqlite3
import threading
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, ClassVar

import pytest
from mqtt_fakes import ScriptedBroker, broker_settings
from waiting import until

import gateway
from gateway.encode.topics import Topics
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.outlets.mqtt.link import BrokerLink
from gateway.store import database
from gateway.store.outbox import OutboxReader
from gateway.store.reader import StateReader
from gateway.store.state import NewEvent, NewRetained, StateStore
from gateway.store.writer import Writer

TREE = Path(gateway.__file__).parent
OWNERS = {
    # Opening and closing, before the writer's thread starts and after it has ended; damage; a booking without a daemon;
    # the first store of a spare box, before its gateway was ever started.
    "StateStore": {"app/stores.py", "cli/book.py", "cli/setup_ashore.py"},
    "open_file": {"store/state.py", "store/history.py"},
    "open_once": {"store/opening.py"},
    "transaction": {"store/state.py", "store/history.py", "store/database.py", "store/opening.py", "store/salvage.py"},
}
"""Who may call what writes: any other file fails the test."""


def _calls(path: Path) -> Iterator[ast.Call]:
    yield from (node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call))


@cache
def _called(path: Path) -> tuple[str, ...]:
    """What is called, as it is written."""
    return tuple(ast.unparse(call.func) for call in _calls(path))


def _name(called: str) -> str:
    return called.rpartition(".")[2]


def _where(name: str) -> set[str]:
    found = {p.relative_to(TREE).as_posix() for p in TREE.rglob("*.py") if any(_name(c) == name for c in _called(p))}
    return {file for file in found if not file.startswith("shore/")}


@pytest.mark.parametrize("name", OWNERS)
def test_only_its_owners_open_the_store_to_write(name: str) -> None:
    """By the source; the shore has a database of its own."""
    assert _where(name) and _where(name) <= OWNERS[name]


def test_the_store_s_writing_is_called_by_the_writer_alone() -> None:
    """`prune` and `copy_bookings` and whatever commits; the booking without a daemon is the one other."""
    callers = {
        p.relative_to(TREE).as_posix()
        for p in TREE.rglob("*.py")
        for called in _called(p)
        if called.endswith(("store.commit", "state.commit", "store.prune", "store.copy_bookings"))
    }
    assert callers == {"store/writer.py", "cli/book.py"}


def test_every_other_connection_is_read_only() -> None:
    """`connect` opens to write where the store is made, and where a damaged file is put right to be read."""
    writing = {
        p.relative_to(TREE).as_posix()
        for p in (TREE / "store").glob("*.py")
        for call in _calls(p)
        if _name(ast.unparse(call.func)) == "connect"
        and "mode" not in ast.unparse(call)
        and "read_only=True" not in ast.unparse(call)
    }
    assert writing <= {"store/database.py", "store/salvage.py", "store/schema.py"}


def test_a_reader_cannot_write(tmp_path: Path) -> None:
    """SQLite itself refuses."""
    store = StateStore(tmp_path, GatewaySettings(), brokers={"ship": frozenset({"event"})}, ballast_bytes=4_096)
    for reader in (StateReader(tmp_path), OutboxReader(tmp_path, "ship", store.acks)):
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            reader._db.execute("UPDATE broker SET place=9")
        reader.close()
    store.close()


class Watched(sqlite3.Connection):
    """A connection that notes which thread begins to write."""

    threads: ClassVar[set[str]] = set()

    def execute(self, sql: str, *args: Any) -> sqlite3.Cursor:
        if sql.startswith("BEGIN"):
            self.threads.add(threading.current_thread().name)
        return super().execute(sql, *args)


def test_with_a_link_at_work_one_thread_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Events, states and their acknowledgements over a real socket: all transactions are the writer's."""
    settings, broker = GatewaySettings(), ScriptedBroker()
    ship = broker_settings(broker.port)

    def watched(*args: Any, **named: Any) -> sqlite3.Connection:
        return real(*args, factory=Watched, **named)

    real = sqlite3.connect
    monkeypatch.setattr(database.sqlite3, "connect", watched)
    store = StateStore(tmp_path, settings, brokers={ship.name: frozenset(ship.classes)}, ballast_bytes=4_096)
    Watched.threads.clear()
    writer = Writer(store)
    link = BrokerLink(ship, lambda: OutboxReader(tmp_path, ship.name, store.acks), Topics("camdrift/1", "t"), "0.1.0")
    writer.subscribe(link.wake)
    writer.start()
    link.start()
    try:
        event = NewEvent("camdrift/1/t/main/event", "alarm", {"ts": "2026-03-01T12:00:00.000Z"})
        for n in range(20):
            writer.submit(Batch([event], [NewRetained("camdrift/1/t/main/alarm/lag-near", "alarm", b"%d" % n)]))
        until(lambda: store.backlog(ship.name).place == 20, "all is delivered and noted")
        assert link.stop()
        assert writer.stop()
        assert Watched.threads == {"store-writer"}
    finally:
        store.close()
        broker.close()
