"""From figures to findings: what raises each alarm, in one place, without time or memory of its own."""

from collections.abc import Callable
from dataclasses import dataclass

from gateway.alarm.machine import HELD, Alarm, AlarmSet, Finding
from gateway.alarm.table import BY_TAG
from gateway.alarm.wording import LIMIT_NAMES
from gateway.model.enums import Running
from gateway.model.settings import EngineSettings
from gateway.wear.shape_reference import OFF, ShapeView
from gateway.wear.summary import StandingStep, WearSummary


@dataclass(slots=True)
class Evidence:
    """All that the alarms of one engine are judged by; `None` = not known, which holds what hangs on it.

    Not frozen: one is made for every second, and a frozen one takes three times as long to make.
    """

    running: Running
    settled: bool
    lag_deg: float | None
    compression_mm: float | None
    spring_mm: float | None
    slap_mm: float | None
    lag_step: StandingStep | None
    tension_step: StandingStep | None
    lag_step_known: bool
    tension_step_known: bool
    transducer: str | None
    crank: str | None
    cam: str | None
    silent_s: float | None
    link_loss_percent: float | None
    wear: WearSummary
    port_text: str = ""
    """Why nothing can come: the port of the head has vanished."""
    head_text: str | None = ""
    """What is wrong with the head's identity or its times; empty where nothing is."""
    unused_min: float | None = None
    shape: ShapeView = OFF


def judge(engine: EngineSettings, alarms: AlarmSet, e: Evidence) -> dict[str, Finding]:
    """A finding for every alarm of the engine; held where the running state or a sensor does not let it be judged."""
    held, judged = _WHEN[e.running, e.settled]
    by_tag = alarms.alarms
    faulty = [tag for tag in _HOLDING if by_tag[tag].facts.active]
    out = dict.fromkeys(held, HELD)
    for tag, rule in judged:
        alarm = by_tag[tag]
        hidden = faulty and any(tag in alarm.row.held_by for tag in faulty)
        out[tag] = HELD if hidden else rule(engine, e, alarm)
    return out


CLEAR = Finding(False)


def _edge(limit: float, alarm: Alarm) -> float:
    """From where on the condition holds: the limit; once active, until it is back by the dead band."""
    return limit - (alarm.deadband if alarm.facts.active else 0.0)


def _over(value: float, limit: float, alarm: Alarm) -> bool:
    return value >= _edge(limit, alarm)


def _lag(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    if e.lag_deg is None:
        return HELD
    near = alarm.row.tag == "lag-near"
    limit = engine.lag.near_deg if near else engine.lag.limit_deg
    past = abs(e.lag_deg) - _edge(limit, alarm)
    if past < 0:
        return Finding(False, e.lag_deg, limit)
    what = "warning limit" if near else "limit"
    side = "late" if e.lag_deg >= 0 else "early"
    text = f"Camshaft {abs(e.lag_deg):.2f}° {side}, {what} {limit:.2f}°"
    if e.lag_deg < 0:
        text += ". Early is not wear"
    return Finding(True, e.lag_deg, limit, text)


def _tension(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    t = engine.tightener
    if t.kind != "sprung":
        return CLEAR
    if e.compression_mm is None:
        return HELD
    low = alarm.row.tag == "tension-low"
    limit = t.required_compression_mm + (-t.band_mm if low else t.band_mm)
    sign = -1.0 if low else 1.0
    past = sign * e.compression_mm - _edge(sign * limit, alarm)
    if past < 0:
        return Finding(False, e.compression_mm, limit)
    text = f"Chain {'slack' if low else 'tight'}: spring compressed {e.compression_mm:.1f} mm, limit {limit:.1f} mm"
    return Finding(True, e.compression_mm, limit, text)


def _moved(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    t = engine.tightener
    if t.kind != "locked" or t.locked_at_mm is None:
        return CLEAR
    if e.spring_mm is None:
        return HELD
    moved = e.spring_mm - t.locked_at_mm
    text = f"Locked tightener moved {moved:+.2f} mm, limit {t.moved_mm:.2f} mm. A part is loose or broken"
    past = abs(moved) - _edge(t.moved_mm, alarm)
    return Finding(past >= 0, e.spring_mm, t.locked_at_mm, text)


def _step(seen: StandingStep | None, known: bool, limit: float) -> Finding:
    if seen is not None:
        return Finding(True, seen.size, limit, seen.text)
    return Finding(False, None, limit) if known else HELD


def _lag_step(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    return _step(e.lag_step, e.lag_step_known, engine.lag.step_deg)


def _tension_step(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    return _step(e.tension_step, e.tension_step_known, engine.tightener.step_mm)


def _slap(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    if e.slap_mm is None:
        return HELD
    limit = engine.tightener.slap_limit_mm
    past = e.slap_mm - _edge(limit, alarm)
    if past < 0:
        return Finding(False, e.slap_mm, limit)
    return Finding(True, e.slap_mm, limit, f"Chain slap {e.slap_mm:.1f} mm, limit {limit:.1f} mm")


def _elongation(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    value = e.wear.elongation_percent
    if value is None:
        return HELD
    near = alarm.row.tag == "elongation-near"
    limit = engine.elongation.near_percent if near else engine.elongation.limit_percent
    if not _over(value, limit, alarm):
        return Finding(False, value, limit)
    text = f"Chain {value:.2f} % longer than new, {'warning limit' if near else 'limit'} {limit:.2f} %"
    return Finding(True, value, limit, text)


def _disagree(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    if e.wear.agreement == "unknown":
        return HELD
    causes = e.wear.causes
    text = "Lag and tightener do not agree" + (f". Most likely: {causes[0]}" if causes else "")
    return Finding(e.wear.agreement == "part", None, None, text, causes)


def _in_sight(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    horizon = engine.service.planning_horizon_h
    hours = e.wear.hours_to_limit
    if hours is None:
        return Finding(False, None, horizon)
    if not _over(-hours, -horizon, alarm):
        return Finding(False, hours, horizon)
    name = LIMIT_NAMES.get(e.wear.nearest_limit, e.wear.nearest_limit)
    about = f"about {round(hours, -1):,.0f} h" if hours >= LEAST_H else f"less than {LEAST_H:,.0f} h"
    return Finding(True, hours, horizon, f"{name} expected in {about} at the earliest (1 in 20)")


def _retighten(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    since, every = e.wear.hours_since_retightened, e.wear.retighten_every_h
    if since is None:
        return HELD
    if since < every:
        return Finding(False, since, every)
    return Finding(True, since, every, f"{since:,.0f} h since retightening, interval {every:,.0f} h")


def _sensor(fault: str | None) -> Finding:
    if fault is None:
        return HELD
    return Finding(True, None, None, fault) if fault else CLEAR


def _silent(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    if e.silent_s is None:
        return HELD
    if e.silent_s == 0:
        return CLEAR
    return Finding(
        True, e.silent_s, None, e.port_text or "No valid data from the sensor head. Check its supply and its cable"
    )


def _poor(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    loss = e.link_loss_percent
    if loss is None:
        return HELD
    past = loss - _edge(LINK_LOSS_PERCENT, alarm)
    if past < 0:
        return Finding(False, loss, LINK_LOSS_PERCENT)
    text = f"{loss:.1f} % of frames lost or refused in 10 min. Check the cable, its screen and the baud rate"
    return Finding(True, loss, LINK_LOSS_PERCENT, text)


def _head(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    if e.head_text is None:
        return HELD
    return Finding(True, e.unused_min, None, e.head_text) if e.head_text else CLEAR


def _by_person(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    """A trial is raised by an act, and ended by time that passes for the person who waits."""
    return HELD


def _shape(engine: EngineSettings, e: Evidence, alarm: Alarm) -> Finding:
    """While a step of the lag stands, an encoder may have moved, and its mounting error with it."""
    if engine.cams is None or not e.shape.changes or e.lag_step is not None:
        return HELD
    limit, named = engine.cams.change_percent, e.shape.named
    if named is None:
        return Finding(False, max((c.p50 for c in e.shape.changes), key=abs), limit)
    return Finding(True, named.p50, limit, e.shape.text)


LEAST_H = 10.0
"""No forecast is known to less."""
LINK_LOSS_PERCENT = 1.0
"""Interface, section 3."""

Rule = Callable[[EngineSettings, Evidence, Alarm], Finding]
_RULES: dict[str, Rule] = {
    "head-silent": _silent,
    "transducer-fault": lambda engine, e, alarm: _sensor(e.transducer),
    "crank-encoder-fault": lambda engine, e, alarm: _sensor(e.crank),
    "cam-encoder-fault": lambda engine, e, alarm: _sensor(e.cam),
    "link-poor": _poor,
    "head-timing": _head,
    "trial": _by_person,
    "shape-changed": _shape,
    "lag-limit": _lag,
    "lag-near": _lag,
    "lag-step": _lag_step,
    "tension-low": _tension,
    "tension-high": _tension,
    "tightener-moved": _moved,
    "tension-step": _tension_step,
    "slap-high": _slap,
    "elongation-limit": _elongation,
    "elongation-near": _elongation,
    "wear-disagree": _disagree,
    "limit-in-sight": _in_sight,
    "retighten-due": _retighten,
}
_HOLDING = tuple(sorted({holder for tag in _RULES for holder in BY_TAG[tag].held_by}))

_When = tuple[tuple[str, ...], tuple[tuple[str, Rule], ...]]


def _when(running: Running, settled: bool) -> _When:
    """Which tags are held in a running state, and which are judged by which rule."""
    rows = [BY_TAG[tag] for tag in _RULES]
    judged = [row.tag for row in rows if running in row.states and (settled or not row.settled)]
    held = tuple(row.tag for row in rows if row.tag not in judged)
    return held, tuple((tag, _RULES[tag]) for tag in judged)


_WHEN = {(running, settled): _when(running, settled) for running in Running for settled in (False, True)}
