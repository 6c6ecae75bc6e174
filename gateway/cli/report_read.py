"""What the report needs from the store, read beside a running daemon or without one."""

import contextlib
from base64 import b64encode
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any, Protocol

from pydantic import ValidationError

from gateway import __version__
from gateway.cli.report_asked import Asked, People
from gateway.cli.report_events import Found, events
from gateway.cli.report_survey import commissionings
from gateway.encode.checked import parse_trend
from gateway.encode.messages import TrendMessage, utc_of
from gateway.encode.photo import MEDIA_TYPES
from gateway.encode.topics import Topics
from gateway.model.errors import Refused
from gateway.model.settings import EngineSettings, Settings
from gateway.model.settings_file import fingerprint
from gateway.report.alarms import Ledger
from gateway.report.facts import Commissioning, EngineFacts, Period, ShipFacts
from gateway.report.hours import Counter, Coverage, Span, counter_at, coverage, run_between
from gateway.report.plot import Point as Drawn
from gateway.report.sheets import sheets_done
from gateway.report.survey_tables import Point
from gateway.report.words import day, minute
from gateway.report.work import SIDE_H, AtHours, Picture, Side, edge, work
from gateway.store.history import HistoryReader
from gateway.store.photos import Photos
from gateway.store.reader import StateReader
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import Entry, Note
from gateway.wear.course import GAP_STEPS, Datums, band_mm, booked_between, broken, elongation_percent
from gateway.worksheet.record import SheetAct, read_act

POINTS = 560
"""About one for each step that can be distinguished on paper."""
KNOWN_H = 2.0
"""Running hours that are known better than this are data of a period, also without a reading in it."""
SIDE_ROWS = 400
"""More than the ten-minute medians of two days."""
EVER = 4e9
PHOTOS_BYTES_MAX = 4_000_000
"""In one report, which goes by mail."""


class History(Protocol):
    """Courses over time, of the record aboard or of what is kept ashore. Times: seconds since 1970."""

    def counter(self, engine: str, from_utc: float, to_utc: float, *, last: bool = False) -> Counter | None:
        """(UTC, running hours) of the first, or the last, row in [from, to)."""

    def since_hours(self, engine: str, hours: float, limit: int) -> Sequence[AtHours]:
        """Rows from these running hours on, by hours."""

    def median_points(self, engine: str, from_utc: float, to_utc: float, points: int) -> Sequence[Point]:
        """Rows in [from, to) averaged into at most `points` intervals."""

    def trends(self, engine: str, from_utc: float, to_utc: float, limit: int) -> list[tuple[float, bytes]]:
        """(UTC, payload) of a day's last trend, oldest first."""

    def trend_at(self, engine: str, utc_s: float) -> tuple[float, bytes] | None:
        """The last trend up to that time."""


class Kept(Protocol):
    """What a report is made from: the record aboard, or what is kept of it ashore."""

    @property
    def history(self) -> History:
        """Courses over time."""

    def close(self) -> None:
        """Close it."""

    def latest_s(self, slugs: Sequence[str]) -> float:
        """UTC of the newest on record, 0 without any."""

    @property
    def ashore(self) -> Sequence[str]:
        """Empty aboard; else what is not known ashore, in sentences."""

    def events(self, settings: Settings) -> Iterator[tuple[str | None, dict[str, Any], bool]]:
        """Engine, event, and whether all others of its time are on record too; in the order of the record."""

    def log(self, slug: str) -> list[Entry]:
        """The log book as far as it can be read."""

    def newest_trend(self, settings: Settings, slug: str) -> bytes | None:
        """The newest trend's message."""

    def sheet_acts(self, slug: str) -> list[tuple[str, dict[str, Any]]]:
        """What was done at the work sheets: the sheet's name, and the act."""

    def photo_data(self, name: str) -> str | None:
        """A note's photo as a `data:` address; `None` where it does not go into the report."""

    def checkpoint(self, slug: str) -> object:
        """The engine's checkpoint."""

    def coverage(self, e: EngineSettings, p: Period, *, bursts: bool) -> Coverage:
        """What was measured."""

    def commissionings(self, settings: Settings, slugs: Sequence[str]) -> list[Commissioning]:
        """The kept commissioning records."""


class Record:
    """Both files of the store, open for reading. Raises StorageError where one is not there."""

    ashore: Sequence[str] = ()

    def __init__(self, data_dir: Path) -> None:
        self._folder = data_dir
        self.state = StateReader(data_dir)
        self.history = HistoryReader(data_dir)
        self._photos = Photos(data_dir)
        self._photo_bytes_left = PHOTOS_BYTES_MAX

    def close(self) -> None:
        """Close both."""
        self.state.close()
        self.history.close()

    def latest_s(self, slugs: Sequence[str]) -> float:
        """UTC of the newest on record, 0 without any: a simulated voyage may lie ahead of the clock on the wall."""
        newest = self.state.events(0, 1, newest_first=True)
        medians = [c[0] for slug in slugs if (c := self.history.counter(slug, 0.0, EVER, last=True))]
        return max([0.0, *(utc_of(row.utc) for row in newest), *medians])

    def photo_data(self, name: str) -> str | None:
        """A photo as a `data:` address; `None` where it is not kept, or too many have been given already."""
        data = self._photos.read(name)
        if data is None or len(data) > self._photo_bytes_left:
            return None
        self._photo_bytes_left -= len(data)
        return f"data:{MEDIA_TYPES[name.rpartition('.')[2]]};base64,{b64encode(data).decode()}"

    def log(self, slug: str) -> list[Entry]:
        """The log book as far as it can be read; what cannot, the daemon reports."""
        found = []
        for row in self.state.bookings(slug):
            try:
                found.append(read_entry(row.entry))
            except Refused:
                continue
        return found

    def events(self, settings: Settings) -> Iterator[tuple[str | None, dict[str, Any], bool]]:
        """Those of the outbox, before them those that are kept for longer."""
        topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
        engine_of = {topics.event(e.slug): e.slug for e in settings.engine}
        for _, topic, body, whole in events(self.state, self.history):
            yield engine_of.get(topic), body, whole

    def newest_trend(self, settings: Settings, slug: str) -> bytes | None:
        """The retained one."""
        topic = Topics(settings.gateway.topic_prefix, settings.vessel.slug).trend(slug)
        return next((row.payload for row in self.state.retained() if row.topic == topic), None)

    def sheet_acts(self, slug: str) -> list[tuple[str, dict[str, Any]]]:
        """All of this engine's."""
        return [(row.sheet, dict(row.act)) for row in self.state.sheet_acts() if row.engine == slug]

    def checkpoint(self, slug: str) -> object:
        """As the daemon last kept it."""
        return self.state.checkpoint(f"engine/{slug}")

    def coverage(self, e: EngineSettings, p: Period, *, bursts: bool) -> Coverage:
        """From the ten-minute medians."""
        return coverage(self.history.steady(e.slug, p.from_s, p.to_s), e.ratio, bursts=bursts)

    def commissionings(self, settings: Settings, slugs: Sequence[str]) -> list[Commissioning]:
        """From the data folder."""
        return commissionings(self._folder, settings, slugs)


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


def ship_facts(settings: Settings, record: Kept, asked: Asked, now_s: float, people: People) -> ShipFacts:
    """All of the report for these engines. Raises StorageError, Refused where the period holds no data."""
    period, slugs = asked.period, asked.slugs
    found = Found(period)
    ends = {slug: (Readings(period.from_s), Readings(period.to_s)) for slug in slugs}
    from_s: float | None = None
    for slug, body, whole in record.events(settings):
        utc_s = utc_of(body["ts"])
        found.take(slug, people.event(body), whole=whole)
        if whole and from_s is None:
            from_s = utc_s
        hours = body.get("hours")
        if slug in ends and isinstance(hours, int | float):
            for end in ends[slug]:
                end.take((utc_s, float(hours)))
    reads = [
        _EngineRead(settings, slug, record, period, ends[slug], _trend(record.newest_trend(settings, slug)), people)
        for slug in slugs
    ]
    engines = [read.facts(found.ledger) for read in reads]
    if not any(read.has_data(e, found) for read, e in zip(reads, engines, strict=True)):
        raise Refused(_no_data(engines, record, period))
    alarms_from_s = None if from_s is None else max(period.from_s, from_s)
    wanted = {None, *slugs}
    return ShipFacts(
        vessel=settings.vessel,
        period=period,
        made_s=now_s,
        version=__version__,
        engines=engines,
        alarms=found.ledger.counts(lambda engine: engine is None),
        alarms_from_s=alarms_from_s,
        load=None if alarms_from_s is None else found.ledger.load(alarms_from_s),
        fingerprint=fingerprint(settings),
        acts=[x for x in found.acts if x.engine in wanted],
        raised=[x for x in found.raised if x.engine in wanted],
        starts=found.starts,
        survey=asked.survey,
        ashore=record.ashore,
        commissionings=record.commissionings(settings, slugs) if asked.survey else (),
    )


def _no_data(engines: Sequence[EngineFacts], record: Kept, period: Period) -> str:
    names = " and ".join(e.settings.name or e.settings.slug for e in engines)
    firsts = [c[0] for e in engines if (c := record.history.counter(e.settings.slug, 0.0, EVER))]
    begins = f"readings are on record from {day(min(firsts))} on" if firsts else "no readings are on record at all"
    return (
        f"no data of {names} from {minute(period.from_s)} to {minute(period.to_s)}: no readings, no events, no work "
        f"booked, and the running hours are not known; {begins}. Give another period. No report was made"
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
        record: Kept,
        period: Period,
        ends: tuple[Readings, Readings],
        latest: TrendMessage | None,
        people: People,
    ) -> None:
        self._e: EngineSettings = next(e for e in settings.engine if e.slug == slug)
        self._bursts = next(h for h in settings.head if h.slug == self._e.head).burst_pause_s > 0
        self._people = people
        self._record, self._history, self._p, self._ends, self._latest = record, record.history, period, ends, latest
        self._log = [people.entry(x) for x in record.log(slug)]
        self._datums = Datums(self._e, self._log)

    def facts(self, ledger: Ledger) -> EngineFacts:
        """All of it."""
        e, p, slug = self._e, self._p, self._e.slug
        opened = self._history.counter(slug, p.from_s, p.to_s)
        closed = self._history.counter(slug, p.from_s, p.to_s, last=True)
        start, end, watched_from_s = self._counters()
        first_s = opened[0] if opened else p.from_s
        first, last = self._sides(opened, closed)
        points = self._points()
        sheets = sheets_done(e, self._log, self._acts())
        return EngineFacts(
            settings=e,
            run_h=run_between(start, end),
            counter_h=end,
            watched_from_s=watched_from_s,
            coverage=self._record.coverage(e, p, bursts=self._bursts),
            measured_h=(opened[1], closed[1]) if opened and closed else None,
            first=first,
            last=last,
            first_free_mm=self._datums.at(first_s).free_length_mm,
            first_elongation_percent=elongation_percent(e, self._datums.at(first_s), first.lag_deg),
            last_elongation_percent=elongation_percent(e, self._datums.at(p.to_s), last.lag_deg),
            datum=self._datums.at(p.to_s),
            log=booked_between(self._log, 0.0, p.to_s),
            trend=self._trend_then(),
            trends_from_s=self._trends_from_s(),
            courses=self._courses(points),
            bands=self._bands(),
            work=[
                work(n, x, self._around(x.hours), sheets.get(x.id), self._pictures(x))
                for n, x in enumerate(self._booked(), 1)
            ],
            alarms=ledger.counts(lambda engine: engine == slug),
        )

    def has_data(self, e: EngineFacts, found: Found) -> bool:
        """Is anything of this engine or of the gateway on record, or are at least the hours that it ran known?"""
        known = e.run_h is not None and e.run_h.high - e.run_h.low <= KNOWN_H
        return known or e.measured_h is not None or bool(e.work) or bool(found.seen & {None, e.settings.slug})

    def _trend_then(self) -> TrendMessage | None:
        """The last trend on record up to the period's end."""
        kept = self._history.trend_at(self._e.slug, self._p.to_s)
        trends = [t for t in (self._latest, _trend(kept and kept[1])) if t is not None]
        return max((t for t in trends if utc_of(t.ts) <= self._p.to_s), key=lambda t: utc_of(t.ts), default=None)

    def _trends_from_s(self) -> float | None:
        kept = [utc_s for utc_s, _ in self._history.trends(self._e.slug, 0.0, EVER, 1)]
        return min([*kept, *([] if self._latest is None else [utc_of(self._latest.ts)])], default=None)

    def _acts(self) -> list[tuple[str, SheetAct]]:
        """What was done at the work sheets, with people's names as they are shown; what cannot be read is left out."""
        found = []
        for sheet, act in self._record.sheet_acts(self._e.slug):
            shown = self._people.event({"by": act.get("by"), "why": act.get("reason", "")})
            with contextlib.suppress(TypeError, ValueError):
                found.append((sheet, read_act({**act, "by": shown["by"], "reason": shown["why"]})))
        return found

    def _booked(self) -> list[Entry]:
        return booked_between(self._log, self._p.from_s, self._p.to_s)

    def _pictures(self, entry: Entry) -> list[Picture]:
        """The photos of a note, until those of this report are too many; then their names."""
        names = entry.photos if isinstance(entry, Note) else []
        return [Picture(name, self._record.photo_data(name)) for name in names]

    def _around(self, hours: float) -> Sequence[AtHours]:
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
        t = self._latest
        return None if t is None or t.hours is None else (utc_of(t.ts), t.hours)

    def _checkpoint_counter(self) -> Counter | None:
        """The daemon's own counter as it last kept it."""
        kept: Any = self._record.checkpoint(self._e.slug)
        try:
            line = kept["timeline"]
            return float(line["t_us"]) / 1e6 + float(line["utc_offset_s"]), float(kept["meter"]["hours"]["hours"])
        except (KeyError, TypeError, ValueError):
            # None yet, or another version's; the other readings stand.
            return None

    # -- courses ---------------------------------------------------------------------------------------------------

    def _points(self) -> list[tuple[float, Any]]:
        p = self._p
        found = self._history.median_points(self._e.slug, p.from_s, p.to_s, POINTS)
        apart = median([b.utc_s - a.utc_s for a, b in pairwise(found)]) if len(found) > 1 else 0.0
        gap_s = GAP_STEPS * max((p.to_s - p.from_s) / POINTS, 600.0, apart)
        return broken(found, lambda r: r.utc_s, lambda r: r.values, gap_s)

    def _courses(self, points: Sequence[tuple[float, Any]]) -> dict[str, list[Drawn]]:
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
