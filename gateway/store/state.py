"""The only owner of `state.db`: events, retained values, checkpoints of the pipeline, and each broker's place.

Everything that must not be forgotten goes through `commit`, in one transaction with `synchronous=FULL`: what it has
returned survives kill -9 and a power cut. `seq` is given inside that transaction and never given twice: the next one is
one above the highest row, or above `floor`, which each deletion writes with itself (so a commit writes no counter).

A damaged file is set aside and a new one begun. The new file has a new `gateway_id`; since readers know an event by
(gateway, seq), its seq may start at 1 again without ever meeting an old one. Checkpoints and undelivered events of the
damaged file are not carried over: `recovered_from` names it, and the daemon raises `storage-fault`.
"""

import json
import sqlite3
import threading
import uuid
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.encode.messages import event_payload, rfc3339
from gateway.model.errors import StorageError
from gateway.model.settings import GatewaySettings
from gateway.store import outbox
from gateway.store.database import PAGE_BYTES, connect, error_code, open_file, pages_used, storage_error, transaction
from gateway.store.folder import BALLAST_BYTES, Ballast, Folder
from gateway.store.outbox import SHED_ROWS_MAX, Backlog, EventRow, Loss

AUDIT_DAYS = 90
"""Delivered events stay at least so long when there is room."""
RETAINED_TOPICS_MAX = 1_000
"""16 engines with 21 alarms and a trend each need 355; more can only be left over from old settings."""
PAGES_SHARE_MAX = 0.9
NEARLY_FULL_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class NewEvent:
    """An event to store. `body`: all but `v`, `gateway` and `seq`; `kind`: alarm, adjustment or gateway."""

    topic: str
    kind: str
    body: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class NewRetained:
    """The present value of a retained topic; `klass`: alarm or trend. The latest wins."""

    topic: str
    klass: str
    payload: bytes


class StateReader:
    """Reads `state.db`, also beside a running daemon. Safe to call from any thread. Raises StorageError."""

    def __init__(self, data_dir: Path) -> None:
        self._path = data_dir / "state.db"
        self._lock = threading.Lock()
        if not self._path.exists():
            raise StorageError(f"{self._path}: there is none yet; `camdrift run` makes it")
        try:
            self._db = connect(self._path, synchronous="FULL", read_only=True)
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None

    def gateway_id(self) -> str:
        """The name under which this store counts its seq."""
        return str(self._all("SELECT value FROM fact WHERE key='gateway_id'")[0][0])

    def checkpoint(self, key: str) -> object | None:
        """What was last kept under `key`, from JSON; None if nothing was."""
        rows = self._all("SELECT value FROM checkpoint WHERE key=?", key)
        return json.loads(rows[0][0]) if rows else None

    def backlog(self, broker: str) -> Backlog:
        """What `broker` has not got yet; all zero for a name that is not in the settings."""
        rows = self._all("SELECT place, dropped, classes FROM broker WHERE name=? AND active=1", broker)
        if not rows:
            return Backlog(0, None, 0, 0)
        place, dropped, classes = rows[0]
        if "event" not in classes.split():
            return Backlog(0, None, place, dropped)
        oldest = self._all("SELECT utc FROM event WHERE seq > ? ORDER BY seq LIMIT 1", place)
        count = self._all("SELECT count(*) FROM event WHERE seq > ?", place)[0][0]
        return Backlog(count, oldest[0][0] if oldest else None, place, dropped)

    def brokers(self) -> list[str]:
        """Names in the settings."""
        return [name for (name,) in self._all("SELECT name FROM broker WHERE active=1 ORDER BY name")]

    def events(
        self, after_seq: int, limit: int, *, kind: str | None = None, newest_first: bool = False
    ) -> list[EventRow]:
        """A page of events above `after_seq`, by seq; `newest_first` gives the last ones, latest on top."""
        order = "DESC" if newest_first else "ASC"
        rows = self._all(
            "SELECT seq, topic, kind, payload, utc FROM event WHERE seq > ?1 AND (?2 IS NULL OR kind = ?2) "
            f"ORDER BY seq {order} LIMIT ?3",
            after_seq,
            kind,
            limit,
        )
        return [EventRow(*row) for row in rows]

    def retained(self) -> list[outbox.RetainedRow]:
        """Every retained value as it stands."""
        rows = self._all("SELECT topic, klass, rev, payload FROM retained ORDER BY topic")
        return [outbox.RetainedRow(*row) for row in rows]

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            self._db.close()

    def _all(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        try:
            with self._lock:
                return self._db.execute(sql, values).fetchall()
        except sqlite3.Error as e:
            raise storage_error(self._path, e) from None


class StateStore:
    """Opens, locks and writes the store; `brokers` maps each name to the classes of message it wants.

    `events_topic`: where the gateway's own events go (default `<topic_prefix>/event`). `recovered_from`: where a
    damaged file was put, or None. Raises StorageError where the disk refuses, Refused where another process holds the
    folder or a newer camdrift wrote it.
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
        self._events_topic = events_topic or f"{settings.topic_prefix}/event"
        self._lock = threading.RLock()
        self._last = self._rows = self._rev = 0
        self._folder = Folder(data_dir)
        try:
            self._ballast = Ballast(data_dir, ballast_bytes)
            self._db, self.recovered_from = self._open()
            self._begin(brokers)
            self._reader = StateReader(data_dir)
        except BaseException:
            self._folder.close()
            raise
        self._ballast.restore()

    @property
    def nearly_full(self) -> str | None:
        """Why room is short, or None: the disk's reserve is gone, or what no broker has got yet fills the store."""
        if not self._ballast.there:
            return "the disk is full: its reserve had to be used; free some space"
        with self._lock:
            waiting = min(self._rows, self._last - self._least_place())
            share = max(
                self._rows / self._settings.keep_events, pages_used(self._db) / self._max_pages if self._rows else 0.0
            )
        if self._rows and share * waiting / self._rows >= NEARLY_FULL_SHARE:
            return f"{waiting} undelivered events nearly fill the outbox; see to the broker that does not take them"
        return None

    def commit(
        self,
        events: Sequence[NewEvent] = (),
        retained: Sequence[NewRetained] = (),
        checkpoints: Mapping[str, object] | None = None,
    ) -> list[int]:
        """Take all of it in one transaction, or nothing; returns the events' seqs.

        Raises StorageError when the disk refuses (no seq is used up), TypeError or ValueError for what JSON cannot say.
        """
        with self._lock:
            try:
                return self._commit(events, retained, checkpoints or {})
            except sqlite3.Error as e:
                if error_code(e) not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
                    raise storage_error(self._path, e) from None
            try:
                self._make_room()
                return self._commit(events, retained, checkpoints or {})
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

    def prune(self, now_utc: float) -> int:
        """Hourly, at `now_utc` (seconds since 1970): old delivered rows, bounds, ballast; returns the rows removed."""
        before = rfc3339(now_utc - AUDIT_DAYS * 86_400)
        with self._lock:
            start = self._rows
            try:
                for _ in range(20):
                    if not self._take_out(
                        lambda: outbox.delete_done(self._db, self._least_place(), SHED_ROWS_MAX, before)
                    ):
                        break
                if self._excess(0):
                    with transaction(self._db):
                        last, rows = self._keep_bounds(self._last, self._rows, 0, rfc3339(now_utc))
                    self._last, self._rows = last, rows
                self._restore_ballast()
            except sqlite3.Error as e:
                raise storage_error(self._path, e) from None
            return max(0, start - self._rows)

    def close(self) -> None:
        """Close the file and give the folder free."""
        with self._lock:
            self._reader.close()
            self._db.close()
            self._folder.close()

    # ---- opening

    def _open(self) -> tuple[sqlite3.Connection, Path | None]:
        limit = self._settings.state_mb * 1024 * 1024
        self._max_pages = int(limit / PAGE_BYTES)
        try:
            return open_file(self._path, "state", synchronous="FULL", max_bytes=limit)
        except StorageError:
            # On a full disk not even the shared-memory file can be made; the ballast pays for it.
            if not self._ballast.release():
                raise
            return open_file(self._path, "state", synchronous="FULL", max_bytes=limit)

    def _begin(self, brokers: Mapping[str, frozenset[str]]) -> None:
        try:
            with transaction(self._db):
                self._db.execute("INSERT OR IGNORE INTO fact VALUES ('gateway_id', ?)", (str(uuid.uuid4()),))
                self.gateway_id = str(self._fact("gateway_id"))
                highest, rows = self._db.execute("SELECT coalesce(max(seq), 0), count(*) FROM event").fetchone()
                self._rows = int(rows)
                self._last = max(int(highest), int(self._fact("floor") or 0))
                self._rev = int(self._db.execute("SELECT coalesce(max(rev), 0) FROM retained").fetchone()[0])
                outbox.register_brokers(self._db, brokers, self._last)
        except sqlite3.Error as e:
            self._db.close()
            raise storage_error(self._path, e) from None

    # ---- committing; `_last`, `_rows` and `_rev` follow only after COMMIT

    def _commit(
        self, events: Sequence[NewEvent], retained: Sequence[NewRetained], checkpoints: Mapping[str, object]
    ) -> list[int]:
        kept = [(key, json.dumps(value, allow_nan=False, separators=(",", ":"))) for key, value in checkpoints.items()]
        seqs: list[int] = []
        with transaction(self._db):
            last, rows = self._last, self._rows
            if events and self._excess(len(events)):
                last, rows = self._keep_bounds(last, rows, len(events), _utc_of(events[-1].body))
            for event in events:
                last += 1
                self._insert(last, event.topic, event.kind, event.body)
                seqs.append(last)
            rev = self._put_retained(retained)
            self._db.executemany(
                "INSERT INTO checkpoint VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value=excluded.value", kept
            )
        self._last, self._rows, self._rev = last, rows + len(seqs), rev
        return seqs

    def _insert(self, seq: int, topic: str, kind: str, body: Mapping[str, object]) -> None:
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
        if rev > self._rev:
            self._forget_old_topics()
        return rev

    def _forget_old_topics(self) -> None:
        over = self._db.execute("SELECT count(*) FROM retained").fetchone()[0] - RETAINED_TOPICS_MAX
        if over > 0:
            gone = self._db.execute("SELECT topic FROM retained ORDER BY rev LIMIT ?", (over,)).fetchall()
            self._db.executemany("DELETE FROM retained WHERE topic=?", gone)
            self._db.executemany("DELETE FROM retained_done WHERE topic=?", gone)

    # ---- bounds

    def _excess(self, coming: int) -> int:
        """Rows to take out so that `coming` more fit; 0 while there is room."""
        step = min(SHED_ROWS_MAX, max(1, self._settings.keep_events // 100))
        over = self._rows + coming - self._settings.keep_events
        if over > 0:
            return max(over, step)
        if pages_used(self._db) > PAGES_SHARE_MAX * self._max_pages:
            return max(step, min(SHED_ROWS_MAX, self._rows // 20))
        return 0

    def _keep_bounds(self, last: int, rows: int, coming: int, utc: str) -> tuple[int, int]:
        """Make room inside the open transaction; returns the last seq and the rows as they are then."""
        excess = self._excess(coming)
        gone = outbox.delete_done(self._db, self._least_place(), excess)
        loss = None
        if gone < excess:
            loss = outbox.drop_undelivered(self._db, excess - gone, self._note_seq())
        if loss is not None:
            rows -= sum(loss.counts.values())
            last, rows = self._tell_loss(loss, last, rows, utc)
        self._set_fact("floor", last)
        return last, rows - gone

    def _tell_loss(self, loss: Loss, last: int, rows: int, utc: str) -> tuple[int, int]:
        note = self._note()
        if note is not None and note[0] > self._least_place():
            # It has not reached every broker: the new one tells both losses, and the old one's own seq is in the range.
            loss = loss.joined(note[1]).joined(Loss(note[0], note[0], {}))
            rows -= self._db.execute("DELETE FROM event WHERE seq=?", (note[0],)).rowcount
        seq = last + 1
        self._insert(seq, self._events_topic, "gateway", outbox.loss_body(loss, utc))
        self._set_fact("note", json.dumps([seq, loss.first_seq, loss.last_seq, dict(loss.counts)]))
        return seq, rows + 1

    def _note(self) -> tuple[int, Loss] | None:
        text = self._fact("note")
        if text is None:
            return None
        seq, first, last, counts = json.loads(text)
        return seq, Loss(first, last, counts)

    def _note_seq(self) -> int | None:
        note = self._note()
        return note[0] if note else None

    def _least_place(self) -> int:
        """Up to here every row is done by all; where no broker wants events, all rows are."""
        return min(outbox.places(self._db).values(), default=self._last)

    def _take_out(self, delete: Callable[[], int]) -> int:
        with transaction(self._db):
            gone = delete()
            if gone:
                self._set_fact("floor", self._last)
        self._rows -= gone
        return gone

    def _make_room(self) -> None:
        """The disk is full: give back the ballast and free pages of delivered rows. Nothing undelivered goes for a full
        disk, only for the store's own bounds."""
        self._ballast.release()
        self._take_out(lambda: outbox.delete_done(self._db, self._least_place(), SHED_ROWS_MAX))

    def _restore_ballast(self) -> None:
        if not self._ballast.restore():
            self._db.execute("PRAGMA incremental_vacuum(2048)").fetchall()
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            self._ballast.restore()

    def _fact(self, key: str) -> str | None:
        row = self._db.execute("SELECT value FROM fact WHERE key=?", (key,)).fetchone()
        return None if row is None else str(row[0])

    def _set_fact(self, key: str, value: object) -> None:
        self._db.execute(
            "INSERT INTO fact VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value=excluded.value", (key, str(value))
        )


def _utc_of(body: Mapping[str, object]) -> str:
    ts = body.get("ts")
    if not isinstance(ts, str):
        raise ValueError(f"an event without its time: {dict(body)!r:.200}")
    return ts
