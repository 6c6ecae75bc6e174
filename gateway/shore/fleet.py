"""The fleet from the store: every engine on a line, worst first. Reads only; any number beside the keepers."""

import json
from dataclasses import asdict, dataclass, field, fields
from typing import Any

from pydantic import ValidationError

from gateway.alarm.wording import WORDS
from gateway.encode.checked import parse_trend, trend_of
from gateway.encode.engine_state import State, state_of
from gateway.encode.messages import utc_of
from gateway.encode.outlook import outlook
from gateway.encode.shapes import TrendMessage
from gateway.model.csv_text import csv_text
from gateway.model.enums import Priority
from gateway.shore.database import Database, open_database, plain

RANGES_MAX = 20
STALE_H = 3.0
"""Trends come each hour."""
NO_DATA_TAG = "head-silent"
"""While it stands, the page aboard shows no data."""
PRIORITY_RANK = {"emergency-alarm": 4, "alarm": 3, "warning": 2, "caution": 1}
DECISION_RANK = {"find-fault": 3, "renew-chain": 3, "re-time": 2, "retighten": 2, "compensate": 1, "nothing": 0}

_ENGINES = (
    "SELECT v.vessel, coalesce(n.engine, ''), e.lag_deg, e.lag_deg_per_1000h, e.elongation_percent, e.next_limit, "
    "e.hours_to_p05, e.date_p05, e.hours_to_p50, e.date_p50, e.decision, e.why, e.hours, e.trend_at, "
    "(SELECT t.hours FROM trend t WHERE t.vessel = e.vessel AND t.engine = e.engine AND t.trend_at < e.trend_at "
    "ORDER BY t.trend_at DESC LIMIT 1), e.message, v.state, v.state_since, v.heard_at FROM vessel v "
    # An engine is known by its alarms too: its first trend comes hours later.
    "LEFT JOIN (SELECT vessel, engine FROM engine_now UNION SELECT vessel, engine FROM alarm WHERE engine <> '') n "
    "ON n.vessel = v.vessel LEFT JOIN engine_now e ON e.vessel = n.vessel AND e.engine = n.engine"
)
STANDING_ALARMS = (
    "SELECT vessel, engine, tag, priority, state, since_at, value, limit_value, unit, said FROM alarm "
    "WHERE state IN ('unacknowledged', 'acknowledged') ORDER BY vessel, engine, tag"
)
PASSED = frozenset({"lag-near", "lag-limit", "tension-low", "elongation-near", "elongation-limit", "retighten-due"})
"""Alarms that stand where a limit of the forecast is passed."""
_HELD_UP = "SELECT gateway, vessel, upto_seq, top_seq FROM gateway WHERE upto_seq < top_seq ORDER BY gateway"
_RANGES = (
    "SELECT after, before FROM (SELECT seq AS after, lead(seq) OVER (ORDER BY seq) AS before FROM event "
    "WHERE gateway = ? AND seq >= ?) AS s WHERE before > after + 1 ORDER BY after LIMIT ?"
)
_KEPT_BEYOND = "SELECT count(*) FROM event WHERE gateway = ? AND seq > ?"
_REFUSED = "SELECT vessel, sum(messages) FROM refused_count GROUP BY vessel"


@dataclass(frozen=True, slots=True)
class Standing:
    """An alarm that stands. `since`: by the ship's clock."""

    tag: str
    priority: str
    state: str
    since: str | None
    value: float | None
    limit: float | None
    unit: str
    text: str

    @property
    def action(self) -> str:
        """What to do first; empty for an alarm of a later version."""
        return WORDS[self.tag].action if self.tag in WORDS else ""


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One engine. Hours and dates to the next limit: early end, and middle; 0 h where it is passed. `forecast`: the
    same in words, rounded to what is known, or how much more running is needed; `None` where the trend's message is not
    kept any more. `why_unknown`: why the lag's trend is not known. `shown`: the state
    as the page aboard shows it, as far as it is known ashore. `silence_h` and `state_since`: by the shore's clock."""

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
    state_since: str | None
    silence_h: float
    alarms: tuple[str, ...] = ()
    alarm_priority: str = ""
    missing_events: int = 0
    missing: tuple[str, ...] = field(default=())
    refused_messages: int = 0
    forecast: str | None = None
    why_unknown: str | None = None
    standing: tuple[Standing, ...] = ()
    shown: State = State.NO_DATA

    @property
    def severity(self) -> tuple[int, float, float, float, str, str]:
        """Sorts worst first: what stands, what is advised, what is near, what is not known or heard."""
        standing = max(PRIORITY_RANK.get(self.alarm_priority, 0), DECISION_RANK.get(self.decision or "", 0))
        ahead = next((h for h in (self.hours_to_p05, self.hours_to_p50) if h is not None), float("inf"))
        return -standing, ahead, -float(self.missing_events), -self.silence_h, self.vessel, self.engine


COLUMNS = tuple(f.name for f in fields(FleetRow) if f.name not in ("standing", "shown"))
"""Of the CSV; the JSON has `standing` too."""
_TABLE = (
    ("vessel", "vessel", ""), ("engine", "engine", ""), ("lag_deg", "lag °", ".2f"),
    ("lag_deg_per_1000h", "°/1000h", "+.3f"), ("elongation_percent", "elong. %", ".3f"),
    ("next_limit", "next limit", ""),
    ("forecast", "forecast", ""), ("decision", "do", ""),
    ("alarms", "alarms", ""), ("state", "link", ""), ("silence_h", "silent h", ".1f"),
    ("missing_events", "missing", "d"),
)  # fmt: skip


def fleet(url: str, utc_s: float) -> list[FleetRow]:
    """Every engine, worst first. `utc_s`: the shore's clock. Raises StorageError, Refused."""
    db = open_database(url, make=False)
    try:
        alarms: dict[tuple[str, str], list[Standing]] = {}
        for vessel, engine, *values in db.run(STANDING_ALARMS):
            alarms.setdefault((vessel, engine), []).append(Standing(*(plain(v) for v in values)))
        missing = missing_events(db)
        refused = {str(v): int(n) for v, n in db.run(_REFUSED)}
        rows = [_row(values, alarms, missing, refused, utc_s) for values in db.run(_ENGINES)]
    finally:
        db.close()
    return sorted(rows, key=lambda row: row.severity)


def _row(
    values: tuple[Any, ...],
    alarms: dict[tuple[str, str], list[Standing]],
    missing: dict[str, tuple[int, tuple[str, ...]]],
    refused: dict[str, int],
    utc_s: float,
) -> FleetRow:
    *known, earlier_h, message, state, state_since, heard_at = (plain(v) for v in values)
    vessel, engine = known[0], known[1]
    # The gateway's own alarms stand on every engine of the ship: they show how far its figures are valid.
    own = alarms.get((vessel, engine), [])
    standing = own + (alarms.get((vessel, ""), []) if engine else [])
    standing.sort(key=lambda a: -PRIORITY_RANK.get(a.priority, 0))
    worst = standing[0].priority if standing else ""
    count, ranges = missing.get(vessel, (0, ()))
    silence_h = round(max(0.0, utc_s - utc_of(heard_at)) / 3600, 2)
    found = dict(zip(COLUMNS, known, strict=False))
    passed = next((a.tag for a in standing if a.tag in PASSED), None)
    if passed is not None:
        found |= {"next_limit": passed, "hours_to_p05": 0.0, "date_p05": None, "hours_to_p50": 0.0, "date_p50": None}
    trend = trend_message(message)
    # Aboard, limits are judged while the engine runs ahead: here, while its hours have grown between two trends.
    ran = earlier_h is not None and found["hours"] is not None and found["hours"] > earlier_h
    return FleetRow(
        **found,
        state=state,
        state_since=state_since,
        silence_h=silence_h,
        alarms=tuple(a.tag for a in standing),
        standing=tuple(standing),
        alarm_priority=worst,
        missing_events=count,
        missing=ranges,
        refused_messages=refused.get(vessel, 0),
        forecast="reached" if passed else _forecast(trend, found["next_limit"]),
        why_unknown=trend.why_unknown if trend else None,
        shown=_tile(own, state, silence_h, judged=ran and found["lag_deg"] is not None),
    )


def _tile(own: list[Standing], link: str | None, silence_h: float, *, judged: bool) -> State:
    """By the engine's `own` alarms, as aboard; the gateway's are its own affair."""
    data = link == "online" and silence_h <= STALE_H and all(a.tag != NO_DATA_TAG for a in own)
    gravest = max((a.priority for a in own), key=lambda p: PRIORITY_RANK.get(p, 0), default=None)
    return state_of(data=data, alert=None if gravest is None else Priority(gravest), judged=judged)


def trend_message(message: Any) -> TrendMessage | None:
    """The trend as it came; `None` where it is kept no more, or is of another version."""
    if message is None:
        return None
    try:
        # PostgreSQL gives its JSON read already.
        return parse_trend(message.encode()) if isinstance(message, str) else trend_of(message)
    except ValidationError:
        return None


def _forecast(trend: TrendMessage | None, next_limit: str | None) -> str | None:
    """When the next limit is reached, in the words of the ship; without a limit ahead why there is none."""
    if trend is None:
        return None
    ahead = next((x for x in trend.limits if x.limit == next_limit), None)
    return outlook(ahead, trend) if ahead else trend.why_unknown or "not in sight"


def missing_events(db: Database) -> dict[str, tuple[int, tuple[str, ...]]]:
    """For each vessel how many events are missing, and their numbers as ranges (the first few)."""
    found: dict[str, tuple[int, tuple[str, ...]]] = {}
    for gateway, vessel, upto, top in db.run(_HELD_UP):
        beyond = int(db.run(_KEPT_BEYOND, (gateway, upto))[0][0])
        ranges = db.run(_RANGES, (gateway, upto, RANGES_MAX))
        count, shown = found.get(vessel, (0, ()))
        more = tuple(f"{gateway} {a + 1}-{b - 1}" for a, b in ranges)
        found[vessel] = (count + top - upto - beyond, shown + more)
    return found


def as_json(rows: list[FleetRow]) -> str:
    """A JSON array."""
    return json.dumps([asdict(row) for row in rows], indent=2, ensure_ascii=False)


def as_csv(rows: list[FleetRow]) -> str:
    """CSV after RFC 4180; a cell that a spreadsheet would take for a formula is made harmless."""
    return csv_text([COLUMNS, *([_flat(getattr(row, name)) for name in COLUMNS] for row in rows)])


def _flat(value: Any) -> Any:
    return " ".join(value) if isinstance(value, tuple) else value


def as_table(rows: list[FleetRow]) -> str:
    """For a terminal: first what stands, with what to do; then every engine on a line."""
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
    return "\n".join([*_standing(rows), *lines])


def _standing(rows: list[FleetRow]) -> list[str]:
    """Each alarm on two lines, worst first; cautions are left to the table."""
    lines = []
    for row in rows:
        for alarm in (a for a in row.standing if PRIORITY_RANK.get(a.priority, 0) > 1):
            where = row.vessel + (f"/{row.engine}" if row.engine else "")
            since = f" since {alarm.since[:16].replace('T', ' ')} UTC" if alarm.since else ""
            heard = (
                "" if row.state == "online" else f" ({row.state or 'link unknown'}, heard {row.silence_h:,.1f} h ago)"
            )
            lines += [f"{alarm.priority.upper()}  {where}{since}, {alarm.state}{heard}: {alarm.text}"]
            lines += [f"  what to do: {alarm.action}"] if alarm.action else []
    return [_printable(line) for line in lines] + [""] * bool(lines)


def _shown(value: Any, spec: str) -> str:
    if value is None:
        return "-"
    text = ",".join(value) if isinstance(value, tuple) else format(value, spec)
    return _printable(text)


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else "�" for c in text)
