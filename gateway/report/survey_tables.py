"""The survey file's data as tables: what each column holds stands here, and in `deploy/SURVEY.md` made from it."""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from gateway.encode.times import rfc3339
from gateway.report.facts import ShipFacts
from gateway.report.survey import versions
from gateway.wear.bookings import Pressures, before_after

Rows = list[list[object]]


class Point(Protocol):
    """Means over an interval that begins at `utc_s`."""

    @property
    def utc_s(self) -> float:
        """Seconds since 1970."""

    @property
    def values(self) -> Mapping[str, float | None]:
        """Figures by name."""


@dataclass(frozen=True, slots=True)
class Column:
    """`kind`: text, number, whole or utc (RFC 3339). An empty cell is not known, in any column."""

    name: str
    kind: str
    means: str


@dataclass(frozen=True, slots=True)
class Table:
    """One CSV file (RFC 4180, UTF-8)."""

    name: str
    holds: str
    columns: Sequence[Column]
    rows: Callable[[ShipFacts], Rows]


def _columns(text: str) -> tuple[Column, ...]:
    parts = [line.partition(": ") for line in text.strip().splitlines()]
    return tuple(Column(head.split()[0], head.split()[1], means.strip()) for head, _, means in parts)


def _document(s: ShipFacts) -> Rows:
    v = s.vessel
    rows: Rows = [
        ["reference", "", s.reference()],
        ["vessel", "", v.name],
        ["imo_number", "", v.imo_number],
        ["class_society", "", v.class_society],
        ["from", "", rfc3339(s.period.from_s)],
        ["to", "", rfc3339(s.period.to_s)],
        ["made", "", rfc3339(s.made_s)],
        ["software_version", "", s.version],
        ["settings_fingerprint", "", s.fingerprint],
        ["made_from", "", "what is kept ashore" if s.ashore else "the record aboard"],
    ]
    for e in s.engines:
        x, slug = e.settings, e.settings.slug
        rows += [
            ["name", slug, x.name],
            ["type", slug, x.type_text],
            ["number", slug, x.number],
            ["running_hours_low", slug, None if e.run_h is None else round(e.run_h.low, 2)],
            ["running_hours_high", slug, None if e.run_h is None else round(e.run_h.high, 2)],
            ["lag_near_deg", slug, x.lag.near_deg],
            ["lag_limit_deg", slug, x.lag.limit_deg],
            ["elongation_near_percent", slug, x.elongation.near_percent],
            ["elongation_limit_percent", slug, x.elongation.limit_percent],
            ["zero_deg", slug, e.datum.zero_deg],
            ["free_length_mm", slug, e.datum.free_length_mm],
            ["decision", slug, None if e.trend is None else e.trend.decision.do],
        ]
    return rows


def _work(s: ShipFacts) -> Rows:
    rows: Rows = []
    for e in s.engines:
        for w in e.work:
            before, after = before_after(w.entry)
            head = [e.settings.slug, w.number, w.entry.id, rfc3339(w.entry.utc_s), w.entry.hours, w.entry.kind]
            read = [w.before.lag_deg, w.after.lag_deg, w.before.spring_mm, w.after.spring_mm]
            rows.append([*head, w.entry.person, w.entry.note, _json(before), _json(after), *map(_rounded, read)])
    return rows


def _pressures(s: ShipFacts) -> Rows:
    return [
        [
            *(e.settings.slug, rfc3339(w.entry.utc_s), w.entry.hours, w.entry.taken, w.entry.rpm, w.entry.load),
            *(c.cylinder, c.max_bar, c.mean_indicated_bar, c.compression_bar, w.entry.scavenge_bar),
        ]
        for e in s.engines
        for w in e.work
        if isinstance(w.entry, Pressures)
        for c in w.entry.cylinders
    ]


def _ticks(s: ShipFacts) -> Rows:
    return [
        [
            *(e.settings.slug, w.number, w.entry.id, w.sheet.name, n, x.key, x.text, x.by, _utc(x.utc_s)),
            *(x.second_by, _utc(x.second_utc_s)),
        ]
        for e in s.engines
        for w in e.work
        if w.sheet is not None
        for n, x in enumerate(w.sheet.steps, 1)
    ]


def _utc(utc_s: float | None) -> str | None:
    return None if utc_s is None else rfc3339(utc_s)


def _alarms(s: ShipFacts) -> Rows:
    ends = [(r, None if r.until_s is None else rfc3339(r.until_s)) for r in s.raised]
    return [[r.engine, r.tag, r.priority.value, rfc3339(r.utc_s), end, r.text] for r, end in ends]


def _acts(s: ShipFacts) -> Rows:
    return [[a.engine, a.tag, rfc3339(a.utc_s), a.act, a.by, a.text] for a in s.acts]


def _software(s: ShipFacts) -> Rows:
    return [[rfc3339(x.utc_s), x.version, x.fingerprint] for x in versions(s.starts)]


def _none(_s: ShipFacts) -> Rows:
    return []


TABLES = (
    Table("document", "What the document is, and single figures of each engine.", _columns("""
        key text: the figure's name
        engine text: short name of the engine; empty for the whole ship
        value text: the figure
    """), _document),
    Table("work", "Each booking that stands, of work done in the period, by time.", _columns("""
        engine text: short name of the engine
        number whole: number in the document
        id text: id in the log book
        utc utc: when the work was done
        hours number: running hours then
        kind text: kind of work, as `camdrift book` has it
        person text: who booked it
        note text: the note
        before text: figures booked as before the work, a JSON object; the unit is the end of each name
        after text: figures booked as found or left, a JSON object
        lag_before_deg number: median lag of up to 24 running hours before, degrees of the crank, late is positive
        lag_after_deg number: the same after the work
        spring_before_mm number: median spring length of up to 24 running hours before, mm
        spring_after_mm number: the same after the work
    """), _work),
    Table("ticks", "Work sheets from which work was booked in the period: a line for each step.", _columns("""
        engine text: short name of the engine
        number whole: number of the work in the document
        id text: id of the booking in the log book
        sheet text: the sheet, as `camdrift sheet` has it
        step whole: number of the step in the sheet
        key text: the step's name
        text text: the step
        by text: who ticked it; empty: nobody
        utc utc: when
        second_by text: who countersigned it; empty: nobody
        second_utc utc: when
    """), _ticks),
    Table("pressures", "Cylinder pressures booked in the period, a line for each cylinder.", _columns("""
        engine text: short name of the engine
        utc utc: when they were taken
        hours number: running hours then
        taken text: `before` or `after` the work on the timing
        rpm number: speed, rpm
        load number: load as booked, a share of full load
        cylinder whole: number of the cylinder
        max_bar number: maximum pressure, bar
        mean_indicated_bar number: mean indicated pressure, bar
        compression_bar number: compression pressure, bar
        scavenge_bar number: scavenge pressure in the receiver, bar
    """), _pressures),
    Table("alarms", "Announcements of priority alarm and emergency alarm in the period.", _columns("""
        engine text: short name of the engine; empty for the gateway's own alarms
        tag text: the alarm
        priority text: `alarm` or `emergency-alarm`
        utc utc: when it was announced
        until utc: when it cleared; empty: it stood at the period's end
        text text: what it reported
    """), _alarms),
    Table("acts", "What people did to alarms in the period: acknowledged, shelved, taken out of service.", _columns("""
        engine text: short name of the engine; empty for the gateway's own alarms
        tag text: the alarm
        utc utc: when
        act text: what was done
        by text: who did it
        text text: the reason, or what the alarm reported then
    """), _acts),
    Table("software", "Versions of the software, and settings by their fingerprint, each from when on.", _columns("""
        utc utc: first start with this version and these settings; the first line may lie before the period
        version text: version of camdrift
        settings text: fingerprint of the settings; empty: not recorded
    """), _software),
    Table("trends", "The last trend of each UTC day, as published then; ranges are 5, 50 and 95 %.", _columns("""
        engine text: short name of the engine
        utc utc: when
        hours number: running hours then
        lag_p05_deg number: lag, degrees of the crank, low end
        lag_p50_deg number: lag, middle
        lag_p95_deg number: lag, high end
        elongation_p05_percent number: elongation of the chain, low end
        elongation_p50_percent number: elongation, middle
        elongation_p95_percent number: elongation, high end
        lost_motion_p05_deg number: lag ahead less lag astern at the last manoeuvre, degrees of the crank, low end
        lost_motion_p50_deg number: lost motion, middle; empty: not measured, or not by the version of that day
        lost_motion_p95_deg number: lost motion, high end
        decision text: what to do
        why text: the reason
    """), _none),
    Table("readings", "Hourly means of the ten-minute medians of steady running ahead (coarser beyond 20,000 rows). "
          "A file made ashore has none.",
          _columns("""
        engine text: short name of the engine
        utc utc: start of the interval
        hours number: running hours, mean
        lag_deg number: lag, degrees of the crank, late is positive
        spring_mm number: length of the tightener's spring, mm
        rpm number: speed, rpm
        casing_c number: temperature of the chain casing, degrees Celsius
    """), _none),
)  # fmt: skip


def trend_rows(engine: str, kept: Iterable[tuple[float, bytes]]) -> Rows:
    """Kept trends as rows; one of another version is left out."""
    rows: Rows = []
    for utc_s, payload in kept:
        try:
            t = json.loads(payload)
            ranges = [t[name][p] for name in ("lag_deg", "elongation_percent") for p in ("p05", "p50", "p95")]
            # Trends of before it was measured have none.
            lost = t.get("lost_motion_deg") or {}
            ranges += [lost.get(p) for p in ("p05", "p50", "p95")]
            decision = [t["decision"]["do"], t["decision"]["why"]]
        except (KeyError, TypeError, ValueError):
            continue
        rows.append([engine, rfc3339(utc_s), t.get("hours"), *ranges, *decision])
    return rows


def median_rows(engine: str, points: Iterable[Point]) -> Rows:
    """Means of medians as rows."""
    names = ("hours", "lag_deg", "spring_mm", "rpm", "casing_c")
    return [[engine, rfc3339(x.utc_s), *(_rounded(x.values.get(n)) for n in names)] for x in points]


def described() -> str:
    """All tables in words, as Markdown: for the guide."""
    lines = []
    for t in TABLES:
        lines += [f"### `-{t.name}.csv`", "", t.holds, "", "| column | kind | holds |", "| --- | --- | --- |"]
        lines += [*(f"| `{c.name}` | {c.kind} | {c.means} |" for c in t.columns), ""]
    return "\n".join(lines)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _json(figures: Mapping[str, object]) -> str:
    return json.dumps(figures, ensure_ascii=False, separators=(",", ":")) if figures else ""
