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

**Trends.** A broker that wants every trend and not only the latest has a second place, in the line of `trends.py`.

**Brokers.** A new name starts at the present end: it is not sent the past (a satellite link would be filled with old
news; what stands now comes with the retained alarms). A name that leaves the settings holds nothing; if it comes back,
it goes on from its place with what is still kept. A broker that does not want events holds none; when it begins to want
them, it starts at the present end. The same holds for every trend.
"""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway import __version__
from gateway.encode.messages import gateway_event_body, utc_of
from gateway.model.errors import Refused
from gateway.store import trends
from gateway.store.bad_rows import BAD_ROWS
from gateway.store.database import connect, storage_error, text_or_bytes, transaction
from gateway.store.trends import EVERY_TREND, TrendRow

SHED_ROWS_MAX = 5_000
"""Rows taken out in one step, so that no commit waits long for it."""
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


class OutboxReader:
    """One broker's view, with a connection of its own: use it from that broker's thread only.

    Raises Refused for a name the store does not know, StorageError where the disk fails.
    """

    def __init__(self, data_dir: Path, broker: str) -> None:
        self._path = data_dir / "state.db"
        self._broker = broker
        try:
            self._db = connect(self._path, synchronous="FULL")
            self._db.text_factory = text_or_bytes
            row = self._db.execute("SELECT classes FROM broker WHERE name=? AND active=1", (broker,)).fetchone()
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None
        if row is None:
            self._db.close()
            raise Refused(f"broker {broker!r} is not in the store; open the store with it among the brokers first")
        self._classes = frozenset(str(row[0]).split())

    def retained_due(self, limit: int) -> list[RetainedRow]:
        """Values this broker has not acknowledged: alarms before trends, what it never had before what is only sent
        again, the newest first."""
        wanted = sorted(self._classes & {"alarm", "trend"})
        marks = ",".join("?" * len(wanted))
        # What still stands in the line of every trend goes from there, and not past it.
        in_line = (
            "AND NOT EXISTS (SELECT 1 FROM trend t, broker b WHERE t.n=r.rev AND b.name=? AND t.n > b.trend_place) "
        )
        every = EVERY_TREND in self._classes
        rows = self._all(
            "SELECT r.topic, r.klass, r.rev, r.payload FROM retained r LEFT JOIN retained_done d "
            "ON d.broker=? AND d.topic=r.topic "
            f"WHERE r.klass IN ({marks}) AND (d.rev IS NULL OR d.rev < r.rev) {in_line if every else ''}"
            "ORDER BY r.klass='trend', d.rev IS 0, r.rev DESC LIMIT ?",
            (self._broker, *wanted, *([self._broker] if every else []), limit),
        )
        return [RetainedRow(*row) for row in rows]

    def alarm_waits(self) -> int:
        """Revision of the newest alarm state that this broker never had; 0 when it has them all."""
        if "alarm" not in self._classes:
            return 0
        rows = self._all(
            "SELECT coalesce(max(r.rev), 0) FROM retained r LEFT JOIN retained_done d "
            "ON d.broker=? AND d.topic=r.topic "
            "WHERE r.klass='alarm' AND (d.rev IS NULL OR d.rev < r.rev AND d.rev > 0)",
            (self._broker,),
        )
        return int(rows[0][0])

    def events_due(self, after_seq: int, limit: int) -> list[EventRow]:
        """Undelivered events above `after_seq`, by seq. `after_seq` lets what is in flight be passed over."""
        if _EVENT not in self._classes:
            return []
        rows = self._all(
            "SELECT seq, topic, kind, payload, utc FROM event WHERE seq > max(?, "
            "(SELECT place FROM broker WHERE name=?)) ORDER BY seq LIMIT ?",
            (after_seq, self._broker, limit),
        )
        sound = [EventRow(*row) for row in rows if [type(x) for x in row] == [int, str, str, bytes, str]]
        if len(sound) < len(rows):
            BAD_ROWS.note(self._path, "event", rows[0][0])
        return sound

    def trends_due(self, after: int, limit: int) -> list[TrendRow]:
        """Trends in line above `after` that this broker has not got, oldest first; none unless it wants every one."""
        if EVERY_TREND not in self._classes:
            return []
        try:
            return trends.due(self._db, self._broker, after, limit)
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None

    def done(
        self, upto_seq: int | None, retained: Sequence[tuple[str, int]] = (), upto_trend: int | None = None
    ) -> None:
        """Take a batch of acknowledgements in one transaction: every event up to `upto_seq`, (topic, rev) pairs, and
        every trend in line up to `upto_trend`."""
        if upto_seq is None and not retained and upto_trend is None:
            return
        try:
            with transaction(self._db):
                if upto_seq is not None:
                    self._db.execute("UPDATE broker SET place=max(place, ?) WHERE name=?", (upto_seq, self._broker))
                self._db.executemany(
                    "INSERT INTO retained_done VALUES (?, ?, ?) "
                    "ON CONFLICT (broker, topic) DO UPDATE SET rev=max(rev, excluded.rev)",
                    [(self._broker, topic, rev) for topic, rev in retained],
                )
                if upto_trend is not None:
                    trends.done(self._db, self._broker, upto_trend)
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None

    def forget_retained(self) -> None:
        """Make every retained value due again: for a broker that has lost its own. 0 marks what it once had."""
        try:
            with transaction(self._db):
                self._db.execute(
                    "UPDATE retained_done SET rev=0 WHERE broker=? AND "
                    "rev >= (SELECT rev FROM retained r WHERE r.topic=retained_done.topic)",
                    (self._broker,),
                )
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None

    def place(self) -> int:
        """Every event up to this seq is done for this broker."""
        return int(self._all("SELECT place FROM broker WHERE name=?", (self._broker,))[0][0])

    def trend_place(self) -> int:
        """Every trend in line up to here is done for this broker."""
        return int(self._all("SELECT trend_place FROM broker WHERE name=?", (self._broker,))[0][0])

    def oldest_due_utc(self) -> str | None:
        """Time of the oldest undelivered event, RFC 3339; None when nothing is due."""
        if _EVENT not in self._classes:
            return None
        rows = self._all(
            "SELECT utc FROM event WHERE seq > (SELECT place FROM broker WHERE name=?) ORDER BY seq LIMIT 1",
            (self._broker,),
        )
        return str(rows[0][0]) if rows else None

    def close(self) -> None:
        """Close the connection."""
        self._db.close()

    def _all(self, sql: str, values: Sequence[object]) -> list[tuple[Any, ...]]:
        # fetchall always: a half-read SELECT pins the write-ahead log, which then grows without bound.
        try:
            return self._db.execute(sql, values).fetchall()
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None


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
