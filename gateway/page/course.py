"""The course over time, thinned for a plot: lag, elongation, spring with its band, and what hands have done."""

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from itertools import pairwise

from gateway.model.settings import EngineSettings
from gateway.page.inputs import HistoryRows, Point
from gateway.page.present import limits_answer
from gateway.page.shapes import HistoryAnswer, HistoryQuery, MarkAnswer
from gateway.wear.bookings import Correction, Entry
from gateway.wear.geometry import deg_per_percent
from gateway.wear.logbook import Datum, rebase

MINUTES_SPAN_S = 3 * 86_400.0
"""Up to three days the minute means are shown, beyond that the ten-minute medians."""
GAP_STEPS = 3.0
DATUMS_MAX = 200
MARKED = ("retightened", "camshaft-set", "pumps-compensated", "chain-renewed", "links-renewed", "spring-renewed")


def course(e: EngineSettings, log: Sequence[Entry], rows: HistoryRows, q: HistoryQuery) -> HistoryAnswer:
    """The course that was asked for. Raises StorageError."""
    grade, found = _rows(rows, e.slug, q)
    step_s = max((q.end - q.start) / q.points, 60.0 if grade == "minutes" else 600.0)
    points = _broken(found, GAP_STEPS * step_s)
    datums = _datums(e, log)
    begins = [begin for begin, _ in datums]
    per_point = [datums[bisect_right(begins, t) - 1][1] for t, _ in points]
    bands = {id(d): limits_answer(e, d.free_length_mm) for _, d in datums}

    def column(name: str, digits: int) -> tuple[float | None, ...]:
        return tuple(_rounded(values.get(name), digits) for _, values in points)

    return HistoryAnswer(
        engine=e.slug,
        grade="minutes" if grade == "minutes" else "medians",
        t=tuple(round(t, 1) for t, _ in points),
        lag_deg=column("lag_deg", 4),
        spring_mm=column("spring_mm", 3),
        low_mm=tuple(bands[id(d)].low_mm for d in per_point),
        high_mm=tuple(bands[id(d)].high_mm for d in per_point),
        elongation_percent=tuple(
            _elongation(e, d, values.get("lag_deg")) for d, (_, values) in zip(per_point, points, strict=True)
        ),
        rpm=column("rpm", 1),
        casing_c=column("casing_c", 1),
        hours=column("hours", 2),
        marks=tuple(_marks(log, q)),
    )


def _rows(rows: HistoryRows, slug: str, q: HistoryQuery) -> tuple[str, Sequence[Point]]:
    if q.end - q.start <= MINUTES_SPAN_S:
        found = rows.readings(slug, q.start, q.end, q.points)
        if found:
            return "minutes", found
    return "medians", rows.median_points(slug, q.start, q.end, q.points)


def _broken(found: Sequence[Point], gap_s: float) -> list[tuple[float, Mapping[str, float | None]]]:
    """Points with one of nothing known in each gap, so that no line is drawn over a time without measurement."""
    out: list[tuple[float, Mapping[str, float | None]]] = []
    for a, b in pairwise([*found, None]):
        assert a is not None
        out.append((a.utc_s, a.values))
        if b is not None and b.utc_s - a.utc_s > gap_s:
            out.append((a.utc_s + gap_s / GAP_STEPS, {}))
    return out


def _datums(e: EngineSettings, log: Sequence[Entry]) -> list[tuple[float, Datum]]:
    """From when on which datum counts, oldest first."""
    found = [(float("-inf"), rebase(e, ()))]
    stands = sorted((x for x in log if not isinstance(x, Correction)), key=lambda x: x.utc_s)[-DATUMS_MAX:]
    corrections = [x for x in log if isinstance(x, Correction)]
    known: list[Entry] = []
    for entry in stands:
        known.append(entry)
        ids = {x.id for x in known}
        found.append((entry.utc_s, rebase(e, [*known, *(c for c in corrections if c.replaces in ids)])))
    return found


def _elongation(e: EngineSettings, d: Datum, lag_deg: float | None) -> float | None:
    """The chain's elongation by the lag alone; `None` where it is not known where it began."""
    if lag_deg is None or d.lag_start is None:
        return None
    return round(d.lag_start.percent + (lag_deg - (d.lag_at_set_deg or 0.0)) / deg_per_percent(e), 4)


def _marks(log: Sequence[Entry], q: HistoryQuery) -> list[MarkAnswer]:
    gone = {x.replaces for x in log if isinstance(x, Correction)}
    shown = [x for x in log if x.id not in gone] + [x.entry for x in log if isinstance(x, Correction) and x.entry]
    return [
        MarkAnswer(t=x.utc_s, kind=x.kind, text=f"{x.kind.replace('-', ' ')}, {x.hours:,.0f} h, {x.person}")
        for x in sorted(shown, key=lambda x: x.utc_s)
        if x.kind in MARKED and q.start <= x.utc_s < q.end
    ][-DATUMS_MAX:]


def _rounded(x: float | None, digits: int) -> float | None:
    return None if x is None else round(x, digits)
