"""Checked messages as rows of the store. Pure. Columns come in the order of `gateway/shore/sql.py`."""

from dataclasses import dataclass, field
from typing import Any

from gateway.encode.checked import dump_checked
from gateway.encode.messages import AdjustmentEvent, AlarmEvent, TrendMessage, rfc3339, utc_of
from gateway.encode.shapes import TrendLimit
from gateway.shore.check import Checked, NotTaken

Row = tuple[Any, ...]
TEXT_CHARS_MAX = 2_000
"""Of a refused message's beginning."""
PRESENCE_SLACK_S = 90.0
"""A will bears the time at which its connection began, so a little less than the presence that it takes back."""
AHEAD_S = 300.0
"""A kept time so far ahead of the shore's clock came from a wrong clock aboard; whatever comes next replaces it."""


@dataclass(slots=True)
class Batch:
    """Rows to be kept in one transaction; of a present state only the newest of the batch."""

    presence: dict[str, Row] = field(default_factory=dict)
    alarms: dict[tuple[str, str, str], Row] = field(default_factory=dict)
    events: dict[tuple[str, int], Row] = field(default_factory=dict)
    trends: dict[tuple[str, str, str], Row] = field(default_factory=dict)
    newest: dict[tuple[str, str], tuple[str, Checked, str]] = field(default_factory=dict)
    """Of each engine's trends the newest: its time, itself, and its message as text."""
    readings: dict[tuple[str, str, str], Row] = field(default_factory=dict)
    refused: list[Row] = field(default_factory=list)

    def add(self, item: Checked | NotTaken, utc_s: float) -> None:
        """Sort one message in. `utc_s`: the shore's clock."""
        if isinstance(item, NotTaken):
            self.refused.append(refused_row(item, utc_s))
            return
        getattr(self, f"_{item.address.klass}")(item, utc_s)

    def _presence(self, item: Checked, utc_s: float) -> None:
        m, vessel = item.message, item.address.vessel
        at = utc_of(m.ts)
        self.presence[vessel] = (
            vessel, m.state, rfc3339(at), m.version, rfc3339(utc_s), rfc3339(utc_s),
            _later(at, PRESENCE_SLACK_S), _later(utc_s, AHEAD_S),
        )  # fmt: skip

    def _event(self, item: Checked, utc_s: float) -> None:
        self.events.setdefault((item.message.gateway, item.message.seq), event_row(item, utc_s))

    def _alarm(self, item: Checked, utc_s: float) -> None:
        a, m = item.address, item.message
        at = _stamp(m.ts)
        key = (a.vessel, a.engine, a.tag)
        row = (
            *key, at, m.state.value, m.priority.value, m.since and _stamp(m.since), m.value, m.limit, m.unit, m.text,
            dump_checked(a.klass, m).decode(), _later(utc_s, AHEAD_S),
        )  # fmt: skip
        if key not in self.alarms or self.alarms[key][3] <= at:
            self.alarms[key] = row

    def _trend(self, item: Checked, _utc_s: float) -> None:
        a, m = item.address, item.message
        at = _stamp(m.ts)
        text = dump_checked(a.klass, m).decode()
        self.trends[a.vessel, a.engine, at] = trend_row(item, at, text)
        key = (a.vessel, a.engine)
        if key not in self.newest or self.newest[key][0] <= at:
            self.newest[key] = at, item, text

    def engines(self, utc_s: float) -> dict[tuple[str, str], Row]:
        """Rows of `engine_now`: what the lists need of each engine's newest trend."""
        ahead = _later(utc_s, AHEAD_S)
        return {key: (*engine_row(item, at, text), ahead) for key, (at, item, text) in self.newest.items()}

    def _reading(self, item: Checked, _utc_s: float) -> None:
        a, m = item.address, item.message
        at = _stamp(m.ts)
        self.readings[a.vessel, a.engine, at] = (
            a.vessel, a.engine, at, m.running.value, m.hours, m.rpm, m.spring_mm, m.compression_mm, m.slap_mm,
            m.lag_deg, m.casing_c, m.quality.spring.value, m.quality.lag.value,
        )  # fmt: skip


def event_row(item: Checked, utc_s: float) -> Row:
    """A row of `event`."""
    a, m = item.address, item.message
    head = (m.gateway, m.seq, a.vessel, a.engine, _stamp(m.ts), rfc3339(utc_s), m.kind)
    message = dump_checked(a.klass, m).decode()
    if isinstance(m, AlarmEvent):
        return (
            *head, m.tag, m.priority.value, m.came_from.value, m.to.value, m.hours, m.value, m.limit, m.unit, m.text,
            m.by, message,
        )  # fmt: skip
    by = m.by if isinstance(m, AdjustmentEvent) else None
    return (*head, m.what, None, None, None, m.hours, None, None, None, m.text, by, message)


def trend_row(item: Checked, at: str, text: str) -> Row:
    """A row of `trend`."""
    a, m = item.address, item.message
    return (
        a.vessel, a.engine, at, m.hours, m.lag_deg.p05, m.lag_deg.p50, m.lag_deg.p95, m.lag_deg_per_1000h.p50,
        m.elongation_percent.p50, m.elongation_percent_per_1000h.p50, m.decision.do, text,
        m.spring_mm.p50, m.lost_motion_deg.p50,
    )  # fmt: skip


def engine_row(item: Checked, at: str, text: str) -> Row:
    """A row of `engine_now`."""
    a, m = item.address, item.message
    nearest = next_limit(m)
    ahead: Row = (None,) * 5
    if nearest is not None:
        h, d = nearest.hours_to, nearest.date
        ahead = (nearest.limit, h.p05, h.p50, d.p05, d.p50)
    return (
        a.vessel, a.engine, at, m.hours, m.lag_deg.p50, m.lag_deg_per_1000h.p50, m.elongation_percent.p50,
        m.elongation_percent_per_1000h.p50, *ahead, m.decision.do, m.decision.why, text,
    )  # fmt: skip


def next_limit(trend: TrendMessage) -> TrendLimit | None:
    """The limit whose early end comes first, or None where none is in sight."""
    seen = [(_early(limit), limit) for limit in trend.limits]
    near = [(hours, limit) for hours, limit in seen if hours is not None]
    return min(near, key=lambda pair: pair[0])[1] if near else None


def _early(limit: TrendLimit) -> float | None:
    h = limit.hours_to
    return next((x for x in (h.p05, h.p50, h.p95) if x is not None), None)


def refused_row(item: NotTaken, utc_s: float) -> Row:
    """A row of `refused`."""
    return (
        rfc3339(utc_s), item.vessel, _plain(item.topic.encode("utf-8", "replace"))[:200], item.reason.value,
        item.detail.replace("\0", "�"), len(item.payload), _plain(item.payload[:TEXT_CHARS_MAX]),
    )  # fmt: skip


def _plain(raw: bytes) -> str:
    return raw.decode("utf-8", "replace").replace("\0", "�")


def _stamp(text: str) -> str:
    """One spelling per time, so that text compares as time does; what is checked has it, but for second 60."""
    return rfc3339(utc_of(text)) if text[17:19] == "60" else text


def _later(utc_s: float, by_s: float) -> str:
    # The last second of the year 9999 has no later.
    try:
        return rfc3339(utc_s + by_s)
    except ValueError:
        return rfc3339(utc_s)
