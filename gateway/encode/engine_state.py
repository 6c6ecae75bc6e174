"""One engine's state in one word, with what is wrong, since when, and what to do next: the tile of the page.

The order is that of what a person must know first: no data, then the gravest alert that stands or still wants an
acknowledgement, then that limits are not judged, and only then that all is well.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from gateway.alarm.wording import WORDS
from gateway.model.enums import STANDING, AlarmState, Priority, Quality, Running
from gateway.model.snapshot import AlarmView, EngineDetail, EngineView

CALLING = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED)
AWAY = (AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED)
NO_HEAD = "Check the sensor head's supply and its cable."
NO_GATEWAY = "Check the gateway's log; restart the gateway if it does not recover."
NOT_RUNNING = "No action. Limits are judged while the engine runs ahead at steady speed."
SETTLING = "No action. The figure settles within minutes."
SICK = "Check the sensor that is named. Limits are not judged until its figure is good."
_RUNNING = {
    Running.STOPPED: "Engine stopped",
    Running.TURNING: "Engine on the turning gear",
    Running.CHANGING: "Engine speed changing",
    Running.ASTERN: "Engine running astern",
    Running.UNKNOWN: "Running state unknown",
}


class State(StrEnum):
    """What the tile shows."""

    NORMAL = "normal"
    CAUTION = "caution"
    WARNING = "warning"
    ALARM = "alarm"
    EMERGENCY = "emergency-alarm"
    NO_DATA = "no-data"
    NOT_JUDGED = "not-judged"

    @property
    def word(self) -> str:
        """As it is shown on tile, terminal and fleet's page."""
        return self.value.replace("-", " ").upper()


_OF = {
    Priority.EMERGENCY_ALARM: State.EMERGENCY,
    Priority.ALARM: State.ALARM,
    Priority.WARNING: State.WARNING,
    Priority.CAUTION: State.CAUTION,
}
_WEIGHT = {p: n for n, p in enumerate(_OF)}


@dataclass(frozen=True, slots=True)
class EngineState:
    """`what` is wrong, empty where nothing is; `since_utc_s`: `None` where it is not known; `action`: one sentence,
    empty where all is well; `alert`: the alarm that is shown, or was shown last before the data ended; `away`: what is
    shelved, out of service or suppressed."""

    state: State
    what: str = ""
    since_utc_s: float | None = None
    action: str = ""
    alert: AlarmView | None = None
    away: tuple[AlarmView, ...] = ()


def state_of(*, data: bool, alert: Priority | None, judged: bool) -> State:
    """The state in the order of what a person must know first. `alert`: the highest priority that stands."""
    if not data:
        return State.NO_DATA
    if alert is not None:
        return _OF[alert]
    return State.NORMAL if judged else State.NOT_JUDGED


def gravest(alarms: Iterable[AlarmView]) -> AlarmView | None:
    """The alert to show: of the highest priority, an unacknowledged one before others, the newest first.

    An acknowledged one counts, and so does one that has returned to normal and is not acknowledged."""
    standing = [a for a in alarms if a.state in CALLING]
    return min(standing, key=lambda a: (_WEIGHT[a.priority], not a.unacknowledged, -a.changed_utc_s), default=None)


def alarms_state(alarms: Iterable[AlarmView]) -> EngineState:
    """The state by alarms alone; so are the gateway's own shown."""
    views = tuple(alarms)
    alert, away = gravest(views), tuple(a for a in views if a.state in AWAY)
    if alert is None:
        return EngineState(state_of(data=True, alert=None, judged=True), away=away)
    what = WORDS[alert.tag].title if alert.tag in WORDS else alert.title
    if alert.state is AlarmState.RETURNED:
        what += ": returned to normal, not acknowledged"
    state = state_of(data=True, alert=alert.priority, judged=True)
    return EngineState(state, what, since(alert), action_of(alert.tag), alert, away)


def engine_state(v: EngineView, *, fresh: bool) -> EngineState:
    """The engine's state. `fresh`: the gateway's own parts respond."""
    by_alarms = alarms_state(v.alarms)
    d = v.detail
    if not fresh or not v.head_heard or d is None:
        what = "No data from the sensor head" if fresh else "A part of the gateway does not respond"
        at = None if d is None else d.utc_s
        action = NO_GATEWAY if not fresh else _silent_action(v.alarms)
        state = state_of(data=False, alert=None, judged=False)
        return EngineState(state, what, at, action, by_alarms.alert, by_alarms.away)
    if by_alarms.alert is not None:
        return by_alarms
    return _not_judged(v, d, by_alarms.away) or by_alarms


def _silent_action(alarms: Iterable[AlarmView]) -> str:
    # A head that is not the configured one is heard but not measured: its own alarm has the action.
    wrong = any(a.tag == "head-timing" and a.state in CALLING for a in alarms)
    return action_of("head-timing") if wrong else NO_HEAD


def _not_judged(v: EngineView, d: EngineDetail, away: tuple[AlarmView, ...]) -> EngineState | None:
    not_judged = state_of(data=True, alert=None, judged=False)
    if v.running is not Running.AHEAD:
        at = d.utc_s - d.rest_s if v.running in STANDING and d.rest_s > 0 else None
        return EngineState(not_judged, _RUNNING[v.running], at, NOT_RUNNING, away=away)
    for name, figure in (("Camshaft lag", d.lag), ("Spring length", d.spring)):
        if figure.value is None or figure.quality is not Quality.GOOD:
            action = SETTLING if figure.reason.startswith("too few revolutions") else SICK
            return EngineState(not_judged, f"{name}: {figure.reason or 'not known'}", None, action, away=away)
    return None


def since(a: AlarmView) -> float:
    """Since when it stands; acknowledging does not change it."""
    return a.changed_utc_s if a.since_utc_s is None or a.state is AlarmState.RETURNED else a.since_utc_s


def action_of(tag: str) -> str:
    """What to do about an alarm, in one sentence."""
    return WORDS[tag].action if tag in WORDS else ""


def present_figure(tag: str, v: EngineView, *, known: bool, hours_since_retightened: float | None = None) -> str:
    """The present figure that an alarm is about, with its unit; empty where it is about no figure. `known`: data come;
    without them no figure is the present one."""
    d = v.detail
    lag = None if d is None else d.lag.value
    figures: dict[str, tuple[float | None, int, str]] = {
        "lag-near": (lag, 2, "°"),
        "lag-limit": (lag, 2, "°"),
        "tension-low": (v.compression_mm, 1, " mm compressed"),
        "tension-high": (v.compression_mm, 1, " mm compressed"),
        "tightener-moved": (v.spring_mm, 1, " mm long"),
        "slap-high": (v.slap_mm, 1, " mm"),
        "elongation-near": (v.elongation_percent, 2, " %"),
        "elongation-limit": (v.elongation_percent, 2, " %"),
        "retighten-due": (hours_since_retightened, 0, " h"),
    }
    if tag not in figures:
        return ""
    value, digits, unit = figures[tag]
    if value is None or not known:
        return "not known now"
    if unit == "°":
        return f"{abs(value):.{digits}f}° {'late' if value >= 0 else 'early'}"
    return f"{round(value, digits) + 0.0:,.{digits}f}{unit}"
