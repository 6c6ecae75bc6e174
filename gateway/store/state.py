"""The only owner of `state.db`: events, retained values, log book, checkpoints, and each broker's place.

Everything that must not be forgotten goes through `commit`, in one transaction with `synchronous=FULL`: what it has
returned survives kill -9 and a power cut. `seq` is given inside that transaction and never given twice: the next one is
one above the highest row, or above `floor`, which each deletion writes with itself (so a commit writes no counter).

A damaged file is replaced: what can be read is carried over (`opening.py`), bookings also from their second copy
(`logbook.py`). The new file has a new `gateway_id`, since the last seq of the old one may be among what was lost, and
readers know an event by (gateway, seq). Events carried over keep their seq and their gateway; new ones count on above.
"""

import sqlite3
import threading
import time
import uuid
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import astuple
from pathlib import Path

import structlog

from gateway import __version__
from gateway.encode.messages import event_payload, gateway_event_body, rfc3339, utc_of
from gateway.model.errors import StorageError
from gateway.model.output import Batch, NewBooking, NewEvent, NewRetained
from gateway.model.settings import GatewaySettings
from gateway.store import acks, outbox, trends
from gateway.store.acks import Acknowledgements
from gateway.store.bad_rows import BAD_ROWS
from gateway.store.bounds import Bounds, fact, set_fact
from gateway.store.database import (
    LOG_PAGES,
    PAGE_BYTES,
    damaged_schema,
    error_code,
    give_back,
    steps_done,
    storage_error,
    transaction,
)
from gateway.store.folder import BALLAST_BYTES, Ballast, Folder
from gateway.store.logbook import Logbook
from gateway.store.opening import Plan, Renewal, open_file
from gateway.store.outbox import DROP_ORDER, SHED_ROWS_MAX, Backlog, EventRow
from gateway.store.reader import BookingRow, SheetActRow, StateReader, packed
from gateway.store.schema import foreign_object
from gateway.store.tables import STATE
from gateway.store.trends import TrendRow

EMPTY = Batch()
AUDIT_DAYS = 90
"""Delivered events stay at least so long when there is room."""
RETAINED_TOPICS_MAX = 1_000
"""16 engines with 22 alarms and a trend each need 368; more can only be left over from old settings."""
NEARLY_FULL_SHARE = 0.8
TIGHT_LOG_PAGES = 50
TIGHT_ROWS = 50
"""On a full disk the log must not eat the room that the rows need."""
_INSERT_COPIED = (
    "INSERT INTO booking (engine, id, kind, utc, entry) VALUES (?, ?, ?, ?, ?) ON CONFLICT (engine, id) DO UPDATE "
    "SET kind=excluded.kind, utc=excluded.utc, entry=excluded.entry "
    "WHERE kind <> excluded.kind OR utc <> excluded.utc OR entry <> excluded.entry"
)
"""The second copy has a checksum: where the two differ, it is right."""
_HIGHEST = (
    "SELECT (SELECT coalesce(max(place), 0) FROM broker), max((SELECT coalesce(max(rev), 0) FROM retained), "
    "(SELECT coalesce(max(rev), 0) FROM retained_done), (SELECT coalesce(max(n), 0) FROM trend), "
    "(SELECT coalesce(max(trend_place), 0) FROM broker))"
)
"""After damage a part may be lost: no number is given again that another part still knows."""


class StateStore:
    """Opens, locks and writes the store; `brokers` maps each name to the classes of message it wants, with
    `trends.EVERY_TREND` among them where it wants each trend and not only the latest.

    `acks`: what brokers have acknowledged; each commit takes in what waits there.
    `events_topic`: where the gateway's own events go (default `<topic_prefix>/event`). `renewal`: how a damaged file
    was replaced, or None. Raises StorageError where the disk refuses, Refused where another process holds the folder or
    a newer camdrift wrote it.
    """

    def __init__(
        self,
        data_dir: Path,
        settings: GatewaySettings,
        *,
        brokers: Mapping[str, frozenset[str]],
        events_topic: str | None = None,
        ballast_bytes: int = BALLAST_BYTES,
    ) -> None:
        self._path = data_dir / "state.db"
        self._settings = settings
        self.events_topic = events_topic or f"{settings.topic_prefix}/event"
        self.acks = Acknowledgements()
        self._lock = threading.RLock()
        self._last = self._rows = self._rev = 0
        self._tight = False
        self._folder = Folder(data_dir)
        try:
            self._ballast = Ballast(data_dir, ballast_bytes)
            self._logbook = Logbook(data_dir / "logbook.jsonl")
            self._uncopied: list[NewBooking] = []
            self._db, self.renewal = self._open()
            for name in ("state.db", "history.db"):
                BAD_ROWS.forget(data_dir / name)
            self._begin(brokers)
            self._reader = StateReader(data_dir)
            self._agree_on_bookings()
        except BaseException:
            self._folder.close()
            raise
        self._ballast.restore()

    @property
    def bad_rows(self) -> str | None:
        """Rows of either file that readers had to leave out, and what to do about it; None where there are none."""
        found = [BAD_ROWS.text(self._path.with_name(name)) for name in ("state.db", "history.db")]
        return "; ".join(filter(None, found)) or None

    @property
    def nearly_full(self) -> str | None:
        """Why room is short, or None: the disk's reserve is gone, or what no broker has got yet fills the store."""
        if self.disk_is_tight:
            return f"the disk of {self._path.parent} is nearly full; free some space"
        with self._lock:
            waiting = min(self._rows, self._last - self._bounds.least_place(self._last))
            share = self._bounds.share(self._rows) * waiting / max(1, self._rows)
        if share >= NEARLY_FULL_SHARE:
            return f"{waiting} undelivered events nearly fill the outbox; see to the broker that does not take them"
        return None

    @property
    def disk_is_tight(self) -> bool:
        """Whether the reserve is gone or the disk has less free than the reserve is large."""
        return not self._ballast.there or self._ballast.disk_is_tight()

    def commit(self, batch: Batch = EMPTY) -> list[int]:
        """Take all of it in one transaction, or nothing; returns the events' seqs.

        Raises StorageError when the disk refuses (no seq is used up), TypeError or ValueError for what JSON cannot hold
        and for a booking's id that the engine's log book already has.
        """
        with self._lock:
            try:
                return self._commit(batch)
            except (sqlite3.IntegrityError, sqlite3.InterfaceError, sqlite3.ProgrammingError) as e:
                if self._schema_is_damaged():
                    raise damaged_schema(self._path, e) from None
                raise ValueError(f"not for the store: {e}") from None
            except sqlite3.Error as e:
                if error_code(e) == sqlite3.SQLITE_ERROR and self._schema_is_damaged():
                    raise damaged_schema(self._path, e) from None
                if error_code(e) not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
                    raise storage_error(self._path, e) from None
            try:
                self._make_room()
                return self._commit(batch)
            except sqlite3.Error as e:
                raise storage_error(self._path, e) from None

    @property
    def history_was_there(self) -> bool:
        """Whether `note_history` was ever called on this store."""
        with self._lock:
            return fact(self._db, "history") is not None

    def note_history(self) -> None:
        """Remember that there is a history: from now on a missing one is a loss. Raises StorageError."""
        with self._lock:
            try:
                if fact(self._db, "history") is None:
                    set_fact(self._db, "history", "made")
            except sqlite3.Error as e:
                raise storage_error(self._path, e) from None

    def take_over_from(self, gateway: str, learned: Mapping[str, object]) -> None:
        """At its next start the record names `gateway` as the one that this one continues. `learned`: checkpoints of
        what its trend had learned. Raises StorageError."""
        with self._lock:
            self.commit(Batch(checkpoints=learned))
            try:
                set_fact(self._db, "continues", gateway)
            except sqlite3.Error as e:
                raise storage_error(self._path, e) from None

    def checkpoint(self, key: str) -> object | None:
        """What was last kept under `key`, from JSON; None if nothing was."""
        return self._reader.checkpoint(key)

    def backlog(self, broker: str) -> Backlog:
        """What `broker` has not got yet."""
        return self._reader.backlog(broker)

    def events(
        self, after_seq: int, limit: int, *, kind: str | None = None, newest_first: bool = False
    ) -> list[EventRow]:
        """A page of events above `after_seq`, as StateReader.events."""
        return self._reader.events(after_seq, limit, kind=kind, newest_first=newest_first)

    def bookings(self, engine: str) -> list[BookingRow]:
        """The engine's log book, as StateReader.bookings."""
        return self._reader.bookings(engine)

    def sheet_acts(self) -> list[SheetActRow]:
        """What was done at the work sheets, as StateReader.sheet_acts."""
        return self._reader.sheet_acts()

    def prune(self, now_utc: float) -> int:
        """Hourly, at `now_utc` (seconds since 1970): old delivered rows, bounds, ballast; returns the rows removed."""
        before = rfc3339(now_utc - AUDIT_DAYS * 86_400)
        with self._lock:
            self.commit()
            start = self._rows
            try:
                for _ in range(20):
                    if not self._take_out(SHED_ROWS_MAX, before):
                        break
                with transaction(self._db):
                    last, rows = self._last, self._rows
                    if self._bounds.excess(rows, 0):
                        last, rows = self._bounds.keep(last, rows, 0, rfc3339(now_utc))
                    last, rows = self._bounds.report_dropped_trends(last, rows, rfc3339(now_utc))
                self._last, self._rows = last, rows
                self._restore_ballast()
            except sqlite3.Error as e:
                raise storage_error(self._path, e) from None
            return max(0, start - self._rows)

    def copy_bookings(self) -> bool:
        """Write new bookings to their second copy too; False where there were none. Raises StorageError."""
        with self._lock:
            if not self._uncopied:
                return False
            self._logbook.append([astuple(row) for row in self._uncopied])
            self._uncopied.clear()
            return True

    def close(self) -> None:
        """Close the file and give the folder free."""
        with self._lock:
            for last in (self.commit, self.copy_bookings):
                with suppress(StorageError):
                    last()
            self._reader.close()
            self._db.close()
            self._folder.close()

    def _schema_is_damaged(self) -> bool:
        try:
            return foreign_object(self._db, "state", steps_done(self._db)) is not None
        except sqlite3.Error:
            return True

    # ---- opening

    def _open(self) -> tuple[sqlite3.Connection, Renewal | None]:
        limit = self._settings.state_mb * 1024 * 1024
        plan = Plan("state", "FULL", limit, tables=STATE, seed=self._insert_copied)
        try:
            return open_file(self._path, plan, was_there=self._logbook.there)
        except StorageError:
            # On a full disk not even the shared-memory file can be made; the ballast pays for it.
            if not self._ballast.release():
                raise
            return open_file(self._path, plan, was_there=self._logbook.there)

    def _insert_copied(self, db: sqlite3.Connection) -> int:
        """Write the bookings of the second copy that the file has not, or not so; their number."""
        with transaction(db):
            return max(0, db.executemany(_INSERT_COPIED, self._logbook.read()).rowcount)

    def _agree_on_bookings(self) -> None:
        """File and second copy hold the same bookings from now on, whichever had lost one."""
        known = {line[:2] for line in self._logbook.read()}
        try:
            if n := self._insert_copied(self._db):
                structlog.get_logger("store").warning("logbook.restored", bookings=n)
            rows = self._db.execute("SELECT engine, id, kind, utc, entry FROM booking ORDER BY n").fetchall()
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None
        with suppress(StorageError):
            if self._logbook.damaged or not self._logbook.there:
                self._logbook.rewrite(rows)
            elif new := [row for row in rows if row[:2] not in known]:
                self._logbook.append(new)

    def _begin(self, brokers: Mapping[str, frozenset[str]]) -> None:
        pages = int(self._settings.state_mb * 1024 * 1024 / PAGE_BYTES)
        self._bounds = Bounds(self._db, self._settings.keep_events, pages, self._store_event)
        try:
            with transaction(self._db):
                if self.renewal is not None:
                    self._db.execute("DELETE FROM fact WHERE key='gateway_id'")
                self._db.execute("INSERT OR IGNORE INTO fact VALUES ('gateway_id', ?)", (str(uuid.uuid4()),))
                self.gateway_id = str(fact(self._db, "gateway_id"))
                highest, rows = self._db.execute("SELECT coalesce(max(seq), 0), count(*) FROM event").fetchone()
                self._rows = int(rows)
                place, rev = self._db.execute(_HIGHEST).fetchone()
                self._last = max(int(highest), int(fact(self._db, "floor") or 0), int(place))
                self._rev = int(rev)
                # Where a broker's place was lost with the old file, all that is left goes to it again.
                ends = (self._last, self._rev) if self.renewal is None else (0, 0)
                outbox.register_brokers(self._db, brokers, *ends)
                self._link_to_the_one_before()
                self._every_trend = trends.wanted(self._db)
        except sqlite3.Error as e:
            self._db.close()
            raise storage_error(self._path, e) from None

    # ---- committing; `_last`, `_rows` and `_rev` follow only after COMMIT

    def _commit(self, batch: Batch) -> list[int]:
        events = batch.events
        kept = [(key, packed(value)) for key, value in batch.checkpoints.items()]
        seqs: list[int] = []
        acknowledged = self.acks.waiting()
        with transaction(self._db):
            # First: what is delivered can make room, and counts as no loss.
            acks.put(self._db, acknowledged)
            last, rows = self._last, self._rows
            if events and self._tight:
                # While the disk is full the file need not grow as long as delivered rows can make place.
                rows -= self._bounds.delete_done(last, len(events) + 1, None)
            if events and self._bounds.excess(rows, len(events)):
                last, rows = self._bounds.keep(last, rows, len(events), _utc_of(events[-1].body))
            for event in events:
                last += 1
                self._insert(last, event.topic, event.kind, event.body)
                seqs.append(last)
            rev = self._put_retained(batch.retained)
            self._db.executemany(
                "INSERT INTO checkpoint VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value=excluded.value", kept
            )
            self._db.executemany(
                "INSERT INTO booking (engine, id, kind, utc, entry) VALUES (?, ?, ?, ?, ?)",
                map(astuple, batch.bookings),
            )
            self._db.executemany(
                "INSERT INTO sheet_act (engine, sheet, utc, act) VALUES (?, ?, ?, ?)", map(astuple, batch.sheet_acts)
            )
        self._last, self._rows, self._rev = last, rows + len(seqs), rev
        self._uncopied.extend(batch.bookings)
        self.acks.committed(acknowledged)
        return seqs

    def _link_to_the_one_before(self) -> None:
        """After a restore the record names the gateway whose events and log book this one continues; once."""
        before = fact(self._db, "continues")
        if before is None:
            return
        text = f"this gateway takes over from gateway {before}; it is {self.gateway_id} from now on"
        self._last, self._rows = self._last + 1, self._rows + 1
        self._store_event(self._last, gateway_event_body("restored", time.time(), version=__version__, text=text))
        self._db.execute("DELETE FROM fact WHERE key='continues'")

    def _store_event(self, seq: int, body: Mapping[str, object]) -> None:
        self._insert(seq, self.events_topic, "gateway", body)

    def _insert(self, seq: int, topic: str, kind: str, body: Mapping[str, object]) -> None:
        if kind not in DROP_ORDER:
            raise ValueError(f"an event of unknown kind {kind!r}")
        row = (seq, _utc_of(body), topic, kind, event_payload(self.gateway_id, seq, body))
        self._db.execute("INSERT INTO event (seq, utc, topic, kind, payload) VALUES (?, ?, ?, ?, ?)", row)

    def _put_retained(self, retained: Sequence[NewRetained]) -> int:
        rev = self._rev
        for item in retained:
            # An unchanged value is not written and not sent again.
            changed = self._db.execute(
                "INSERT INTO retained VALUES (?, ?, ?, ?) ON CONFLICT (topic) DO UPDATE "
                "SET klass=excluded.klass, rev=excluded.rev, payload=excluded.payload "
                "WHERE payload <> excluded.payload",
                (item.topic, item.klass, rev + 1, item.payload),
            ).rowcount
            rev += changed > 0
            if changed > 0 and item.klass == "trend" and self._every_trend:
                row = TrendRow(rev, item.topic, item.payload)
                trends.put(self._db, row, pages_short=self._bounds.pages_short())
        if rev > self._rev:
            self._forget_old_topics()
        return rev

    def _forget_old_topics(self) -> None:
        over = self._db.execute("SELECT count(*) FROM retained").fetchone()[0] - RETAINED_TOPICS_MAX
        if over > 0:
            gone = self._db.execute("SELECT topic FROM retained ORDER BY rev LIMIT ?", (over,)).fetchall()
            self._db.executemany("DELETE FROM retained WHERE topic=?", gone)
            self._db.executemany("DELETE FROM retained_done WHERE topic=?", gone)

    # ---- room

    def _take_out(self, step: int, before_utc: str | None) -> int:
        with transaction(self._db):
            gone = self._bounds.delete_done(self._last, step, before_utc)
        self._rows -= gone
        return gone

    def _make_room(self) -> None:
        """The disk is full: give back the ballast, keep the log short from now on, free delivered rows.

        Nothing undelivered goes for a full disk, only for the store's own bounds. The steps are small because each must
        find room in the log; the log itself is not cut, since its length is room that cannot be lost to others.
        """
        self._ballast.release()
        self._tight = True
        for step in (
            lambda: self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall(),
            lambda: self._db.execute(f"PRAGMA wal_autocheckpoint={TIGHT_LOG_PAGES}").fetchall(),
            lambda: self._take_out(TIGHT_ROWS, None),
            lambda: give_back(self._db, TIGHT_LOG_PAGES),
            lambda: self._db.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall(),
        ):
            try:
                step()
            except sqlite3.Error:
                # Each helps without the others; whether it was enough the next try of the commit shows.
                continue

    def _restore_ballast(self) -> None:
        if not self._ballast.restore():
            give_back(self._db, 2_048)
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            self._ballast.restore()
        if self._ballast.there and self._tight:
            self._tight = False
            self._db.execute(f"PRAGMA wal_autocheckpoint={LOG_PAGES}")


def check_storable(item: NewEvent | NewRetained) -> None:
    """Raises TypeError or ValueError for what no disk could take."""
    if isinstance(item, NewRetained):
        if item.klass not in ("alarm", "trend") or not isinstance(item.payload, bytes):
            raise ValueError(f"not a retained value: {item!r:.200}")
        return
    if item.kind not in DROP_ORDER:
        raise ValueError(f"an event of unknown kind {item.kind!r}")
    utc_of(_utc_of(item.body))
    event_payload("", 0, item.body)


def _utc_of(body: Mapping[str, object]) -> str:
    ts = body.get("ts")
    if not isinstance(ts, str):
        raise ValueError(f"an event without its time: {dict(body)!r:.200}")
    return ts
