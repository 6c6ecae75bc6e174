"""Who is to be notified of a situation now: rules, times of day, rota. Pure."""

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from fnmatch import fnmatchcase
from functools import lru_cache
from zoneinfo import ZoneInfo

from gateway.model.shore_settings import WEEKDAYS, Duty, Rule, ShoreSettings, Urgency
from gateway.shore.notices.records import Situation

DAY = timedelta(days=1)


@lru_cache(maxsize=8)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def local(settings: ShoreSettings, utc_s: float) -> datetime:
    """The wall clock of the people."""
    return datetime.fromtimestamp(utc_s, _zone(settings.notices.timezone))


def rule_for(settings: ShoreSettings, situation: Situation, utc_s: float) -> Rule | None:
    """The first rule that fits now; `None`: nobody is notified now."""
    now = local(settings, utc_s)
    return next((r for r in settings.rule if _fits(r, situation) and _holds(r, now)), None)


def uncovered(settings: ShoreSettings, priority: Urgency = "alarm") -> list[tuple[str, str]]:
    """Spans of the week at which an alarm of a ship that no rule names reaches nobody.

    From and to, such as `mon 20:00`, by the people's wall clock."""
    situation = Situation("", "any-ship", "any-engine", "any-tag", priority, "", "", "")
    rules = [r for r in settings.rule if _fits(r, situation)]
    if not rules:
        return [("mon 00:00", "mon 00:00")]
    minutes = sorted({0, *(minute_of(t) % 1_440 for r in rules for t in (r.since, r.until))})
    monday = datetime(2001, 1, 1)
    # What holds changes at these minutes only; a week's worth of them.
    changes = [monday + timedelta(days=d, minutes=m) for d in range(7) for m in minutes]
    reached = [any(_holds(r, at) for r in rules) for at in changes]
    if not any(reached):
        return [("mon 00:00", "mon 00:00")]
    # Begin where somebody is reached, so that a span over Sunday's midnight is one.
    first = reached.index(True)
    changes, reached = changes[first:] + changes[:first], reached[first:] + reached[:first]
    found: list[tuple[str, str]] = []
    since = ""
    for at, is_reached in zip([*changes, changes[0]], [*reached, True], strict=True):
        name = f"{WEEKDAYS[at.weekday()]} {at:%H:%M}"
        if is_reached and since:
            found.append((since, name))
        since = "" if is_reached else since or name
    return found


def _fits(rule: Rule, s: Situation) -> bool:
    return (
        s.priority in rule.priorities
        and _any(rule.tags, s.tag)
        # What belongs to no ship or no engine is no narrower rule's.
        and (_any(rule.vessels, s.vessel) if s.vessel else "*" in rule.vessels)
        and (_any(rule.engines, s.engine) if s.engine else "*" in rule.engines)
    )


def _any(patterns: Sequence[str], name: str) -> bool:
    return any(fnmatchcase(name, p) for p in patterns)


def _holds(rule: Rule, now: datetime) -> bool:
    minute = now.hour * 60 + now.minute
    since, until = minute_of(rule.since), minute_of(rule.until)
    day = now.date()
    if since < until:
        inside = since <= minute < until
    else:
        inside = minute >= since or minute < until
        if minute < until:
            day -= DAY
    return inside and WEEKDAYS[day.weekday()] in rule.days


def minute_of(clock: str) -> int:
    """Minutes since midnight."""
    hours, minutes = clock.split(":")
    return int(hours) * 60 + int(minutes)


def people(settings: ShoreSettings, names: Sequence[str], utc_s: float) -> tuple[str, ...]:
    """The persons behind names of people and duties, in that order, each once."""
    duties = {d.name: d for d in settings.duty}
    now = local(settings, utc_s)
    found = [on_duty(duties[name], now) if name in duties else name for name in names]
    return tuple(dict.fromkeys(found))


def on_duty(duty: Duty, now: datetime) -> str:
    """Whose turn it is."""
    minute = minute_of(duty.hand_over)
    day = now.date() - (DAY if now.hour * 60 + now.minute < minute else timedelta(0))
    turns = (day - date.fromisoformat(duty.first_day)).days // duty.days_each
    return duty.people[turns % len(duty.people)]


def digest_day(settings: ShoreSettings, utc_s: float) -> str | None:
    """The day whose digest is due by now, as YYYY-MM-DD: today's within six hours after its time."""
    now = local(settings, utc_s)
    at = minute_of(settings.notices.digest_at)
    began = datetime.combine(now.date(), time(at // 60 % 24, at % 60), now.tzinfo)
    late = timedelta(0) <= now - began < timedelta(hours=6)
    return now.date().isoformat() if late and WEEKDAYS[now.weekday()] in settings.notices.digest_days else None
