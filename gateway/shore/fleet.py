"""The fleet from the store: every engine on a line, worst first. Reads only; any number beside the keepers."""

import json
from dataclasses import asdict, dataclass, field, fields
from datetime import date, datetime
from typing import Any

from gateway.encode.messages import rfc3339, utc_of
from gateway.model.csv_text import csv_text
from gateway.shore.database import Database, open_database

RANGES_MAX = 20
PRIORITY_RANK = {"emergency-alarm": 4, "alarm": 3, "warning": 2, "caution": 1}
DECISION_RANK = {"find-fault": 3, "renew-chain": 3, "re-time": 2, "retighten": 2, "compensate": 1, "nothing": 0}

_ENGINES = (
    "SELECT v.vessel, coalesce(e.engine, ''), e.lag_deg, e.lag_deg_per_1000h, e.elongation_percent, e.next_limit, "
    "e.hours_to_p05, e.date_p05, e.hours_to_p50, e.date_p50, e.decision, e.why, e.hours, e.trend_at, "
    "v.state, v.heard_at FROM vessel v LEFT JOIN engine_now e ON e.vessel = v.vessel"
)
_ALARMS = (
    "SELECT vessel, engine, tag, priority, state FROM alarm WHERE state IN ('unacknowledged', 'acknowledged') "
    "ORDER BY vessel, engine, tag"
)
_HELD_UP = "SELECT gateway, vessel, upto_seq, top_seq FROM gateway WHERE upto_seq < top_seq ORDER BY gateway"
_RANGES = (
    "SELECT after, before FROM (SELECT seq AS after, lead(seq) OVER (ORDER BY seq) AS before FROM event "
    "WHERE gateway = ? AND seq >= ?) AS s WHERE before > after + 1 ORDER BY after LIMIT ?"
)
_KEPT_BEYOND = "SELECT count(*) FROM event WHERE gateway = ? AND seq > ?"
_REFUSED = "SELECT vessel, sum(messages) FROM refused_count GROUP BY vessel"


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One engine. Hours and dates to the next limit: early end, and middle. `silence_h`: by the shore's clock."""

    vessel: str
    engine: str
    lag_deg: float | None
    lag_deg_per_1000h: float | None
    elongation_percent: float | None
    next_limit: str | None
    hours_to_p05: float | None
    date_p05: str | None
    hours_to_p50: float | None
    date_p50: str | None
    decision: str | None
    why: str | None
    hours: float | None
    trend_at: str | None
    state: str | None
    silence_h: float
    alarms: tuple[str, ...] = ()
    alarm_priority: str = ""
    missing_events: int = 0
    missing: tuple[str, ...] = field(default=())
    refused_messages: int = 0

    @property
    def severity(self) -> tuple[int, float, float, float, str, str]:
        """Sorts worst first: what stands, what is advised, what is near, what is not known or heard."""
        standing = max(PRIORITY_RANK.get(self.alarm_priority, 0), DECISION_RANK.get(self.decision or "", 0))
        ahead = next((h for h in (self.hours_to_p05, self.hours_to_p50) if h is not None), float("inf"))
        return -standing, ahead, -float(self.missing_events), -self.silence_h, self.vessel, self.engine


COLUMNS = tuple(f.name for f in fields(FleetRow))
_TABLE = (
    ("vessel", "vessel", ""), ("engine", "engine", ""), ("lag_deg", "lag °", ".2f"),
    ("lag_deg_per_1000h", "°/1000h", "+.3f"), ("elongation_percent", "elong. %", ".3f"),
    ("next_limit", "next limit", ""),
    ("hours_to_p05", "from h", ",.0f"), ("date_p05", "from date", ""), ("decision", "do", ""),
    ("alarms", "alarms", ""), ("silence_h", "silent h", ".1f"), ("missing_events", "missing", "d"),
)  # fmt: skip


def fleet(url: str, utc_s: float) -> list[FleetRow]:
    """Every engine, worst first. `utc_s`: the shore's clock. Raises StorageError, Refused."""
    db = open_database(url, make=False)
    try:
        alarms: dict[tuple[str, str], list[tuple[str, str]]] = {}
        for vessel, engine, tag, priority, _state in db.run(_ALARMS):
            alarms.setdefault((vessel, engine), []).append((tag, priority))
        missing = _missing(db)
        refused = {str(v): int(n) for v, n in db.run(_REFUSED)}
        rows = [_row(values, alarms, missing, refused, utc_s) for values in db.run(_ENGINES)]
    finally:
        db.close()
    return sorted(rows, key=lambda row: row.severity)


def _row(
    values: tuple[Any, ...],
    alarms: dict[tuple[str, str], list[tuple[str, str]]],
    missing: dict[str, tuple[int, tuple[str, ...]]],
    refused: dict[str, int],
    utc_s: float,
) -> FleetRow:
    *known, state, heard_at = (plain(v) for v in values)
    vessel, engine = known[0], known[1]
    # The gateway's own alarms stand on every engine of the ship: they show how far its figures are valid.
    standing = alarms.get((vessel, engine), []) + (alarms.get((vessel, ""), []) if engine else [])
    worst = max((priority for _, priority in standing), key=lambda p: PRIORITY_RANK.get(p, 0), default="")
    count, ranges = missing.get(vessel, (0, ()))
    silence_h = round(max(0.0, utc_s - utc_of(heard_at)) / 3600, 2)
    return FleetRow(
        **dict(zip(COLUMNS, known, strict=False)),
        state=state,
        silence_h=silence_h,
        alarms=tuple(tag for tag, _ in standing),
        alarm_priority=worst,
        missing_events=count,
        missing=ranges,
        refused_messages=refused.get(vessel, 0),
    )


def _missing(db: Database) -> dict[str, tuple[int, tuple[str, ...]]]:
    """For each vessel how many events are missing, and their numbers as ranges (the first few)."""
    found: dict[str, tuple[int, tuple[str, ...]]] = {}
    for gateway, vessel, upto, top in db.run(_HELD_UP):
        beyond = int(db.run(_KEPT_BEYOND, (gateway, upto))[0][0])
        ranges = db.run(_RANGES, (gateway, upto, RANGES_MAX))
        count, shown = found.get(vessel, (0, ()))
        more = tuple(f"{gateway} {a + 1}-{b - 1}" for a, b in ranges)
        found[vessel] = (count + top - upto - beyond, shown + more)
    return found


def plain(value: Any) -> Any:
    """Times and dates as the interface spells them, from either database."""
    if isinstance(value, datetime):
        return rfc3339(value.timestamp())
    return value.isoformat() if isinstance(value, date) else value


def as_json(rows: list[FleetRow]) -> str:
    """A JSON array."""
    return json.dumps([asdict(row) for row in rows], indent=2, ensure_ascii=False)


def as_csv(rows: list[FleetRow]) -> str:
    """CSV after RFC 4180; a cell that a spreadsheet would take for a formula is made harmless."""
    return csv_text([COLUMNS, *([_flat(getattr(row, name)) for name in COLUMNS] for row in rows)])


def _flat(value: Any) -> Any:
    return " ".join(value) if isinstance(value, tuple) else value


def as_table(rows: list[FleetRow]) -> str:
    """For a terminal."""
    cells = [[title for _, title, _ in _TABLE]]
    cells += [[_shown(getattr(row, name), spec) for name, _, spec in _TABLE] for row in rows]
    widths = [max(len(line[i]) for line in cells) for i in range(len(_TABLE))]
    lines = []
    for line in cells:
        shown = [
            text.rjust(width) if spec else text.ljust(width)
            for text, width, (_, _, spec) in zip(line, widths, _TABLE, strict=True)
        ]
        lines.append("  ".join(shown).rstrip())
    return "\n".join(lines)


def _shown(value: Any, spec: str) -> str:
    if value is None:
        return "-"
    text = ",".join(value) if isinstance(value, tuple) else format(value, spec)
    return "".join(c if c.isprintable() else "�" for c in text)
