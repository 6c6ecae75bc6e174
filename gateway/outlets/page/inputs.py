"""What the page reads and where its acts go: narrow, so that it knows neither pipeline nor store."""

import json
import threading
import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from pydantic import ValidationError

from gateway.encode.checked import parse_trend
from gateway.encode.shapes import TrendMessage
from gateway.encode.topics import Topics
from gateway.model.errors import Refused, StorageError
from gateway.model.settings import Settings
from gateway.model.snapshot import SnapshotReader
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import Entry

KEPT_S = 5.0
"""Trends change by the hour and bookings by the day: so long may the page's picture of them be old."""
BOOKINGS_MAX = 2_000


class Point(Protocol):
    """A row of the history: means over an interval that begins at `utc_s`."""

    @property
    def utc_s(self) -> float: ...

    @property
    def values(self) -> Mapping[str, float | None]: ...


class HistoryRows(Protocol):
    """Reads the history, from any thread. Raises StorageError."""

    def median_points(self, engine: str, from_utc: float, to_utc: float, points: int) -> Sequence[Point]:
        """Ten-minute medians, at most `points` rows."""

    def readings(self, engine: str, from_utc: float, to_utc: float, points: int) -> Sequence[Point]:
        """Minute means, at most `points` rows."""

    def trends(self, engine: str, from_utc: float, to_utc: float, limit: int) -> Sequence[tuple[float, bytes]]:
        """(UTC, payload) of the trends kept, one a day, oldest first."""

    def kept_between(self, topic: str, from_utc: float, to_utc: float, limit: int) -> Sequence[tuple[int, bytes]]:
        """(seq, payload) of the events kept for years, by seq."""

    def close(self) -> None:
        """Let go of the file."""


class KeptPhotos(Protocol):
    """Keeps and gives the photos of notes, from any thread. Raises StorageError."""

    def keep(self, data: bytes, used: Callable[[], Collection[str]]) -> str:
        """The name of the kept photo; `used`: the names that stand in notes. Raises Refused."""

    def read(self, name: str) -> bytes | None:
        """The photo, `None` where there is none of this name."""

    def has(self, name: str) -> bool:
        """Whether there is one of this name."""


class StateRows(Protocol):
    """Reads events, retained states and bookings, from any thread. Raises StorageError."""

    def events(
        self, after_seq: int, limit: int, *, kind: str | None = None, newest_first: bool = False
    ) -> Sequence[Any]:
        """Rows with `seq`, `topic`, `kind`, `payload`."""

    def retained(self) -> Sequence[Any]:
        """Rows with `topic`, `payload`."""

    def bookings(self, engine: str) -> Sequence[Any]:
        """Rows with `entry`."""

    def close(self) -> None:
        """Let go of the file."""


Sheet = Callable[[str, Mapping[str, str]], Mapping[str, Any]]
"""`sheet(engine, typed)` gives a work sheet as `SheetAnswer` has it; `typed` may bring a pressure file as `file`.

Raises Refused where a figure typed cannot be."""


def _no_commissioning(_request: dict[str, Any], _by: str) -> dict[str, Any]:
    raise Refused("there is no commissioning here")


def _no_note(_what: str, _text: str) -> None:
    return None


def _no_report(_engine: str | None, _from_s: float, _to_s: float, _names: bool, _kind: str) -> bytes:
    raise Refused("no reports are made here")


@dataclass(frozen=True, slots=True)
class PageInputs:
    """All that the page is given. Every call may come from any thread.

    `act(request, who)`: does one request, as the desk takes it; raises Refused with the reason. `status`: what
    `camdrift status` shows. `note(what, text)`: puts a log-in, or a refused one, on the durable record. `sheets`: work
    sheets by name, with their titles. `report(engine, from_s, to_s, names, kind)`: a period's report, with people's
    names or without; `kind`: "html", "pdf", or "survey" for a ZIP of the survey file and its tables.
    `commission(request, by)`: what a commissioning shows; changes go by `act`. `photos`: those of notes, `None`
    where none are taken.
    """

    settings: Settings
    version: str
    board: SnapshotReader
    history: Callable[[], HistoryRows]
    state: Callable[[], StateRows]
    act: Callable[[dict[str, Any], str], dict[str, Any]]
    status: Callable[[], dict[str, Any]]
    note: Callable[[str, str], None] = _no_note
    report: Callable[[str | None, float, float, bool, str], bytes] = _no_report
    sheets: Mapping[str, tuple[str, Sheet]] = field(default_factory=dict)
    commission: Callable[[dict[str, Any], str], dict[str, Any]] = _no_commissioning
    photos: KeptPhotos | None = None

    @property
    def topics(self) -> Topics:
        """Topics of this vessel."""
        return Topics(self.settings.gateway.topic_prefix, self.settings.vessel.slug)

    def engine_name(self, slug: str) -> str:
        """The engine's name, or its slug where none is set."""
        return next((e.name or e.slug for e in self.settings.engine if e.slug == slug), slug)


class StoreReaders:
    """What the page keeps in hand from the disk: readers, trends, bookings. Safe from any thread.

    While the disk fails, what was read last stands.
    """

    def __init__(self, inputs: PageInputs) -> None:
        self._in = inputs
        self._lock = threading.Lock()
        self._history: HistoryRows | None = None
        self._state: StateRows | None = None
        self._trends: dict[str, TrendMessage] = {}
        self._books: dict[str, list[Entry]] = {}
        self._due_s = 0.0

    def history(self) -> HistoryRows:
        """The history's reader. Raises StorageError."""
        with self._lock:
            if self._history is None:
                self._history = self._in.history()
            return self._history

    def state(self) -> StateRows:
        """The state's reader. Raises StorageError."""
        with self._lock:
            if self._state is None:
                self._state = self._in.state()
            return self._state

    def reopen(self) -> None:
        """A reader failed: the next one is opened again, for the file may be another by now."""
        with self._lock:
            readers: tuple[HistoryRows | StateRows | None, ...] = (self._history, self._state)
            self._history = self._state = None
        for reader in readers:
            if reader is not None:
                reader.close()

    def trend(self, engine: str) -> TrendMessage | None:
        """The trend as last published; `None` before the first."""
        self._renew()
        return self._trends.get(engine)

    def bookings(self, engine: str) -> list[Entry]:
        """The engine's log book, oldest first."""
        self._renew()
        return self._books.get(engine, [])

    def forget(self) -> None:
        """Something was booked: read again at the next question."""
        self._due_s = 0.0

    def close(self) -> None:
        """Let go of the files."""
        self.reopen()

    def _renew(self) -> None:
        now_s = time.monotonic()
        if now_s < self._due_s:
            return
        self._due_s = now_s + KEPT_S
        try:
            state = self.state()
            kept = {row.topic: row.payload for row in state.retained()}
            for e in self._in.settings.engine:
                payload = kept.get(self._in.topics.trend(e.slug))
                trend = None if payload is None else _trend(payload)
                if trend is not None:
                    self._trends[e.slug] = trend
                self._books[e.slug] = _entries(state.bookings(e.slug)[-BOOKINGS_MAX:])
        except StorageError:
            self.reopen()


def _trend(payload: bytes) -> TrendMessage | None:
    try:
        return parse_trend(payload)
    except ValidationError:
        # One of another version; it is renewed within the hour.
        return None


def _entries(rows: Sequence[Any]) -> list[Entry]:
    found = []
    for row in rows:
        entry = row.entry if isinstance(row.entry, Mapping) else json.loads(row.entry)
        try:
            found.append(read_entry(dict(entry)))
        except (Refused, ValueError):
            # The daemon's log reports it; a page without that one booking is better than none.
            continue
    return found
