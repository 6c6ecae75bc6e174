"""The outbox's bounds to the row: what is taken out, what is told of it, and that the store counts as its file does."""

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway.encode.checked import parse_event
from gateway.model.output import Batch
from gateway.model.settings import GatewaySettings
from gateway.store.acks import BrokerAcks
from gateway.store.bounds import fact
from gateway.store.state import NewBooking, NewEvent, StateStore

SHIP = frozenset({"event", "alarm", "trend"})
TS = "2026-03-01T12:00:00.000Z"
ROOM = 20


def opened(folder: Path, *brokers: str) -> StateStore:
    """A store with room for twenty events."""
    settings = GatewaySettings(keep_events=ROOM, state_mb=8)
    return StateStore(folder, settings, brokers=dict.fromkeys(brokers, SHIP), ballast_bytes=4_096)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[StateStore]:
    """With two brokers that want everything."""
    made = opened(tmp_path, "ship", "shore")
    yield made
    made.close()


def event(kind: str = "alarm", ts: str = TS) -> NewEvent:
    return NewEvent("t", kind, {"ts": ts, "kind": kind})


def done(store: StateStore, seq: int, *brokers: str) -> None:
    for broker in brokers:
        store.acks.add(broker, BrokerAcks(seq))
    store.commit()


def seqs(store: StateStore) -> list[int]:
    return [row.seq for row in store.events(0, 1_000)]


def told(store: StateStore) -> list[str]:
    """What the events that explain a gap say."""
    rows = store.events(0, 1_000, kind="gateway")
    return [parse_event(row.payload).text for row in rows if b"events-dropped" in row.payload]


def counted(store: StateStore) -> tuple[int, int]:
    """Rows and highest seq as the file has them."""
    count, last = store._db.execute("SELECT count(*), coalesce(max(seq), 0) FROM event").fetchone()
    return count, max(last, int(fact(store._db, "floor") or 0))


@pytest.mark.parametrize("seed", range(6))
def test_the_store_counts_as_its_file_does(seed: int, tmp_path: Path) -> None:
    """After any mix of commits, acknowledgements, losses, prunings and restarts: rows and seq to the row; never more
    rows than allowed but for the one that explains; every seq given once."""
    rng = random.Random(seed)
    store, given = opened(tmp_path, "ship", "shore"), 0
    places = {"ship": 0, "shore": 0}
    for _ in range(60):
        what = rng.choice(["commit", "commit", "commit", "done", "prune", "restart"])
        if what == "commit":
            kinds = rng.choices(["alarm", "adjustment", "gateway"], [4, 1, 1], k=rng.randint(1, 9))
            got = store.commit(Batch([event(kind) for kind in kinds]))
            assert got == list(range(got[0], got[0] + len(kinds))) and got[0] > given
            given = got[-1]
        elif what == "done":
            name = rng.choice(list(places))
            places[name] = rng.randint(places[name], given)
            done(store, places[name], name)
        elif what == "prune":
            store.prune(rng.choice([1.7e9, 4e9]))
        else:
            store.close()
            store = opened(tmp_path, "ship", "shore")
        assert (store._rows, store._last) == counted(store)
        assert store._rows <= ROOM + 1
    store.close()


def test_only_what_is_wanted_is_dropped_undelivered(store: StateStore, tmp_path: Path) -> None:
    """Ten are to go and four are delivered: six undelivered ones go, the oldest, and not one more."""
    store.commit(Batch([event()] * ROOM))
    done(store, 4, "ship", "shore")
    store.commit(Batch([event()] * 10))
    assert [store.backlog(name).dropped for name in ("ship", "shore")] == [6, 6]
    assert seqs(store)[0] == 11
    assert told(store) == [
        "The store was full: events dropped undelivered between seq 5 and 10: 6 alarm",
    ]


def test_a_loss_counts_for_those_that_had_not_got_it(store: StateStore, tmp_path: Path) -> None:
    """What one broker has acknowledged is none of its losses, its last one included."""
    store.commit(Batch([event()] * ROOM))
    done(store, 5, "ship")
    store.commit(Batch([event()] * 8))
    assert (store.backlog("ship").dropped, store.backlog("shore").dropped) == (3, 8)


def test_kinds_go_in_order_and_stop_when_it_is_enough(store: StateStore) -> None:
    """Two of the gateway's and one adjustment make three; neither a second adjustment nor an alarm goes with them."""
    store.commit(Batch([event()] * 16 + [event("gateway")] * 2 + [event("adjustment")] * 2))
    store.commit(Batch([event()] * 3))
    assert told(store) == [
        "The store was full: events dropped undelivered between seq 17 and 19: 2 gateway, 1 adjustment",
    ]
    assert [row.seq for row in store.events(0, 100, kind="adjustment")] == [20]


def test_where_no_broker_wants_events_the_oldest_go_without_a_word(tmp_path: Path) -> None:
    """Nothing was to be delivered, so nothing is lost and there is nothing to explain."""
    store = opened(tmp_path)
    for _ in range(5):
        store.commit(Batch([event()] * 8))
    assert seqs(store) == list(range(21, 41))
    store.close()


def test_a_loss_that_everybody_knows_is_not_told_again(store: StateStore, tmp_path: Path) -> None:
    """Once its event has reached all, the next loss is told by itself."""
    store.commit(Batch([event()] * ROOM))
    store.commit(Batch([event()] * 2))
    assert told(store) == ["The store was full: events dropped undelivered between seq 1 and 2: 2 alarm"]
    done(store, 21, "ship", "shore")
    store.commit(Batch([event()] * ROOM))
    store.commit(Batch([event()] * 5))
    (text,) = told(store)
    first = int(text.partition("between seq ")[2].split()[0])
    assert first > 21, text


def test_the_gap_is_dated_by_the_events_that_made_it(store: StateStore) -> None:
    """The event that explains it has the time of the newest of those that came, not of the disk's clock."""
    store.commit(Batch([event()] * ROOM))
    store.commit(Batch([event(ts="2026-03-02T00:00:00.000Z"), event(ts="2026-03-03T00:00:00.000Z")]))
    (row,) = [r for r in store.events(0, 100) if b"events-dropped" in r.payload]
    assert row.utc == "2026-03-03T00:00:00.000Z"


def test_what_was_taken_out_leaves_its_seq_with_the_store(store: StateStore, tmp_path: Path) -> None:
    """Each deletion writes how far seqs were given, in its own transaction, so that none is given twice."""
    store.commit(Batch([event()] * ROOM))
    assert fact(store._db, "floor") is None
    store.commit(Batch([event()] * 3))
    assert fact(store._db, "floor") == "21"
    done(store, 24, "ship", "shore")
    store.prune(4e9)
    assert (seqs(store), fact(store._db, "floor")) == ([], "24")


def test_a_full_disk_pays_with_delivered_rows_first(store: StateStore, tmp_path: Path) -> None:
    """While the disk is tight each commit takes as many delivered rows out as it brings and one more, nothing else."""
    store.commit(Batch([event()] * 12))
    done(store, 6, "ship", "shore")
    store._tight = True
    store.commit(Batch([event()] * 2))
    assert (seqs(store)[0], store._rows) == (4, 11)
    store.commit(Batch([event()] * 9))
    assert (seqs(store)[0], store._rows) == (7, 17)
    assert (store._rows, store._last) == counted(store)
    assert [store.backlog(name).dropped for name in ("ship", "shore")] == [0, 0]


def test_the_log_book_is_read_through_the_store(store: StateStore) -> None:
    """Its own engine's, and a booking's id only once."""
    booking = NewBooking("main", "a", "hand-play", TS, "{}")
    store.commit(Batch(bookings=[booking, NewBooking("aux", "a", "hand-play", TS, "{}")]))
    assert [b.engine for b in store.bookings("main")] == ["main"]
    with pytest.raises(ValueError, match="not for the store"):
        store.commit(Batch([event()], bookings=[booking]))
    assert seqs(store) == []
