"""The outbox: one row per event, one place in it per broker, and the written rule for what goes when it is full.

A broker's *place* is the seq up to which every event is done for it. Events go to a broker strictly by seq. Beside
them, `retained` holds the latest value per topic with a revision; a broker is due what it has not yet acknowledged.

**Bounds.** At most `gateway.keep_events` rows and nine tenths of `gateway.state_mb`. When either is reached, in steps:

1. rows done by every broker and older than 90 days (these also go at each hourly prune, room or not);
2. rows done by every broker, oldest first;
3. undelivered `gateway` events, oldest first;
4. undelivered `adjustment` events, oldest first: they also stand in the log book;
5. undelivered `alarm` events, oldest first.

What is dropped undelivered is counted for each broker that had not got it, and reported in one `gateway` event (first
and last seq, counts by kind) so that the gap in seq is explained ashore. While that event is itself undelivered, a
further loss replaces it by one that reports both; so there is at most one, and it is never dropped.

**Acknowledgements** are handed to the store's writer (`acks.py`); a reader counts them as done at once. While the disk
cannot take them, UNSTORED_MAX events and as many trends are delivered beyond what it holds: so many may come twice
after a kill.

**Trends.** A broker that wants every trend and not only the latest has a second place, in the line of `trends.py`.

**Brokers.** A new name starts at the present end: it is not sent the past (a satellite link would be filled with old
news; what stands now comes with the retained alarms). A name that leaves the settings holds nothing; if it comes back,
it goes on from its place with what is still kept. A broker that does not want events holds none; when it begins to want
them, it starts at the present end. The same holds for every trend.
"""

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from gateway import __version__
from gateway.encode.messages import gateway_event_body, utc_of
from gateway.model.errors import Refused
from gateway.model.settings import BrokerSettings
from gateway.store import trends
from gateway.store.acks import Acknowledgements, BrokerAcks
from gateway.store.bad_rows import BAD_ROWS
from gateway.store.read_only import ReadOnlyFile
from gateway.store.trends import EVERY_TREND, TrendRow

SHED_ROWS_MAX = 5_000
"""Rows taken out in one step, so that no commit waits long for it."""
UNSTORED_MAX = 1_000
"""Events, and trends, that a broker has and the disk could not note; with more, none is due until it can."""
INACTIVE_BROKERS_MAX = 32
"""Names remembered after they left the settings."""

DROP_ORDER = ("gateway", "adjustment", "alarm")
_EVENT = "event"


@dataclass(frozen=True, slots=True)
class EventRow:
    """A stored event; `payload` is the whole message as sent, UTF-8 JSON."""

    seq: int
    topic: str
    kind: str
    payload: bytes
    utc: str = ""


@dataclass(frozen=True, slots=True)
class RetainedRow:
    """The latest value of a retained topic; `rev` rises with each change of any."""

    topic: str
    klass: str
    rev: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Backlog:
    """What a broker has not got yet. `oldest_utc`: time of its oldest undelivered event, RFC 3339."""

    count: int
    oldest_utc: str | None
    place: int
    dropped: int


@dataclass(frozen=True, slots=True)
class Loss:
    """Events dropped undelivered: the range of seq in which they lay, and how many of each kind."""

    first_seq: int
    last_seq: int
    counts: Mapping[str, int]

    def joined(self, other: "Loss") -> "Loss":
        """Both together."""
        counts = {k: self.counts.get(k, 0) + other.counts.get(k, 0) for k in {*self.counts, *other.counts}}
        return Loss(min(self.first_seq, other.first_seq), max(self.last_seq, other.last_seq), counts)


class OutboxReader(ReadOnlyFile):
    """One broker's view, with a connection of its own: use it from that broker's thread only. It never writes.

    Raises Refused for a name the store does not know, StorageError where the disk fails.
    """

    def __init__(self, data_dir: Path, broker: str, acks: Acknowledgements) -> None:
        """`acks`: those of the store; what this broker acknowledges is added there."""
        super().__init__(data_dir / "state.db", "FULL")
        self._broker, self._acks = broker, acks
        self._again: dict[str, int] = {}
        """Topics to be sent again though the broker has acknowledged them, with their revision; the next one first."""
        row = self._all("SELECT classes FROM broker WHERE name=? AND active=1", broker)
        if not row:
            self._db.close()
            raise Refused(f"broker {broker!r} is not in the store; open the store with it among the brokers first")
        self._classes = frozenset(str(row[0][0]).split())

    def retained_due(self, limit: int) -> list[RetainedRow]:
        """Values this broker has not acknowledged: alarms before trends, what it never had before what is only sent
        again, the newest first."""
        acks = self._acks.of(self._broker)
        asked = (self._broker, EVERY_TREND in self._classes, acks.trend, limit + len(acks.states))
        rows = self._all(
            "SELECT r.topic, r.klass, r.rev, r.payload FROM broker b CROSS JOIN retained r LEFT JOIN retained_done d "
            "ON d.broker=b.name AND d.topic=r.topic "
            "WHERE b.name=?1 AND instr(' ' || b.classes || ' ', ' ' || r.klass || ' ') "
            "AND (d.rev IS NULL OR d.rev < r.rev) "
            # What still stands in the line of every trend goes from there, and not past it.
            "AND NOT (?2 AND r.rev > b.trend_place AND r.klass='trend' "
            "AND (r.rev <= ?3 OR EXISTS (SELECT 1 FROM trend t WHERE t.n=r.rev))) "
            "ORDER BY r.klass='trend', r.rev DESC LIMIT ?4",
            *asked,
        )
        due = [RetainedRow(*row) for row in rows if row[2] > acks.states.get(row[0], 0)]
        return sorted(due + self._due_again(limit), key=lambda row: row.klass == "trend")[:limit]

    def _due_again(self, limit: int) -> list[RetainedRow]:
        topics = list(islice(self._again, limit))
        sql = "SELECT topic, klass, rev, payload FROM retained WHERE topic IN (SELECT value FROM json_each(?))"
        rows = self._all(f"{sql} ORDER BY rev DESC", json.dumps(topics)) if topics else []
        same = [RetainedRow(*row) for row in rows if row[2] == self._again[row[0]]]
        for topic in set(topics).difference(row.topic for row in same):
            # It has changed, and is due as a new one is; or it has gone.
            del self._again[topic]
        return same

    def alarm_waits(self) -> int:
        """Revision of the newest alarm state that this broker never had; 0 when it has them all."""
        if "alarm" not in self._classes:
            return 0
        acks = self._acks.of(self._broker)
        rows = self._all(
            "SELECT r.topic, r.rev FROM retained r LEFT JOIN retained_done d ON d.broker=? AND d.topic=r.topic "
            "WHERE r.klass='alarm' AND (d.rev IS NULL OR d.rev < r.rev)",
            self._broker,
        )
        return max((rev for topic, rev in rows if rev > acks.states.get(topic, 0)), default=0)

    def events_due(self, after_seq: int, limit: int) -> list[EventRow]:
        """Undelivered events above `after_seq`, by seq. `after_seq` lets what is in flight be passed over."""
        acked = self._acks.of(self._broker).seq
        stored = self._number("place")
        if _EVENT not in self._classes or acked - stored >= UNSTORED_MAX:
            return []
        rows = self._all(
            "SELECT seq, topic, kind, payload, utc FROM event WHERE seq > ? ORDER BY seq LIMIT ?",
            max(after_seq, acked, stored),
            limit,
        )
        sound = [EventRow(*row) for row in rows if [type(x) for x in row] == [int, str, str, bytes, str]]
        if len(sound) < len(rows):
            BAD_ROWS.note(self._path, "event", rows[0][0])
        return sound

    def first_event(self, first: int, last: int) -> EventRow | None:
        """The lowest sound event from `first` to `last`, delivered or not; for a shore that has lost it."""
        rows = self._all(
            "SELECT seq, topic, kind, payload, utc FROM event WHERE seq BETWEEN ? AND ? "
            "AND typeof(topic)='text' AND typeof(kind)='text' AND typeof(payload)='blob' AND typeof(utc)='text' "
            "ORDER BY seq LIMIT 1",
            first,
            last,
        )
        return EventRow(*rows[0]) if rows else None

    def trends_due(self, after: int, limit: int) -> list[TrendRow]:
        """Trends in line above `after` that this broker has not got, oldest first; none unless it wants every one."""
        acked = self._acks.of(self._broker).trend
        stored = self._number("trend_place")
        if EVERY_TREND not in self._classes or acked - stored >= UNSTORED_MAX:
            return []
        rows = self._all(
            "SELECT n, topic, payload FROM trend WHERE n > ? ORDER BY n LIMIT ?", max(after, acked, stored), limit
        )
        return [TrendRow(*row) for row in rows]

    def done(
        self, upto_seq: int | None, retained: Sequence[tuple[str, int]] = (), upto_trend: int | None = None
    ) -> None:
        """Take a batch of acknowledgements: every event up to `upto_seq`, (topic, rev) pairs, and every trend in line
        up to `upto_trend`. Returns at once; the store's writer commits it."""
        for topic, rev in retained:
            if self._again.get(topic, rev + 1) <= rev:
                del self._again[topic]
        self._acks.add(self._broker, BrokerAcks(upto_seq or 0, upto_trend or 0, dict(retained)))

    def forget_retained(self) -> None:
        """Make every retained value due again, once for this reader: a broker may have lost its own."""
        acks = self._acks.of(self._broker)
        rows = self._all(
            "SELECT r.topic, r.rev, r.rev <= coalesce(d.rev, -1) OR (r.klass='trend' AND r.rev > b.trend_place "
            "AND r.rev <= ?2) FROM broker b CROSS JOIN retained r LEFT JOIN retained_done d "
            "ON d.broker=b.name AND d.topic=r.topic "
            "WHERE b.name=?1 AND instr(' ' || b.classes || ' ', ' ' || r.klass || ' ') "
            "ORDER BY r.klass='trend', r.rev DESC",
            self._broker,
            acks.trend,
        )
        self._again = {topic: rev for topic, rev, had in rows if had or rev <= acks.states.get(topic, 0)}

    def place(self) -> int:
        """Every event up to this seq is done for this broker."""
        return max(self._acks.of(self._broker).seq, self._number("place"))

    def trend_place(self) -> int:
        """Every trend in line up to here is done for this broker."""
        return max(self._acks.of(self._broker).trend, self._number("trend_place"))

    def _number(self, column: str) -> int:
        return int(self._all(f"SELECT {column} FROM broker WHERE name=?", self._broker)[0][0])


def wanted_classes(brokers: Iterable[BrokerSettings]) -> dict[str, frozenset[str]]:
    """Classes of message by broker's name, with `every-trend` among them: what the store is opened with."""
    return {b.name: frozenset([*b.classes, *[EVERY_TREND] * b.every_trend]) for b in brokers}


def register_brokers(
    db: sqlite3.Connection, brokers: Mapping[str, frozenset[str]], last_seq: int, last_rev: int
) -> None:
    """Bring the brokers' rows in line with the settings, by the rule above. Inside a transaction."""
    known = {
        name: frozenset(classes.split()) for name, classes in db.execute("SELECT name, classes FROM broker").fetchall()
    }
    db.execute("UPDATE broker SET active=0")
    for name, classes in brokers.items():
        text = " ".join(sorted(classes))
        if name not in known:
            values = (name, text, last_seq, last_rev)
            db.execute("INSERT INTO broker (name, active, classes, place, trend_place) VALUES (?, 1, ?, ?, ?)", values)
            continue
        db.execute("UPDATE broker SET active=1, classes=? WHERE name=?", (text, name))
        if _EVENT in classes and _EVENT not in known[name]:
            db.execute("UPDATE broker SET place=? WHERE name=?", (last_seq, name))
        if EVERY_TREND in classes and EVERY_TREND not in known[name]:
            db.execute("UPDATE broker SET trend_place=? WHERE name=?", (last_rev, name))
    trends.delete_done(db)
    db.execute("DELETE FROM retained_done WHERE broker IN (SELECT name FROM broker WHERE active=0)")
    db.execute(
        "DELETE FROM broker WHERE active=0 AND name NOT IN "
        "(SELECT name FROM broker WHERE active=0 ORDER BY place DESC LIMIT ?)",
        (INACTIVE_BROKERS_MAX,),
    )


def places(db: sqlite3.Connection) -> dict[str, int]:
    """Place of each broker that wants events."""
    rows = db.execute("SELECT name, place, classes FROM broker WHERE active=1").fetchall()
    return {name: place for name, place, classes in rows if _EVENT in classes.split()}


def delete_done(db: sqlite3.Connection, upto_seq: int, rows: int, before_utc: str | None = None) -> int:
    """Take out the oldest `rows` rows up to `upto_seq` (and before a time, where given); returns how many went."""
    found = db.execute(
        "SELECT seq FROM event WHERE seq <= ? AND (?2 IS NULL OR utc < ?2) ORDER BY seq LIMIT ?3",
        (upto_seq, before_utc, rows),
    ).fetchall()
    db.executemany("DELETE FROM event WHERE seq=?", found)
    return len(found)


def drop_undelivered(db: sqlite3.Connection, rows: int, spare_seq: int | None) -> Loss | None:
    """Drop up to `rows` rows that stand for some broker, in DROP_ORDER, never `spare_seq`; counts them per broker."""
    gone: dict[str, list[int]] = {}
    left = rows
    for kind in DROP_ORDER:
        # The kind stands in the text, not as a parameter: only so does the partial index serve.
        found = db.execute(
            f"SELECT seq FROM event WHERE kind='{kind}' AND seq IS NOT ? ORDER BY seq LIMIT ?", (spare_seq, left)
        ).fetchall()
        if found:
            gone[kind] = [seq for (seq,) in found]
            db.executemany("DELETE FROM event WHERE seq=?", found)
            left -= len(found)
        if left <= 0:
            break
    if not gone:
        return None
    seqs = [seq for group in gone.values() for seq in group]
    for name, place in places(db).items():
        lost = sum(seq > place for seq in seqs)
        db.execute("UPDATE broker SET dropped=dropped+? WHERE name=?", (lost, name))
    return Loss(min(seqs), max(seqs), {kind: len(group) for kind, group in gone.items()})


def loss_body(loss: Loss, utc: str) -> dict[str, object]:
    """The `gateway` event that explains a gap in seq. `utc`: RFC 3339."""
    what = ", ".join(f"{loss.counts[kind]} {kind}" for kind in DROP_ORDER if loss.counts.get(kind))
    text = f"The store was full: events dropped undelivered between seq {loss.first_seq} and {loss.last_seq}: {what}"
    return gateway_event_body("events-dropped", utc_of(utc), version=__version__, text=text)
