"""Events and bookings as the page lists them, and as CSV."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gateway.encode.topics import Topics
from gateway.model.csv_text import csv_text
from gateway.model.settings import EngineSettings
from gateway.outlets.page.inputs import StateRows
from gateway.outlets.page.mask import Mask
from gateway.outlets.page.shapes import BookingsAnswer, EventsAnswer, EventsQuery
from gateway.wear.bookings import Entry, as_data, entries_csv
from gateway.wear.logbook import rebase

PAGE_ROWS = 500
PAGES_MAX = 40
"""So many pages of the store are looked through for one page of what was asked for: 20,000 events."""
TABLE_ROWS = 100
"""Of the table made at a time: some 30 kB, all that one download costs."""
_COLUMNS = (
    "seq", "ts", "engine", "hours", "kind", "tag", "priority", "from", "to", "value", "limit", "unit", "what", "by",
    "text", "causes", "before", "after", "version", "why", "action",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class EventPage:
    """Events newest first, and the seq below which the next page begins; 1: there is none."""

    events: list[dict[str, Any]]
    before: int


def event_page(
    topics: Topics, rows: StateRows, q: EventsQuery, before: int, count: int, mask: Mask | None = None
) -> EventPage:
    """Of the `count` events below `before` those that are asked for, through `mask`. Raises StorageError."""
    # Rows are counted without gaps, and those below the first one kept are gone.
    found = rows.events(max(0, before - 1 - count), min(count, before - 1))
    found = [row for row in found if row.seq < before]
    if not found:
        return EventPage([], 1)
    events = [e for row in reversed(found) if (e := _event(topics, row, q)) is not None]
    return EventPage([mask.event(e) for e in events] if mask else events, found[0].seq)


def newest(rows: StateRows, q: EventsQuery) -> int:
    """The `before` of the first page. Raises StorageError."""
    if q.before is not None:
        return q.before
    last = rows.events(0, 1, newest_first=True)
    return int(last[0].seq) + 1 if last else 1


def events_answer(topics: Topics, rows: StateRows, q: EventsQuery, mask: Mask | None = None) -> EventsAnswer:
    """A page of events, newest first. Raises StorageError."""
    before = newest(rows, q)
    found: list[dict[str, Any]] = []
    for _ in range(PAGES_MAX):
        if before <= 1 or len(found) > q.limit:
            break
        page = event_page(topics, rows, q, before, PAGE_ROWS, mask)
        before = page.before
        found += page.events
    more = len(found) > q.limit
    found = found[: q.limit]
    older = found[-1]["seq"] if more else before if before > 1 else None
    return EventsAnswer(events=tuple(found), older=older)


def csv_head() -> bytes:
    """The first line of the table of events (RFC 4180)."""
    return csv_text([_COLUMNS]).encode()


def csv_rows(events: Sequence[Mapping[str, Any]]) -> bytes:
    """Events as lines of that table."""
    return csv_text([event.get(c) for c in _COLUMNS] for event in events).encode()


def bookings_answer(e: EngineSettings, log: Sequence[Entry]) -> BookingsAnswer:
    """The log book as it stands."""
    rows = tuple(as_data(entry) for entry in log)
    return BookingsAnswer(bookings=rows, faults=rebase(e, log).faults)


def bookings_table(log: Sequence[Entry]) -> str:
    """The log book as CSV."""
    return entries_csv(log)


def _event(topics: Topics, row: Any, q: EventsQuery) -> dict[str, Any] | None:
    engine = _engine_of(topics, row.topic)
    if (q.kind is not None and row.kind != q.kind) or (q.engine is not None and engine != q.engine):
        return None
    body: dict[str, Any] = json.loads(row.payload)
    return body | {"engine": engine}


def _engine_of(topics: Topics, topic: str) -> str | None:
    middle = topic.removeprefix(topics.root).removesuffix("/event").strip("/")
    return middle or None
