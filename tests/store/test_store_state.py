"""The state store's promises to its callers, one at a time."""

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest

from gateway.encode.checked import parse_event
from gateway.model.errors import Refused, StorageError
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.database import APPLICATION_ID
from gateway.store.outbox import OutboxReader
from gateway.store.reader import StateReader
from gateway.store.state import NewEvent, NewRetained, StateStore, check_storable

SHIP = frozenset({"event", "alarm", "trend"})
TS = "2026-03-01T12:00:00.000Z"
SETTINGS = GatewaySettings(keep_events=1_000, state_mb=8)


def event(kind: str = "alarm", ts: str = TS, **more: object) -> NewEvent:
    """An event of the least shape the store asks for."""
    return NewEvent("camdrift/1/tern-passage/main/event", kind, {"ts": ts, "hours": 1.5, "kind": kind, **more})


def opened(folder: Path, brokers: dict[str, frozenset[str]] | None = None, **more: object) -> StateStore:
    """A store with one broker that wants everything."""
    settings = replace(SETTINGS, **more)
    return StateStore(folder, settings, brokers={"ship": SHIP} if brokers is None else brokers, ballast_bytes=65_536)


def test_message_begins_with_version_gateway_and_seq(tmp_path: Path) -> None:
    """A stored event is the whole message, its head first, then the body as given."""
    store = opened(tmp_path / "d")
    store.commit(Batch([event(tag="lag-near")]))
    (row,) = OutboxReader(tmp_path / "d", "ship", store.acks).events_due(0, 10)
    said = json.loads(row.payload)
    assert list(said)[:3] == ["v", "gateway", "seq"]
    assert said == {
        "v": 1, "gateway": store.gateway_id, "seq": 1, "ts": TS, "hours": 1.5, "kind": "alarm", "tag": "lag-near",
    }  # fmt: skip
    store.close()


def test_seq_goes_on_over_restart_and_pruning(tmp_path: Path) -> None:
    """No seq is given twice, even when every row has been pruned and the daemon restarted."""
    store = opened(tmp_path / "d")
    assert store.commit(Batch([event(), event()])) == [1, 2]
    OutboxReader(tmp_path / "d", "ship", store.acks).done(2, [])
    assert store.prune(now_utc=4e9) == 2
    gateway = store.gateway_id
    store.close()
    store = opened(tmp_path / "d")
    assert store.gateway_id == gateway
    assert store.commit(Batch([event()])) == [3]
    store.close()


def test_delivered_rows_stay_ninety_days(tmp_path: Path) -> None:
    """Delivered events are kept for the audit: they go after 90 days, not before; undelivered ones stay."""
    store = opened(tmp_path / "d")
    store.commit(Batch([event(ts="2026-03-01T00:00:00.000Z"), event(ts="2026-03-03T00:00:00.000Z"), event()]))
    OutboxReader(tmp_path / "d", "ship", store.acks).done(2, [])
    ninety_days_after_the_second = 1_772_496_000 + 90 * 86_400
    assert store.prune(ninety_days_after_the_second - 1) == 1
    assert store.prune(ninety_days_after_the_second + 1) == 1
    assert [row.seq for row in store.events(0, 10)] == [3]
    store.close()


def test_commit_is_all_or_nothing(tmp_path: Path) -> None:
    """One item that cannot be stored leaves no trace of the others, and no seq is used up."""
    store = opened(tmp_path / "d")
    with pytest.raises(ValueError):
        store.commit(Batch([event(), event(value=float("nan"))], [NewRetained("t", "alarm", b"{}")], {"k": 1}))
    with pytest.raises(ValueError):
        store.commit(Batch([event()], [NewRetained("t", "nonsense", b"{}")], {"k": 1}))
    assert (store.events(0, 9), store.checkpoint("k"), store.commit(Batch([event()]))) == ([], None, [1])
    store.close()


@pytest.mark.parametrize(
    "bad",
    [
        event(value=float("inf")),
        event(kind="rumour"),
        NewEvent("t", "alarm", {"hours": 1}),
        NewEvent("t", "alarm", {"ts": "now"}),
    ],
)  # fmt: skip
def test_what_no_disk_could_take_is_told_apart(bad: NewEvent) -> None:
    """`check_storable` refuses what would be refused for ever, so that it is not tried for ever."""
    check_storable(event())
    with pytest.raises(ValueError):
        check_storable(bad)


def test_retained_is_due_once_per_change_and_alarms_go_first(tmp_path: Path) -> None:
    """A retained value is due until its latest revision is acknowledged, the newest first; the same bytes again are no
    change."""
    store = opened(tmp_path / "d")
    store.commit(
        Batch(
            (), [NewRetained("trend", "trend", b"1"), NewRetained("a", "alarm", b"1"), NewRetained("b", "alarm", b"1")]
        )
    )
    reader = OutboxReader(tmp_path / "d", "ship", store.acks)
    due = reader.retained_due(10)
    assert [row.topic for row in due] == ["b", "a", "trend"]
    store.commit(Batch((), [NewRetained("a", "alarm", b"2"), NewRetained("b", "alarm", b"1")]))
    reader.done(None, [(row.topic, row.rev) for row in due])
    assert [(row.topic, row.payload) for row in reader.retained_due(10)] == [("a", b"2")]
    reader.forget_retained()
    assert len(reader.retained_due(10)) == 3
    store.close()


def test_what_a_broker_never_had_goes_before_what_it_is_told_again(tmp_path: Path) -> None:
    """`forget_retained` makes all due again, and what waited before still goes first; only that counts as waiting."""
    store = opened(tmp_path / "d")
    store.commit(Batch((), [NewRetained(topic, "alarm", b"1") for topic in "abc"]))
    reader = OutboxReader(tmp_path / "d", "ship", store.acks)
    assert reader.alarm_waits() == 3
    reader.done(None, [(row.topic, row.rev) for row in reader.retained_due(10)])
    assert reader.alarm_waits() == 0
    store.commit(Batch((), [NewRetained("b", "alarm", b"2"), NewRetained("t", "trend", b"1")]))
    for _ in range(2):
        reader.forget_retained()
        assert [row.topic for row in reader.retained_due(10)] == ["b", "c", "a", "t"]
        assert reader.alarm_waits() == 4
    reader.done(None, [("b", 4)])
    assert reader.alarm_waits() == 0
    store.close()


def test_late_acknowledgements_do_not_go_back(tmp_path: Path) -> None:
    """A place and an acknowledged revision only ever rise."""
    store = opened(tmp_path / "d")
    store.commit(Batch([event()] * 5, [NewRetained("a", "alarm", b"1")]))
    store.commit(Batch((), [NewRetained("a", "alarm", b"2")]))
    reader = OutboxReader(tmp_path / "d", "ship", store.acks)
    (row,) = reader.retained_due(1)
    reader.done(4, [("a", row.rev)])
    reader.done(2, [("a", row.rev - 1)])
    assert (reader.place(), reader.retained_due(1)) == (4, [])
    store.close()


def test_brokers_come_go_and_come_back(tmp_path: Path) -> None:
    """A new name starts at the present end, one that left holds no row, one that comes back goes on from its place."""
    folder = tmp_path / "d"
    store = opened(folder)
    store.commit(Batch([event()] * 3))
    OutboxReader(folder, "ship", store.acks).done(1, [])
    store.close()
    store = opened(folder, {"ship": SHIP, "shore": SHIP, "panel": frozenset({"alarm"})})
    assert [store.backlog(name).count for name in ("ship", "shore", "panel")] == [2, 0, 0]
    assert store.backlog("ship").oldest_utc == TS
    store.close()
    store = opened(folder, {"shore": SHIP})
    with pytest.raises(Refused, match="ship"):
        OutboxReader(folder, "ship", store.acks)
    assert store.backlog("ship").count == 0
    assert store.prune(4e9) == 3
    store.commit(Batch([event()] * 2))
    store.close()
    store = opened(folder)
    assert [row.seq for row in OutboxReader(folder, "ship", store.acks).events_due(0, 9)] == [4, 5]
    store.close()


def test_broker_without_events_holds_nothing(tmp_path: Path) -> None:
    """A broker that does not want events is due none and keeps no row from being pruned."""
    store = opened(tmp_path / "d", {"panel": frozenset({"alarm"})})
    store.commit(Batch([event()] * 3, [NewRetained("trend", "trend", b"1"), NewRetained("a", "alarm", b"1")]))
    reader = OutboxReader(tmp_path / "d", "panel", store.acks)
    assert reader.events_due(0, 9) == []
    assert [row.topic for row in reader.retained_due(9)] == ["a"]
    assert store.prune(4e9) == 3
    store.close()


def test_full_outbox_drops_by_the_written_rule_and_says_so(tmp_path: Path) -> None:
    """Delivered rows go first, then gateway, adjustment and alarm events; an event explains the counted gap."""
    folder = tmp_path / "d"
    store = opened(folder, {"ship": SHIP, "shore": SHIP})
    store.commit(Batch([event()] * 100))
    OutboxReader(folder, "ship", store.acks).done(100, [])
    OutboxReader(folder, "shore", store.acks).done(90, [])
    store.commit(Batch([event("gateway", what="started")] * 5 + [event("adjustment")] * 5 + [event()] * 890))
    assert len(store.events(0, 5_000)) == 1_000
    store.commit(Batch([event()] * 90))
    assert store.events(0, 1)[0].seq == 91
    assert store.backlog("shore").dropped == 0
    store.commit(Batch([event()] * 8))
    kinds = [row.kind for row in store.events(0, 5_000)]
    note = next(row for row in store.events(0, 5_000) if row.kind == "gateway")
    assert kinds.count("adjustment") == 0
    assert (store.backlog("ship").dropped, store.backlog("shore").dropped) == (10, 10)
    told = parse_event(note.payload)
    assert told.what == "events-dropped"
    assert "between seq 101 and 110: 5 gateway, 5 adjustment" in told.text
    store.commit(Batch([event()] * 5))
    seqs = [row.seq for row in store.events(0, 5_000)]
    assert seqs[0] > 91, "nothing but alarms was left, so the oldest alarms had to go"
    assert len(seqs) <= 1_000
    notes = store.events(0, 5_000, kind="gateway")
    assert len(notes) == 1
    text = parse_event(notes[0].payload).text
    assert "between seq 91 and" in text
    assert "5 gateway, 5 adjustment, " in text
    store.close()


def test_every_gap_lies_in_a_told_range(tmp_path: Path) -> None:
    """A reader ashore who sees a seq missing finds it inside the range that the surviving event tells."""
    store = opened(tmp_path / "d")
    for _ in range(30):
        store.commit(Batch([event(), event("gateway", what="started"), event()] * 40))
    rows = store.events(0, 5_000)
    assert len(rows) <= 1_000
    missing = set(range(1, rows[-1].seq + 1)) - {row.seq for row in rows}
    told = [parse_event(row.payload) for row in rows if row.kind == "gateway" and b"events-dropped" in row.payload]
    assert len(told) == 1
    first, last = (int(word) for word in told[0].text.partition("seq ")[2].partition(":")[0].split(" and "))
    assert min(missing) == first
    assert max(missing) <= last
    store.close()


def test_page_limit_is_never_reached(tmp_path: Path) -> None:
    """By size as by rows: the store sheds before SQLite's page limit, and goes on taking events."""
    store = opened(tmp_path / "d", keep_events=1_000_000)
    for _ in range(40):
        store.commit(Batch([event(text="x" * 2_000)] * 200))
    assert (tmp_path / "d" / "state.db").stat().st_size < 8 * 1024 * 1024
    assert store.backlog("ship").dropped > 0
    assert store.events(0, 1, newest_first=True)[0].seq >= 8_000
    store.close()


def test_nearly_full_tells_undelivered_events(tmp_path: Path) -> None:
    """Four fifths of the outbox undelivered is said; a full outbox of delivered rows is not worth a word."""
    store = opened(tmp_path / "d")
    assert store.nearly_full is None
    store.commit(Batch([event()] * 799))
    assert store.nearly_full is None
    store.commit(Batch([event()]))
    assert "800 undelivered" in (store.nearly_full or "")
    OutboxReader(tmp_path / "d", "ship", store.acks).done(800, [])
    store.commit()
    assert store.nearly_full is None
    store.close()


def test_checkpoints_survive_and_none_is_none(tmp_path: Path) -> None:
    """The latest checkpoint of a key comes back after a restart."""
    store = opened(tmp_path / "d")
    store.commit(Batch(checkpoints={"alarms": {"lag-near": "acknowledged"}, "zero": 17.35}))
    store.commit(Batch(checkpoints={"zero": 17.5}))
    store.close()
    store = opened(tmp_path / "d")
    assert (store.checkpoint("alarms"), store.checkpoint("zero"), store.checkpoint("x")) == (
        {"lag-near": "acknowledged"}, 17.5, None,
    )  # fmt: skip
    store.close()


def test_old_retained_topics_are_forgotten(tmp_path: Path) -> None:
    """Topics left over from old settings do not pile up."""
    store = opened(tmp_path / "d")
    for start in range(0, 1_200, 100):
        store.commit(Batch((), [NewRetained(f"t/{n}", "alarm", b"{}") for n in range(start, start + 100)]))
    reader = StateReader(tmp_path / "d")
    kept = {row.topic for row in reader.retained()}
    assert len(kept) == 1_000
    assert "t/1199" in kept
    assert "t/0" not in kept
    store.close()


def test_reader_beside_the_daemon_cannot_write(tmp_path: Path) -> None:
    """`status` and `export` read while the daemon holds the folder, and can change nothing."""
    store = opened(tmp_path / "d")
    store.commit(Batch([event()]))
    reader = StateReader(tmp_path / "d")
    assert reader.gateway_id() == store.gateway_id
    assert reader.brokers() == ["ship"]
    assert [row.seq for row in reader.events(0, 5)] == [1]
    with pytest.raises(StorageError, match="read-only"):
        reader._all("DELETE FROM event RETURNING seq")
    with pytest.raises(StorageError, match="none yet"):
        StateReader(tmp_path / "elsewhere")
    store.close()


def test_settings_of_the_file(tmp_path: Path) -> None:
    """The file stands in the write-ahead mode and with the durability that the store promises."""
    store = opened(tmp_path / "d")
    read = {name: store._db.execute(f"PRAGMA {name}").fetchone()[0] for name in (
        "journal_mode", "synchronous", "auto_vacuum", "page_size", "foreign_keys", "busy_timeout", "max_page_count",
    )}  # fmt: skip
    assert read == {
        "journal_mode": "wal", "synchronous": 2, "auto_vacuum": 2, "page_size": 4096, "foreign_keys": 1,
        "busy_timeout": 5000, "max_page_count": 2048,
    }  # fmt: skip
    assert (tmp_path / "d").stat().st_mode & 0o777 == 0o700
    store.close()


def test_file_of_a_newer_version_is_refused_untouched(tmp_path: Path) -> None:
    """An older camdrift does not touch what a newer one wrote."""
    opened(tmp_path / "d").close()
    path = tmp_path / "d" / "state.db"
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version=99")
    db.execute(f"PRAGMA application_id={APPLICATION_ID + 99}")
    db.close()
    with pytest.raises(Refused, match="newer camdrift"):
        opened(tmp_path / "d")
    assert not list((tmp_path / "d").glob("*corrupt*"))
