"""Events and bookings as the page lists them, and as CSV."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from gateway.encode.topics import Topics
from gateway.model.settings import EngineSettings
from gateway.outlets.page.inputs import StateRows
from gateway.outlets.page.shapes import BookingsAnswer, EventsAnswer, EventsQuery
from gateway.wear.bookings import Entry, as_data, entries_csv, safe_cell
from gateway.wear.logbook import rebase

PAGE_ROWS = 500
PAGES_MAX = 40
"""So many pages of the store are looked through for one page of what was asked for: 20,000 events."""
_COLUMNS = (
    "seq", "ts", "engine", "hours", "kind", "tag", "priority", "from", "to", "value", "limit", "unit", "what", "by",
    "text", "causes", "before", "after", "version",
)  # fmt: skip


def events_answer(topics: Topics, rows: StateRows, q: EventsQuery) -> EventsAnswer:
    """A page of events, newest first. Raises StorageError."""
    before = q.before if q.before is not None else _newest(rows) + 1
    found: list[dict[str, Any]] = []
    page: Sequence[Any] = ()
    for _ in range(PAGES_MAX):
        if before <= 1 or len(found) > q.limit:
            break
        # Rows are counted without gaps, and those below the first one kept are gone.
        page = rows.events(max(0, before - 1 - PAGE_ROWS), min(PAGE_ROWS, before - 1))
        page = [row for row in page if row.seq < before]
        if not page:
            break
        before = page[0].seq
        found += [e for row in reversed(page) if (e := _event(topics, row, q)) is not None]
    more = len(found) > q.limit
    found = found[: q.limit]
    older = found[-1]["seq"] if more else before if before > 1 and page else None
    return EventsAnswer(events=tuple(found), older=older)


def events_csv(topics: Topics, rows: StateRows, q: EventsQuery) -> str:
    """The same as CSV (RFC 4180). Raises StorageError."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(_COLUMNS)
    for event in events_answer(topics, rows, q).events:
        writer.writerow([_cell(event.get(c)) for c in _COLUMNS])
    return out.getvalue()


def bookings_answer(e: EngineSettings, log: Sequence[Entry]) -> BookingsAnswer:
    """The log book as it stands."""
    rows = tuple(as_data(entry) for entry in log)
    return BookingsAnswer(bookings=rows, faults=rebase(e, log).faults)


def bookings_table(log: Sequence[Entry]) -> str:
    """The log book as CSV."""
    return entries_csv(log)


def _newest(rows: StateRows) -> int:
    last = rows.events(0, 1, newest_first=True)
    return int(last[0].seq) if last else 0


def _event(topics: Topics, row: Any, q: EventsQuery) -> dict[str, Any] | None:
    engine = _engine_of(topics, row.topic)
    if (q.kind is not None and row.kind != q.kind) or (q.engine is not None and engine != q.engine):
        return None
    body: dict[str, Any] = json.loads(row.payload)
    return body | {"engine": engine}


def _engine_of(topics: Topics, topic: str) -> str | None:
    middle = topic.removeprefix(topics.root).removesuffix("/event").strip("/")
    return middle or None


def _cell(value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, Mapping | list | tuple):
        return safe_cell(json.dumps(value, ensure_ascii=False, separators=(",", ":")))
    return safe_cell(value) if isinstance(value, str) else value
