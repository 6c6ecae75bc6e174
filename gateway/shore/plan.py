"""Which work falls into which port stay, and which parts must be ordered by when. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from gateway.encode.outlook import outlook
from gateway.encode.shapes import TrendMessage
from gateway.model.shore_settings import Planning

WORK_OF = {
    "lag-limit": "Re-time the camshaft",
    "lag-near": "Re-time the camshaft",
    "tension-low": "Retighten the chain",
    "retighten-due": "Retighten the chain",
    "elongation-limit": "Renew the chain",
    "elongation-near": "Renew the chain",
}
DECIDED = {
    "re-time": "Re-time the camshaft",
    "retighten": "Retighten the chain",
    "renew-chain": "Renew the chain",
    "compensate": "Compensation at the fuel pumps",
    "find-fault": "Find the fault",
}
CHAIN, SPRING = "chain", "tightener spring"


@dataclass(frozen=True, slots=True)
class Stay:
    """A vessel in port, typed by a planner; days of the calendar."""

    id: int
    vessel: str
    port: str
    from_day: str
    to_day: str
    actor: str = ""


@dataclass(frozen=True, slots=True)
class Work:
    """One work to plan. `due_day`: the earliest day on which its limit may be reached (1 in 20), today for what is
    advised now; `forecast`: in words; `stay`: the last one before it; `part`, `order_by`: what must be ordered by when,
    empty where nothing; `note`: what the planner must know."""

    vessel: str
    engine: str
    what: str
    why: str
    due_day: str
    forecast: str
    stay: Stay | None
    part: str = ""
    order_by: str = ""
    note: str = ""


def plan(
    trends: Mapping[tuple[str, str], TrendMessage], stays: Sequence[Stay], settings: Planning, today: str
) -> list[Work]:
    """All works within the horizon, the earliest first."""
    now = date.fromisoformat(today)
    end = (now + timedelta(days=settings.horizon_days)).isoformat()
    found = []
    for (vessel, engine), trend in trends.items():
        mine = sorted((s for s in stays if s.vessel == vessel), key=lambda s: s.from_day)
        for what, (due, why, forecast) in _due(trend, today).items():
            if due <= end:
                found.append(_work(vessel, engine, what, why, due, forecast, mine, settings, now))
    return sorted(found, key=lambda w: (w.due_day, w.vessel, w.engine, w.what))


def _due(trend: TrendMessage, today: str) -> dict[str, tuple[str, str, str]]:
    """For each work the day, why, and the forecast; of several limits the earliest."""
    due: dict[str, tuple[str, str, str]] = {}
    if trend.decision.do in DECIDED:
        due[DECIDED[trend.decision.do]] = (today, trend.decision.why, "advised now")
    for limit in trend.limits:
        what = WORK_OF.get(limit.limit)
        day = limit.date.p05 or limit.date.p50
        if limit.hours_to.p50 == 0:
            day = today
        if what is None or day is None:
            continue
        if what not in due or day < due[what][0]:
            due[what] = (day, limit.limit, outlook(limit, trend))
    return due


def _work(
    vessel: str,
    engine: str,
    what: str,
    why: str,
    due: str,
    forecast: str,
    stays: Sequence[Stay],
    settings: Planning,
    now: date,
) -> Work:
    # The last stay that begins in time: work done early wastes life, work done late passes the limit.
    stay = next((s for s in reversed(stays) if s.from_day <= due), None)
    later = next((s for s in stays if s.from_day > due), None)
    note = "" if stay else "No port stay before the earliest day."
    if stay is None and later is not None:
        note += f" The next one, {later.port} on {later.from_day}, comes after it."
    if what != "Renew the chain":
        return Work(vessel, engine, what, why, due, forecast, stay, note=note.strip())
    order = date.fromisoformat(stay.from_day if stay else due) - timedelta(days=settings.chain_lead_days)
    if order < now:
        note += f" The part would have had to be ordered by {order.isoformat()}: order it now."
    return Work(vessel, engine, what, why, due, forecast, stay, CHAIN, order.isoformat(), note.strip())


def in_stays(works: Iterable[Work]) -> dict[int, list[Work]]:
    """The works of each stay, by its id; those without one under 0."""
    found: dict[int, list[Work]] = {}
    for work in works:
        found.setdefault(work.stay.id if work.stay else 0, []).append(work)
    return found
