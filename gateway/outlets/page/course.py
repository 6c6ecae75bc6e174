"""What the view of trends draws, thinned for a plot: all series that the history holds, alarms and work."""

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from gateway.alarm.wording import WORDS
from gateway.encode.times import utc_of
from gateway.model.settings import EngineSettings, slack_tension_n
from gateway.outlets.page.inputs import HistoryRows, Point, StateRows
from gateway.outlets.page.shapes import AlarmSpan, DailyAnswer, HistoryAnswer, HistoryQuery, MarkAnswer
from gateway.wear.bookings import Entry, LinksMeasured
from gateway.wear.course import GAP_STEPS, MARKED, Datums, band_mm, booked_between, broken, elongation_percent
from gateway.wear.datum import Datum, links_by_hand
from gateway.wear.geometry import elongation_from_spring_mm
from gateway.wear.ride_out import mesh_share

DAY_S = 86_400.0
MINUTES_SPAN_S = 3 * DAY_S
"""Up to three days the minute means are shown, beyond that the ten-minute medians."""
READINGS_S = 35 * DAY_S
"""So long are minute means kept: slap and the lag's variation stand in them alone."""
TRENDS_MAX = 4_100
ALARM_ROWS_MAX, ALARMS_MAX = 2_000, 300
ON_TIME_LINE = (*MARKED, "note")
_BEGINS, _ENDS = ("unacknowledged", "acknowledged"), ("normal", "returned")
_FROM_READINGS = ("slap_mm", "lag_p2p_deg")
Three = tuple[float | None, float | None, float | None]


def course(
    e: EngineSettings, log: Sequence[Entry], rows: HistoryRows, state: StateRows, topic: str, q: HistoryQuery
) -> HistoryAnswer:
    """What was asked for; `topic`: of the engine's events. Raises StorageError."""
    grade, found = _rows(rows, e.slug, q)
    step_s = max((q.end - q.start) / q.points, 60.0 if grade == "minutes" else 600.0)
    points = broken(found, lambda p: p.utc_s, lambda p: p.values, GAP_STEPS * step_s)
    datums = Datums(e, log)
    per_point = [datums.at(t) for t, _ in points]
    bands = {id(d): band_mm(e, d.free_length_mm, d.locked_at_mm) for d in per_point}
    springs = [values.get("spring_mm") for _, values in points]
    from_spring = [_by_spring(e, d, mm) for d, mm in zip(per_point, springs, strict=True)]
    full = 1.0 / max(1.0 - mesh_share(e), 0.05)

    def column(name: str, digits: int, factor: float = 1.0) -> tuple[float | None, ...]:
        return tuple(_rounded(values.get(name), digits, factor) for _, values in points)

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
        tightener_low_percent=tuple(None if x is None else round(x[0] + x[1], 4) for x in from_spring),
        tightener_high_percent=tuple(None if x is None else round(x[0] + x[1] * full, 4) for x in from_spring),
        tension_n=tuple(
            None if mm is None else float(round(slack_tension_n(e.tightener, d.compression_mm(mm))))
            for d, mm in zip(per_point, springs, strict=True)
        ),
        slap_mm=column("slap_mm", 3),
        lag_p2p_deg=column("lag_p2p_deg", 4),
        rpm=column("rpm", 1),
        load_percent=column("load", 1, 100.0),
        casing_c=column("casing_c", 1),
        frame_c=column("frame_c", 1),
        hours=column("hours", 2),
        daily=_daily(rows.trends(e.slug, q.start, q.end, TRENDS_MAX), q.points),
        by_hand=tuple(_by_hand(e, log, q)),
        alarms=tuple(_alarm_spans(_alarm_events(rows, state, topic, q), q)),
        marks=tuple(_marks(log, q)),
    )


def _rows(rows: HistoryRows, slug: str, q: HistoryQuery) -> tuple[str, Sequence[Point]]:
    if q.end - q.start <= MINUTES_SPAN_S:
        found = rows.readings(slug, q.start, q.end, q.points)
        if found:
            return "minutes", found
    found = rows.median_points(slug, q.start, q.end, q.points)
    # The same slots, so that each goes to its row.
    first = max(0, int((q.end - READINGS_S - q.start) / (q.end - q.start) * q.points))
    width = (q.end - q.start) / q.points
    more = {round(p.utc_s, 3): p.values for p in rows.readings(slug, q.start + first * width, q.end, q.points - first)}
    return "medians", [_Joined(p.utc_s, p.values, more.get(round(p.utc_s, 3))) for p in found]


class _Joined:
    """A row of medians with what only minute means have."""

    __slots__ = ("utc_s", "values")

    def __init__(self, utc_s: float, values: Mapping[str, float | None], more: Mapping[str, float | None] | None):
        self.utc_s = utc_s
        self.values = {**values, **{key: more.get(key) for key in _FROM_READINGS}} if more else values


def _by_spring(e: EngineSettings, d: Datum, mm: float | None) -> tuple[float, float] | None:
    """Elongation at the spring's datum and its growth since without ride-out; `None` where that is not known."""
    if mm is None or e.tightener.kind == "locked" or d.spring_start is None or d.spring_at_datum_mm is None:
        return None
    return d.spring_start.percent, elongation_from_spring_mm(e, mm - d.spring_at_datum_mm)


def _by_hand(e: EngineSettings, log: Sequence[Entry], q: HistoryQuery) -> Iterable[tuple[float, float]]:
    for x in booked_between(log, q.start, q.end):
        if isinstance(x, LinksMeasured):
            yield x.utc_s, round(links_by_hand(e, x.links, x.length_mm).percent, 4)


def _daily(trends: Sequence[tuple[float, bytes]], points: int) -> DailyAnswer:
    step = max(1, -(-len(trends) // points))
    times: list[float] = []
    lost: list[Three] = []
    elongation: list[Three] = []
    for utc_s, payload in trends[::step]:
        body = _object(payload)
        times.append(round(utc_s, 1))
        lost.append(_three(body.get("lost_motion_deg")))
        elongation.append(_three(body.get("elongation_percent")))
    return DailyAnswer(t=tuple(times), lost_motion_deg=tuple(lost), elongation_percent=tuple(elongation))


def _three(found: object) -> Three:
    r = found if isinstance(found, dict) else {}
    low, middle, high = (x if isinstance(x := r.get(k), int | float) else None for k in ("p05", "p50", "p95"))
    return low, middle, high


def _object(payload: bytes) -> dict[str, Any]:
    try:
        body = json.loads(payload)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}


def _alarm_events(rows: HistoryRows, state: StateRows, topic: str, q: HistoryQuery) -> list[dict[str, Any]]:
    """Alarms' transitions of the engine, oldest first; those that the outbox no longer has, from the history."""
    # An alarm that stands at the beginning was raised before it.
    kept = rows.kept_between(topic, q.start - READINGS_S, q.end, ALARM_ROWS_MAX)
    fresh = state.events(0, ALARM_ROWS_MAX, kind="alarm", newest_first=True)
    found = dict(kept) | {r.seq: r.payload for r in fresh if r.topic == topic}
    bodies = (_object(found[seq]) for seq in sorted(found))
    return [b for b in bodies if b.get("kind") == "alarm" and isinstance(b.get("ts"), str)]


def _alarm_spans(events: Sequence[Mapping[str, Any]], q: HistoryQuery) -> list[AlarmSpan]:
    began: dict[str, tuple[float, Mapping[str, Any]]] = {}
    spans: list[tuple[float, float | None, Mapping[str, Any]]] = []
    for event in events:
        tag, to, utc_s = str(event.get("tag")), event.get("to"), utc_of(str(event["ts"]))
        if to in _BEGINS and tag not in began:
            began[tag] = utc_s, event
        elif to in _ENDS and tag in began:
            at, first = began.pop(tag)
            spans.append((at, utc_s, first))
    spans += [(at, None, event) for at, event in began.values()]
    within = [x for x in spans if x[0] < q.end and (x[1] is None or x[1] >= q.start)]
    return [
        AlarmSpan(
            t=t,
            end=end,
            tag=str(event.get("tag")),
            title=WORDS[tag].title if (tag := str(event.get("tag"))) in WORDS else tag,
            priority=str(event.get("priority")),
        )
        for t, end, event in sorted(within, key=lambda x: x[0])[-ALARMS_MAX:]
    ]


def _marks(log: Sequence[Entry], q: HistoryQuery) -> list[MarkAnswer]:
    return [
        MarkAnswer(t=x.utc_s, kind=x.kind, text=_mark_text(x), photos=tuple(getattr(x, "photos", ())))
        for x in booked_between(log, q.start, q.end)
        if x.kind in ON_TIME_LINE
    ]


def _mark_text(x: Entry) -> str:
    if x.kind == "note":
        return f"Note: {x.note} ({x.hours:,.0f} h, {x.person})"
    what = x.kind.replace("-", " ").capitalize()
    return f"{what}, {x.hours:,.0f} h, {x.person}"


def _rounded(x: float | None, digits: int, factor: float = 1.0) -> float | None:
    return None if x is None else round(x * factor, digits)
