"""Events and bookings as the page lists them, and as CSV."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gateway.alarm.table import ROWS
from gateway.alarm.wording import HELP, WORDS
from gateway.encode.event_words import details_of, title_of
from gateway.encode.panel_list import priority_of
from gateway.encode.topics import Topics
from gateway.model.csv_text import csv_text
from gateway.model.settings import EngineSettings, Settings
from gateway.outlets.page.inputs import StateRows
from gateway.outlets.page.mask import Mask
from gateway.outlets.page.shapes import AlarmHelp, BookingsAnswer, EventsAnswer, EventsQuery, HelpAnswer
from gateway.wear.bookings import Entry, as_data, entries_csv
from gateway.wear.logbook import rebase

PAGE_ROWS = 500
PAGES_MAX = 40
"""So many pages of the store are looked through for one page of what was asked for: 20,000 events."""
TABLE_ROWS = 100
"""Of the table made at a time: some 30 kB, all that one download costs."""
_COLUMNS = (
    "seq", "ts", "engine", "hours", "kind", "tag", "priority", "from", "to", "value", "limit", "unit", "what", "by",
    "text", "causes", "before", "after", "version", "why", "action", "title", "details",
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
    events = [e for row in reversed(found) if (e := _event(topics, row, q, mask)) is not None]
    return EventPage(events, found[0].seq)


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


def help_answer(settings: Settings) -> HelpAnswer:
    """Every alarm in words, with its priority in these settings."""
    rows = []
    for row in ROWS:
        words, lines = WORDS[row.tag], HELP[row.tag]
        rows.append(
            AlarmHelp(
                tag=row.tag,
                no=row.no,
                title=words.title,
                priority=priority_of(row.tag, settings),
                action=words.action,
                meaning=lines.meaning,
                causes=lines.causes,
                first=lines.first,
                ashore=lines.ashore,
            )
        )
    return HelpAnswer(alarms=tuple(rows))


def bookings_answer(e: EngineSettings, log: Sequence[Entry]) -> BookingsAnswer:
    """The log book as it stands."""
    rows = tuple(as_data(entry) for entry in log)
    return BookingsAnswer(bookings=rows, faults=rebase(e, log).faults)


def bookings_table(log: Sequence[Entry]) -> str:
    """The log book as CSV."""
    return entries_csv(log)


def _event(topics: Topics, row: Any, q: EventsQuery, mask: Mask | None) -> dict[str, Any] | None:
    engine = _engine_of(topics, row.topic)
    if (q.kind is not None and row.kind != q.kind) or (q.engine is not None and engine != q.engine):
        return None
    body: dict[str, Any] = json.loads(row.payload)
    # A name is half of a log-in: what is left out cannot be searched for either.
    shown = body if mask is None else mask.event(body)
    event = shown | {"engine": engine, "title": title_of(shown), "details": details_of(shown)}
    return event if _is_asked(event, q) else None


def _is_asked(event: Mapping[str, Any], q: EventsQuery) -> bool:
    if q.priority is not None and event.get("priority") != q.priority:
        return False
    if q.by and q.by.casefold() not in str(event.get("by") or "").casefold():
        return False
    text = " ".join(str(event.get(key) or "") for key in ("title", "details", "tag"))
    return q.text.casefold() in text.casefold()


def _engine_of(topics: Topics, topic: str) -> str | None:
    middle = topic.removeprefix(topics.root).removesuffix("/event").strip("/")
    return middle or None
