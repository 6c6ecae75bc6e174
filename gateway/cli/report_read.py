"""What the report needs from the store, read beside a running daemon or without one."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

from pydantic import ValidationError

from gateway.encode.checked import parse_event, parse_trend
from gateway.encode.messages import AdjustmentEvent, AlarmEvent, TrendMessage, utc_of
from gateway.encode.topics import Topics
from gateway.model.errors import Refused
from gateway.model.settings import EngineSettings, Settings
from gateway.report.alarms import Ledger, moved
from gateway.report.facts import EngineFacts, Period, ShipFacts
from gateway.report.hours import Counter, Span, counter_at, coverage, run_between
from gateway.report.plot import Point
from gateway.report.work import SIDE_H, Side, edge, work
from gateway.store.history import HistoryReader, ReadingRow
from gateway.store.reader import StateReader
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import Entry
from gateway.wear.course import GAP_STEPS, Datums, band_mm, booked_between, broken, elongation_percent

POINTS = 560
"""About one for each step that can be distinguished on paper."""
PAGE = 1_000
SIDE_ROWS = 400
"""More than the ten-minute medians of two days."""
EVER = 4e9


class Record:
    """Both files of the store, open for reading. Raises StorageError where one is not there."""

    def __init__(self, data_dir: Path) -> None:
        self.state = StateReader(data_dir)
        self.history = HistoryReader(data_dir)

    def close(self) -> None:
        """Close both."""
        self.state.close()
        self.history.close()

    def latest_s(self, slugs: Sequence[str]) -> float:
        """UTC of the newest on record, 0 without any: a simulated voyage may lie ahead of the clock on the wall."""
        newest = self.state.events(0, 1, newest_first=True)
        medians = [c[0] for slug in slugs if (c := self.history.counter(slug, 0.0, EVER, last=True))]
        return max([0.0, *(utc_of(row.utc) for row in newest), *medians])

    def events(self) -> Iterator[tuple[str, AlarmEvent | AdjustmentEvent]]:
        """Topic and event of all alarms and adjustments kept, in the order of the record."""
        after = 0
        while rows := self.state.events(after, PAGE):
            after = rows[-1].seq
            for row in rows:
                event = None if row.kind == "gateway" else _parsed(row.payload)
                if isinstance(event, AlarmEvent | AdjustmentEvent):
                    yield row.topic, event

    def log(self, slug: str) -> list[Entry]:
        """The log book as it can be read; what cannot, the daemon reports."""
        found = []
        for row in self.state.bookings(slug):
            try:
                found.append(read_entry(row.entry))
            except Refused:
                continue
        return found


def _parsed(payload: bytes) -> Any:
    try:
        return parse_event(payload)
    except ValidationError:
        # One that an older or a newer version wrote; the others still count.
        return None


@dataclass(slots=True)
class Readings:
    """The counter's last reading up to a time, and its first one after it."""

    utc_s: float
    before: Counter | None = None
    after: Counter | None = None

    def take(self, c: Counter | None) -> None:
        """One reading."""
        if c is None:
            return
        if c[0] <= self.utc_s and (self.before is None or c[0] > self.before[0]):
            self.before = c
        elif c[0] > self.utc_s and (self.after is None or c[0] < self.after[0]):
            self.after = c


def ship_facts(
    settings: Settings, record: Record, slugs: Sequence[str], period: Period, now_s: float, version: str
) -> ShipFacts:
    """All of the report for these engines. Raises StorageError."""
    topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
    engine_of = {topics.event(e.slug): e.slug for e in settings.engine}
    ledger = Ledger(period.from_s, period.to_s)
    ends = {slug: (Readings(period.from_s), Readings(period.to_s)) for slug in slugs}
    for topic, event in record.events():
        slug = engine_of.get(topic)
        if isinstance(event, AlarmEvent):
            ledger.take(moved(event, slug))
        if slug in ends and event.hours is not None:
            for end in ends[slug]:
                end.take((utc_of(event.ts), event.hours))
    kept = {row.topic: row.payload for row in record.state.retained()}
    engines = []
    for slug in slugs:
        trend = _trend(kept.get(topics.trend(slug)))
        engines.append(_EngineRead(settings, slug, record, period, ends[slug], trend).facts(ledger))
    first = record.state.events(0, 1)
    alarms_from_s = max(period.from_s, utc_of(first[0].utc)) if first else None
    return ShipFacts(
        vessel=settings.vessel.name,
        period=period,
        made_s=now_s,
        version=version,
        engines=engines,
        alarms=ledger.counts(lambda engine: engine is None),
        alarms_from_s=alarms_from_s,
        load=None if alarms_from_s is None else ledger.load(alarms_from_s),
    )


def _trend(payload: bytes | None) -> TrendMessage | None:
    try:
        return None if payload is None else parse_trend(payload)
    except ValidationError:
        # One of another version; it is renewed within the hour.
        return None


class _EngineRead:
    """Reads one engine's part."""

    def __init__(
        self,
        settings: Settings,
        slug: str,
        record: Record,
        period: Period,
        ends: tuple[Readings, Readings],
        trend: TrendMessage | None,
    ) -> None:
        self._e: EngineSettings = next(e for e in settings.engine if e.slug == slug)
        self._bursts = next(h for h in settings.head if h.slug == self._e.head).burst_pause_s > 0
        self._record, self._history, self._p, self._ends, self._trend = record, record.history, period, ends, trend
        self._log = record.log(slug)
        self._datums = Datums(self._e, self._log)

    def facts(self, ledger: Ledger) -> EngineFacts:
        """All of it."""
        e, p, slug = self._e, self._p, self._e.slug
        steady = self._history.steady(slug, p.from_s, p.to_s)
        start, end, watched_from_s = self._counters()
        first_s = steady.first[0] if steady.first else p.from_s
        first, last = self._sides(steady.first, steady.last)
        points = self._points()
        return EngineFacts(
            settings=e,
            run_h=run_between(start, end),
            counter_h=end,
            watched_from_s=watched_from_s,
            coverage=coverage(steady, e.ratio, bursts=self._bursts),
            measured_h=(steady.first[1], steady.last[1]) if steady.first and steady.last else None,
            first=first,
            last=last,
            first_free_mm=self._datums.at(first_s).free_length_mm,
            first_elongation_percent=elongation_percent(e, self._datums.at(first_s), first.lag_deg),
            last_elongation_percent=elongation_percent(e, self._datums.at(p.to_s), last.lag_deg),
            datum=self._datums.at(p.to_s),
            trend=self._trend,
            courses=self._courses(points),
            bands=self._bands(),
            work=[work(n, x, self._around(x.hours)) for n, x in enumerate(self._booked(), 1)],
            alarms=ledger.counts(lambda engine: engine == slug),
        )

    def _booked(self) -> list[Entry]:
        return booked_between(self._log, self._p.from_s, self._p.to_s)

    def _around(self, hours: float) -> Sequence[Any]:
        return self._history.since_hours(self._e.slug, hours - SIDE_H, SIDE_ROWS)

    def _sides(self, first: Counter | None, last: Counter | None) -> tuple[Side, Side]:
        if first is None or last is None:
            return Side(None, None), Side(None, None)
        rows = self._history.since_hours(self._e.slug, first[1], SIDE_ROWS)
        late = self._history.since_hours(self._e.slug, last[1] - SIDE_H, SIDE_ROWS)
        within = [[m for m in side if self._p.from_s <= m.utc_s < self._p.to_s] for side in (rows, late)]
        return edge(within[0], first[1], first[1] + SIDE_H), edge(within[1], last[1] - SIDE_H, last[1] + 1e-6)

    # -- the counter -----------------------------------------------------------------------------------------------

    def _counters(self) -> tuple[Span | None, Span | None, float | None]:
        """The counter at both ends; where its record begins inside the period, at that time, and that time."""
        slug = self._e.slug
        for x in self._ends:
            x.take(self._history.counter(slug, 0.0, x.utc_s, last=True))
            x.take(self._history.counter(slug, x.utc_s, EVER))
            x.take(self._trend_counter())
            x.take(self._checkpoint_counter())
        start, end = (counter_at(x.utc_s, x.before, x.after) for x in self._ends)
        after = self._ends[0].after
        if start is None and after is not None and after[0] < self._p.to_s:
            return Span(after[1], after[1]), end, after[0]
        return start, end, None

    def _trend_counter(self) -> Counter | None:
        t = self._trend
        return None if t is None or t.hours is None else (utc_of(t.ts), t.hours)

    def _checkpoint_counter(self) -> Counter | None:
        """The daemon's own counter as it last kept it."""
        kept: Any = self._record.state.checkpoint(f"engine/{self._e.slug}")
        try:
            line = kept["timeline"]
            return float(line["t_us"]) / 1e6 + float(line["utc_offset_s"]), float(kept["meter"]["hours"]["hours"])
        except (KeyError, TypeError, ValueError):
            # None yet, or another version's; the other readings stand.
            return None

    # -- courses ---------------------------------------------------------------------------------------------------

    def _points(self) -> list[tuple[float, Any]]:
        p = self._p
        found: list[ReadingRow] = self._history.median_points(self._e.slug, p.from_s, p.to_s, POINTS)
        apart = median([b.utc_s - a.utc_s for a, b in pairwise(found)]) if len(found) > 1 else 0.0
        gap_s = GAP_STEPS * max((p.to_s - p.from_s) / POINTS, 600.0, apart)
        return broken(found, lambda r: r.utc_s, lambda r: r.values, gap_s)

    def _courses(self, points: Sequence[tuple[float, Any]]) -> dict[str, list[Point]]:
        courses = {name: [(t, v.get(name)) for t, v in points] for name in ("lag_deg", "spring_mm", "rpm")}
        courses["elongation_percent"] = [
            (t, elongation_percent(self._e, self._datums.at(t), v.get("lag_deg"))) for t, v in points
        ]
        return courses

    def _bands(self) -> list[tuple[float, float, float]]:
        found: list[tuple[float, float, float]] = []
        for utc_s in [self._p.from_s, *(x.utc_s for x in self._booked())]:
            d = self._datums.at(utc_s)
            _, low, high = band_mm(self._e, d.free_length_mm, d.locked_at_mm)
            if not found or found[-1][1:] != (low, high):
                found.append((utc_s, low, high))
        return found
