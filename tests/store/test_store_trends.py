"""Every trend in line for the shore: kept over a month without a link, bounded, told when lost, done once, upgraded."""

import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from gateway.encode.checked import parse_event
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store import trends
from gateway.store.acks import Acknowledgements
from gateway.store.outbox import OutboxReader
from gateway.store.reader import StateReader
from gateway.store.state import NewEvent, NewRetained, StateStore
from gateway.store.writer import Writer

LATEST = frozenset({"event", "alarm", "trend"})
EVERY = LATEST | {trends.EVERY_TREND}
BROKERS = {"ship": LATEST, "shore": EVERY}
TS = "2026-03-01T12:00:00.000Z"


def opened(folder: Path, brokers: dict[str, frozenset[str]] = BROKERS, **changed: Any) -> StateStore:
    """A store of one ship's broker that wants the latest and one ashore that wants all."""
    settings = replace(GatewaySettings(), **changed)
    return StateStore(folder, settings, brokers=brokers, ballast_bytes=4_096)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StateStore]:
    """As above, open."""
    made = opened(tmp_path)
    yield made
    made.close()


def trend(hour: int, topic: str = "main/trend") -> NewRetained:
    return NewRetained(topic, "trend", b'{"hour":%d}' % hour)


def waiting(folder: Path, broker: str = "shore", after: int = 0) -> list[bytes]:
    reader = OutboxReader(folder, broker, Acknowledgements())
    try:
        return [row.payload for row in reader.trends_due(after, 100_000)]
    finally:
        reader.close()


def latest(folder: Path, broker: str) -> list[bytes]:
    reader = OutboxReader(folder, broker, Acknowledgements())
    try:
        return [row.payload for row in reader.retained_due(99)]
    finally:
        reader.close()


def hours(first: int, end: int) -> list[bytes]:
    return [b'{"hour":%d}' % n for n in range(first, end)]


def test_the_shore_waits_for_all_and_the_ship_for_the_latest(store: StateStore, tmp_path: Path) -> None:
    """Thirty days of hours stand in line for the shore, oldest first; the ship's broker is due the last one only, and
    the shore the last one only as the end of its line."""
    for n in range(720):
        store.commit(Batch(retained=[trend(n)]))
    assert waiting(tmp_path) == hours(0, 720)
    assert (waiting(tmp_path, "ship"), latest(tmp_path, "ship")) == ([], hours(719, 720))
    assert latest(tmp_path, "shore") == []
    assert StateReader(tmp_path).trends_in_line("shore") == (720, 0)
    assert StateReader(tmp_path).trends_in_line("ship") == StateReader(tmp_path).trends_in_line("none") == (0, 0)


def test_what_is_done_leaves_the_line_and_the_disk(store: StateStore, tmp_path: Path) -> None:
    """The place moves over what was acknowledged, the rows go, and the last one counts as the retained one's
    acknowledgement: it is due again only when it is to be said again."""
    for n in range(5):
        store.commit(Batch(retained=[trend(n)]))
    reader = OutboxReader(tmp_path, "shore", store.acks)
    rows = reader.trends_due(0, 3)
    reader.done(None, [], rows[-1].n)
    assert reader.trend_place() == rows[-1].n
    assert ([r.payload for r in reader.trends_due(0, 99)], reader.retained_due(9)) == (hours(3, 5), [])
    assert [r.payload for r in reader.trends_due(rows[-1].n + 1, 99)] == hours(4, 5)
    reader.done(None, [], reader.trends_due(0, 99)[-1].n)
    assert (reader.trends_due(0, 99), reader.retained_due(9)) == ([], [])
    store.commit()
    assert store._db.execute("SELECT count(*) FROM trend").fetchone() == (0,)
    reader.forget_retained()
    assert [r.payload for r in reader.retained_due(9)] == hours(4, 5)
    reader.close()


def test_nothing_is_kept_where_nobody_wants_every_trend(tmp_path: Path) -> None:
    """Without such a broker not a row is written."""
    store = opened(tmp_path, {"ship": LATEST})
    store.commit(Batch(retained=[trend(1)]))
    assert store._db.execute("SELECT count(*) FROM trend").fetchone() == (0,)
    store.close()


def test_an_unchanged_trend_and_an_alarm_do_not_stand_in_line(store: StateStore, tmp_path: Path) -> None:
    """Only a trend that says something new does."""
    store.commit(Batch(retained=[trend(1), NewRetained("main/alarm/lag-near", "alarm", b"{}")]))
    store.commit(Batch(retained=[trend(1)]))
    assert waiting(tmp_path) == hours(1, 2)


def test_more_than_31_days_go_by_the_day_and_are_told_once(store: StateStore, tmp_path: Path) -> None:
    """Of each engine at least 31 days and less than a day more are kept, the oldest go first; they are counted for the
    broker that has not got them, and the hour's housekeeping tells of them in one event, once."""
    most = trends.KEEP_ROWS + trends.STEP_ROWS
    for n in range(1_000):
        store.commit(Batch(retained=[trend(n), trend(n, "aux/trend")]))
        in_line, _ = StateReader(tmp_path).trends_in_line("shore")
        assert in_line == 2 * (n + 1) or 2 * trends.KEEP_ROWS <= in_line < 2 * most
    main = [
        row.payload
        for row in OutboxReader(tmp_path, "shore", store.acks).trends_due(0, 9_999)
        if row.topic == "main/trend"
    ]
    assert main == hours(1_000 - len(main), 1_000)
    lost = 1_000 - len(main)
    assert StateReader(tmp_path).trends_in_line("shore") == (2 * len(main), 2 * lost)
    store.prune(1.8e9)
    store.prune(1.8e9)
    (row,) = store.events(0, 99)
    event = parse_event(row.payload)
    assert (event.what, f"{2 * lost} for shore" in event.text, row.seq) == ("trends-dropped", True, 1)  # type: ignore[union-attr]
    assert store.commit(Batch([NewEvent("t", "alarm", {"ts": TS})])) == [2]


def test_what_a_broker_has_is_not_counted_as_lost(tmp_path: Path) -> None:
    """Of two shores the one that has had everything loses nothing when the line is cut for the other."""
    store = opened(tmp_path, {"one": EVERY, "two": EVERY})
    reader = OutboxReader(tmp_path, "one", store.acks)
    for n in range(trends.KEEP_ROWS + trends.STEP_ROWS):
        store.commit(Batch(retained=[trend(n)]))
        reader.done(None, [], reader.trends_due(0, 9)[-1].n)
    store.commit()
    state = StateReader(tmp_path)
    assert state.trends_in_line("one") == (0, 0)
    assert state.trends_in_line("two") == (trends.KEEP_ROWS, trends.STEP_ROWS)
    store.prune(1.8e9)
    assert b"24 for two" in store.events(0, 9)[0].payload and b"for one" not in store.events(0, 9)[0].payload
    state.close()
    reader.close()
    store.close()


@pytest.mark.slow
def test_short_of_pages_trends_go_before_undelivered_events(tmp_path: Path) -> None:
    """In a store of 8 MB that fills up no event is dropped while trends stand in line, and these go a day at a time."""
    store = opened(tmp_path, state_mb=8)
    for n in range(700):
        store.commit(Batch(retained=[NewRetained("main/trend", "trend", b"%3000d" % n)]))
    state = StateReader(tmp_path)
    in_line, dropped = 700, 0
    for _ in range(3_000):
        store.commit(Batch([NewEvent("t", "alarm", {"ts": TS, "pad": "y" * 7_000})]))
        if store.backlog("shore").dropped:
            break
        now, dropped = state.trends_in_line("shore")
        assert in_line - now in (0, trends.STEP_ROWS, in_line) and now + dropped == 700
        in_line = now
    assert (in_line, dropped) == (0, 700)
    store.prune(1.8e9)
    assert [b"700 for shore" in row.payload for row in store.events(0, 9_999, kind="gateway")][-1]
    state.close()
    store.close()


def test_a_restart_goes_on_where_it_was(tmp_path: Path) -> None:
    """Line, place and numbers outlive the process: nothing is passed over, nothing comes twice."""
    store = opened(tmp_path)
    for n in range(4):
        store.commit(Batch(retained=[trend(n)]))
    reader = OutboxReader(tmp_path, "shore", store.acks)
    reader.done(None, [], reader.trends_due(0, 2)[-1].n)
    reader.close()
    store.close()
    store = opened(tmp_path)
    store.commit(Batch(retained=[trend(4)]))
    assert waiting(tmp_path) == hours(2, 5)
    store.close()


def test_a_broker_begins_at_the_present_and_one_that_leaves_holds_nothing(tmp_path: Path) -> None:
    """A broker that newly wants every trend gets the latest and what comes after; once it is gone from the settings the
    rows are free."""
    store = opened(tmp_path, {"shore": LATEST})
    store.commit(Batch(retained=[trend(1)]))
    store.close()
    store = opened(tmp_path, {"shore": EVERY})
    assert (waiting(tmp_path), latest(tmp_path, "shore")) == ([], hours(1, 2))
    store.commit(Batch(retained=[trend(2)]))
    assert (waiting(tmp_path), latest(tmp_path, "shore")) == (hours(2, 3), [])
    store.close()
    store = opened(tmp_path, {"ship": LATEST})
    assert store._db.execute("SELECT count(*) FROM trend").fetchone() == (0,)
    store.close()


@pytest.mark.parametrize("again", [False, True], ids=["first time", "after a time without"])
def test_a_known_broker_that_now_wants_every_trend_gets_no_old_ones(tmp_path: Path, again: bool) -> None:
    """While another broker's line holds old trends, a broker that switches `every_trend` on starts at the present end:
    the latest once, then what comes after. It keeps its place at later starts."""
    if again:
        store = opened(tmp_path, {"ship": EVERY, "shore": EVERY})
        store.commit(Batch(retained=[trend(0)]))
        store.close()
    store = opened(tmp_path, BROKERS)
    for n in range(1, 4):
        store.commit(Batch(retained=[trend(n)]))
    store.close()
    for _ in range(2):
        store = opened(tmp_path, {"ship": EVERY, "shore": EVERY})
        assert waiting(tmp_path, "shore")[-3:] == hours(1, 4)
        assert (waiting(tmp_path, "ship"), latest(tmp_path, "ship")) == ([], hours(3, 4))
        store.close()
    store = opened(tmp_path, {"ship": EVERY, "shore": EVERY})
    store.commit(Batch(retained=[trend(4)]))
    store.close()
    store = opened(tmp_path, {"ship": EVERY, "shore": EVERY})
    assert waiting(tmp_path, "ship") == hours(4, 5)
    store.close()


def test_an_older_store_is_brought_up_to_date(tmp_path: Path) -> None:
    """A store from before trends stood in line opens with all it has, its checkpoints too; its broker goes on from its
    place among the events and begins with the trends at the present end."""
    steps = files("gateway.store") / "steps" / "state"
    tmp_path.chmod(0o700)
    db = sqlite3.connect(tmp_path / "state.db")
    for name in ("0001_outbox.sql", "0002_bookings.sql"):
        db.executescript((steps / name).read_text())
    db.executescript(
        "PRAGMA user_version=2; INSERT INTO fact VALUES ('gateway_id', 'old');"
        "INSERT INTO broker VALUES ('shore', 1, 'alarm event trend', 1, 5);"
        f"INSERT INTO event VALUES (1, '{TS}', 't', 'alarm', x'7b7d'), (2, '{TS}', 't', 'alarm', x'7b7d');"
        "INSERT INTO retained VALUES ('main/trend', 'trend', 7, CAST('{\"hour\":1}' AS BLOB));"
        "INSERT INTO retained_done VALUES ('shore', 'main/trend', 7);"
        "INSERT INTO checkpoint VALUES ('engine/main', '{\"hours\":21400.5}');"
    )
    db.close()
    store = opened(tmp_path)
    assert (store.gateway_id, store.backlog("shore").count, store.backlog("shore").dropped) == ("old", 1, 5)
    assert (waiting(tmp_path), latest(tmp_path, "shore"), latest(tmp_path, "ship")) == ([], [], hours(1, 2))
    assert store.checkpoint("engine/main") == {"hours": 21400.5}
    store.commit(Batch(retained=[trend(2)]))
    assert waiting(tmp_path) == hours(2, 3)
    store.close()


def test_trends_that_wait_for_the_disk_all_come(store: StateStore, tmp_path: Path) -> None:
    """What the writer holds while the disk fails is every trend, not the last of each topic; and no more than its
    bound, the loss of which is told."""
    writer = Writer(store)
    for n in range(30):
        writer.submit(Batch([], [trend(n)]))
    writer.start()
    assert writer.drain(180) and writer.stop()
    assert waiting(tmp_path) == hours(0, 30)
    writer = Writer(store)
    for n in range(1_010):
        writer.submit(Batch([], [trend(n + 100)]))
    writer.start()
    assert writer.drain(180) and writer.stop()
    (row,) = store.events(0, 9)
    assert b"10 trend" in row.payload
    assert waiting(tmp_path)[-1] == b'{"hour":1109}'


def test_an_hour_writes_little(store: StateStore, tmp_path: Path) -> None:
    """A trend put in line and done again costs the log at most twelve pages more than the trend alone: with one engine
    under 1.2 MB of the day's 20 even if every page is written twice."""
    alone = opened(tmp_path / "alone", {"shore": LATEST})
    reader, other = OutboxReader(tmp_path, "shore", store.acks), OutboxReader(tmp_path / "alone", "shore", alone.acks)

    def pages(db: sqlite3.Connection) -> int:
        return int(db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()[1])

    def grown(a_store: StateStore, a_reader: OutboxReader) -> int:
        a_store._db.execute("PRAGMA wal_autocheckpoint=0")
        before = pages(a_store._db)
        for n in range(24):
            a_store.commit(Batch(retained=[NewRetained("main/trend", "trend", b"%1300d" % n)]))
            in_line = a_reader.trends_due(0, 9)
            retained = [(r.topic, r.rev) for r in a_reader.retained_due(9)]
            a_reader.done(None, retained, in_line[-1].n if in_line else None)
            a_store.commit()
        return pages(a_store._db) - before

    more = grown(store, reader) - grown(alone, other)
    assert 0 < more <= 24 * 12
    for each in (reader, other, alone):
        each.close()
