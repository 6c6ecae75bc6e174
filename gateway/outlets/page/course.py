"""The course over time, thinned for a plot: lag, elongation, spring with its band, and what hands have done."""

from collections.abc import Sequence

from gateway.model.settings import EngineSettings
from gateway.outlets.page.inputs import HistoryRows, Point
from gateway.outlets.page.shapes import HistoryAnswer, HistoryQuery, MarkAnswer
from gateway.wear.bookings import Entry
from gateway.wear.course import GAP_STEPS, MARKED, Datums, band_mm, booked_between, broken, elongation_percent

MINUTES_SPAN_S = 3 * 86_400.0
"""Up to three days the minute means are shown, beyond that the ten-minute medians."""


def course(e: EngineSettings, log: Sequence[Entry], rows: HistoryRows, q: HistoryQuery) -> HistoryAnswer:
    """The course that was asked for. Raises StorageError."""
    grade, found = _rows(rows, e.slug, q)
    step_s = max((q.end - q.start) / q.points, 60.0 if grade == "minutes" else 600.0)
    points = broken(found, lambda p: p.utc_s, lambda p: p.values, GAP_STEPS * step_s)
    datums = Datums(e, log)
    per_point = [datums.at(t) for t, _ in points]
    bands = {id(d): band_mm(e, d.free_length_mm, d.locked_at_mm) for d in per_point}

    def column(name: str, digits: int) -> tuple[float | None, ...]:
        return tuple(_rounded(values.get(name), digits) for _, values in points)

    return HistoryAnswer(
        engine=e.slug,
        grade="minutes" if grade == "minutes" else "medians",
        t=tuple(round(t, 1) for t, _ in points),
        lag_deg=column("lag_deg", 4),
        spring_mm=column("spring_mm", 3),
        low_mm=tuple(bands[id(d)][1] for d in per_point),
        high_mm=tuple(bands[id(d)][2] for d in per_point),
        elongation_percent=tuple(
            _rounded(elongation_percent(e, d, values.get("lag_deg")), 4)
            for d, (_, values) in zip(per_point, points, strict=True)
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


def _marks(log: Sequence[Entry], q: HistoryQuery) -> list[MarkAnswer]:
    return [
        MarkAnswer(t=x.utc_s, kind=x.kind, text=f"{x.kind.replace('-', ' ')}, {x.hours:,.0f} h, {x.person}")
        for x in booked_between(log, q.start, q.end)
        if x.kind in MARKED
    ]


def _rounded(x: float | None, digits: int) -> float | None:
    return None if x is None else round(x, digits)
