"""What a person may do to an alarm, and when it is refused. Every act gives a transition, with who and why."""

from dataclasses import dataclass, replace
from typing import Literal

from gateway.alarm.machine import Alarm, AlarmSet, Finding
from gateway.model.enums import AlarmState, Priority
from gateway.model.errors import Refused
from gateway.model.limits import SHELVE_HOURS_MAX
from gateway.model.records import Transition

ActKind = Literal["acknowledge", "shelve", "unshelve", "out-of-service", "in-service", "try-alarm"]
TRIAL = "trial"
"""The only alarm that a person raises."""
ACKNOWLEDGEABLE = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


@dataclass(frozen=True, slots=True)
class Act:
    """`by`: who. `tag` `None`: all (acknowledging only). `minutes`: of shelving. `why`: the reason.
    `priority`: of a trial, the alarm's usual one where it is `None`."""

    kind: ActKind
    tag: str | None
    by: str
    why: str = ""
    minutes: float | None = None
    priority: Priority | None = None


def perform(alarms: AlarmSet, act: Act, now_us: int) -> list[Transition]:
    """Do it and return what it changes. Raises Refused, with nothing changed, where it cannot be done."""
    if not act.by.strip():
        raise Refused("who acts is not known; give a name")
    if act.tag is None:
        if act.kind != "acknowledge":
            raise Refused(f"{act.kind} needs the tag of one alarm")
        return [t for alarm in alarms.alarms.values() for t in alarm.acknowledge(now_us, act.by)]
    if act.tag not in alarms.alarms:
        raise Refused(f"there is no alarm {act.tag!r} here; there are: {', '.join(sorted(alarms.alarms))}")
    alarm = alarms[act.tag]
    why_not = _why_not(alarm, act)
    if why_not:
        raise Refused(f"{act.tag}: {why_not}")
    # An act that does not show in the state (a longer shelving, one under a suppression) is put on record all the same.
    return _do(alarm, act, now_us) or [alarm.announce_again(now_us, act.by, _reason(act))]


def _do(alarm: Alarm, act: Act, now_us: int) -> list[Transition]:
    match act.kind:
        case "acknowledge":
            return alarm.acknowledge(now_us, act.by)
        case "shelve":
            return alarm.shelve(now_us, (act.minutes or 0.0) / 60, act.by, _reason(act))
        case "unshelve":
            return alarm.unshelve(now_us, act.by)
        case "out-of-service":
            return alarm.out_of_service(now_us, act.by, _reason(act))
        case "in-service":
            return alarm.in_service(now_us, act.by)
        case "try-alarm":
            alarm.priority = act.priority or alarm.usual_priority
            text = f"TRIAL by {act.by}: do nothing at the engine. The trial ends by itself after 2 min"
            return [replace(t, by=act.by) for t in alarm.judge(now_us, Finding(True, None, None, text))]


def _reason(act: Act) -> str:
    return f"shelved for {act.minutes:g} min: {act.why}" if act.kind == "shelve" else act.why


def _why_not(alarm: Alarm, act: Act) -> str:
    f = alarm.facts
    match act.kind:
        case "acknowledge" if alarm.state not in ACKNOWLEDGEABLE:
            return f"is {alarm.state}; there is nothing to acknowledge"
        case "shelve":
            return _why_not_shelve(alarm, act)
        case "unshelve" if f.shelved_until_us is None:
            return f"is {alarm.state}, not shelved"
        case "out-of-service" if f.out_of_service:
            return "is out of service already"
        case "out-of-service" if not act.why.strip():
            return "taking it out of service needs a reason"
        case "in-service" if not f.out_of_service:
            return f"is {alarm.state}, not out of service"
        case "try-alarm" if act.tag != TRIAL:
            return f"only {TRIAL} can be raised by a person"
        case "try-alarm" if f.active:
            return "is raised already; it ends by itself within 2 min"
        case "try-alarm" if f.out_of_service or f.shelved_until_us is not None:
            return f"is {alarm.state}; put it back first"
    return ""


def _why_not_shelve(alarm: Alarm, act: Act) -> str:
    most = SHELVE_HOURS_MAX * 60
    if act.minutes is None or not 0 < act.minutes <= most:
        given = "no time" if act.minutes is None else f"{act.minutes:g} min"
        return f"{given} given; it can be shelved for more than 0 and at most {most:g} min (24 h)"
    if not act.why.strip():
        return "shelving needs a reason"
    if alarm.facts.out_of_service:
        return "is out of service; put it back in service first"
    return ""
