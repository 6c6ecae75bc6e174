"""Keeping the outbox within its bounds, by the rule written in `outbox.py`. All of it runs inside a transaction."""

import json
import sqlite3
from collections.abc import Callable, Mapping

from gateway.store import outbox, trends
from gateway.store.database import pages_used
from gateway.store.outbox import SHED_ROWS_MAX, Loss

PAGES_SHARE_MAX = 0.9


class Bounds:
    """`store_event(seq, body)` stores the event that explains a loss."""

    def __init__(
        self,
        db: sqlite3.Connection,
        rows_max: int,
        pages_max: int,
        store_event: Callable[[int, Mapping[str, object]], None],
    ) -> None:
        self._db, self._rows_max, self._pages_max, self._store_event = db, rows_max, pages_max, store_event

    def share(self, rows: int) -> float:
        """How full the store is, 0-1, by rows or by pages."""
        return max(rows / self._rows_max, pages_used(self._db) / self._pages_max)

    def excess(self, rows: int, coming: int) -> int:
        """Rows to take out so that `coming` more fit; 0 while there is room."""
        step = min(SHED_ROWS_MAX, max(1, self._rows_max // 100))
        over = rows + coming - self._rows_max
        if over > 0:
            return max(over, step)
        if rows and self.pages_short():
            return max(step, min(SHED_ROWS_MAX, rows // 20))
        return 0

    def pages_short(self) -> bool:
        """Whether the file is nearly as large as it may be."""
        return pages_used(self._db) > PAGES_SHARE_MAX * self._pages_max

    def keep(self, last: int, rows: int, coming: int, utc: str) -> tuple[int, int]:
        """Make room; `last`: the highest seq given. Returns the highest seq and the number of rows as they are then."""
        excess = self.excess(rows, coming)
        gone = outbox.delete_done(self._db, self.least_place(last), excess)
        rows -= gone
        # Short of pages alone: trends are worth less than any event, and a day of them is room for some.
        spared = gone < excess and rows + coming <= self._rows_max and trends.drop(self._db, trends.STEP_ROWS) > 0
        if gone < excess and not spared:
            note = self._note()
            loss = outbox.drop_undelivered(self._db, excess - gone, note[0] if note else None)
            if loss is not None:
                last, rows = self._explain(loss, last, rows - sum(loss.counts.values()), utc)
        set_fact(self._db, "floor", last)
        return last, rows

    def report_dropped_trends(self, last: int, rows: int, utc: str) -> tuple[int, int]:
        """Store the event that reports trends dropped since the last one, if any were; results as of `keep`."""
        lost = trends.newly_dropped(self._db)
        if not lost:
            return last, rows
        self._store_event(last + 1, trends.loss_body(lost, utc))
        return last + 1, rows + 1

    def delete_done(self, last: int, step: int, before_utc: str | None) -> int:
        """Take out up to `step` rows that every broker has got; returns how many."""
        gone = outbox.delete_done(self._db, self.least_place(last), step, before_utc)
        if gone:
            set_fact(self._db, "floor", last)
        return gone

    def least_place(self, last: int) -> int:
        """Up to here every row is done by all; where no broker wants events, all rows are."""
        return min(outbox.places(self._db).values(), default=last)

    def _explain(self, loss: Loss, last: int, rows: int, utc: str) -> tuple[int, int]:
        note = self._note()
        if note is not None and note[0] > self.least_place(last):
            # Some broker has not got it: the new one reports both losses, and the old one's own seq is in its range.
            loss = loss.joined(note[1]).joined(Loss(note[0], note[0], {}))
            rows -= self._db.execute("DELETE FROM event WHERE seq=?", (note[0],)).rowcount
        seq = last + 1
        self._store_event(seq, outbox.loss_body(loss, utc))
        set_fact(self._db, "note", json.dumps([seq, loss.first_seq, loss.last_seq, dict(loss.counts)]))
        return seq, rows + 1

    def _note(self) -> tuple[int, Loss] | None:
        text = fact(self._db, "note")
        if text is None:
            return None
        seq, first, last, counts = json.loads(text)
        return seq, Loss(first, last, counts)


def fact(db: sqlite3.Connection, key: str) -> str | None:
    """What the store remembers of itself under `key`."""
    row = db.execute("SELECT value FROM fact WHERE key=?", (key,)).fetchone()
    return None if row is None else str(row[0])


def set_fact(db: sqlite3.Connection, key: str, value: object) -> None:
    """Remember `value` as text."""
    db.execute("INSERT INTO fact VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value=excluded.value", (key, str(value)))
