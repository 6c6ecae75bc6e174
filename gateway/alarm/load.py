"""How much the alarms ask of the people: announcements, floods, chattering, what stands for days, what comes most.

An announcement is an alarm that becomes unacknowledged, whatever it was before: raised, raised again, back from the
shelf. A repeat (from a state to itself) is none. Definitions after ISA-18.2 / IEC 62682 and EEMUA 191, by a public
quotation: flood from more than 10 in ten minutes until fewer than 5; chattering 3 or more in a minute; standing
(stale) more than 24 h.
"""

import math
from collections import Counter, defaultdict, deque
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import groupby

from gateway.model.enums import AlarmState, Priority

DAY_S = 86_400.0
TEN_MIN_S = 600.0
MINUTE_S = 60.0
FLOOD_ABOVE, FLOOD_ENDS_BELOW = 10, 5
CHATTER_MIN = 3
STANDING_S = DAY_S
MOST_FREQUENT = 5
_ACTIVE = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


@dataclass(frozen=True, slots=True)
class AlarmMoved:
    """One alarm event, as the record has it. `engine` `None`: the gateway's own."""

    utc_s: float
    engine: str | None
    tag: str
    priority: Priority
    came_from: AlarmState
    to: AlarmState

    @property
    def announces(self) -> bool:
        """Does it call for attention again?"""
        return self.to is AlarmState.UNACKNOWLEDGED and self.came_from is not AlarmState.UNACKNOWLEDGED

    @property
    def name(self) -> str:
        """`engine/tag`, or the tag alone of the gateway's own."""
        return self.tag if self.engine is None else f"{self.engine}/{self.tag}"


@dataclass(frozen=True, slots=True)
class Flood:
    """More than ten announcements in ten minutes: from when, for how long, how many."""

    utc_s: float
    seconds: float
    count: int


@dataclass(frozen=True, slots=True)
class Load:
    """The load over `days`. `chattering`, `standing`: names. `frequent`: name and count, most first."""

    days: float
    announcements: int
    per_day_mean: float
    per_day_max: int
    per_ten_min_mean: float
    per_ten_min_max: int
    floods: tuple[Flood, ...]
    flood_percent: float
    chattering: tuple[str, ...]
    standing: tuple[str, ...]
    frequent: tuple[tuple[str, int], ...]
    by_priority: dict[str, int]

    def as_dict(self) -> dict[str, object]:
        """Plain data, fit for JSON."""
        return asdict(self)

    def lines(self) -> list[tuple[str, str]]:
        """A name and a text for each figure, for people."""
        return [
            (
                "announcements",
                f"{self.announcements} in {self.days:.1f} days, by priority: {_counts(self.by_priority)}",
            ),
            ("a day", f"{self.per_day_mean:.2f} on average, at most {self.per_day_max}"),
            ("in ten minutes", f"{self.per_ten_min_mean:.4f} on average, at most {self.per_ten_min_max}"),
            ("floods", f"{len(self.floods)}, {self.flood_percent:.2f} % of the time"),
            ("chattering", ", ".join(self.chattering) or "none"),
            ("standing over 24 h", ", ".join(self.standing) or "none"),
            ("most frequent", ", ".join(f"{name} {n}" for name, n in self.frequent) or "none"),
        ]


def load_on_people(events: Iterable[AlarmMoved], from_utc_s: float, to_utc_s: float) -> Load:
    """The figures for [from, to), from the events up to its end, in any order. Raises ValueError for no time at all.

    A day is a calendar day in UTC; the most in ten minutes is that of any ten minutes, wherever they begin. Earlier
    events count only for what stands.
    """
    if not to_utc_s > from_utc_s:
        raise ValueError("the end is not after the start")
    known = sorted((e for e in events if e.utc_s < to_utc_s), key=lambda e: e.utc_s)
    calls = [e for e in known if e.announces and e.utc_s >= from_utc_s]
    times = [e.utc_s for e in calls]
    days, count = (to_utc_s - from_utc_s) / DAY_S, len(calls)
    floods = _floods(times, to_utc_s)
    return Load(
        days=days,
        announcements=count,
        per_day_mean=count / days,
        per_day_max=max((len(list(g)) for _, g in groupby(times, key=lambda t: t // DAY_S)), default=0),
        per_ten_min_mean=count / (days * DAY_S / TEN_MIN_S),
        per_ten_min_max=_most_within(times, TEN_MIN_S),
        floods=floods,
        flood_percent=100 * sum(f.seconds for f in floods) / (days * DAY_S),
        chattering=_chattering(calls),
        standing=_standing(known, to_utc_s),
        frequent=tuple(sorted(Counter(e.name for e in calls).items(), key=lambda x: (-x[1], x[0]))[:MOST_FREQUENT]),
        by_priority={p.value: sum(e.priority is p for e in calls) for p in Priority},
    )


def _most_within(times: Sequence[float], span_s: float) -> int:
    most, window = 0, deque[float]()
    for t in times:
        window.append(t)
        while window[0] <= t - span_s:
            window.popleft()
        most = max(most, len(window))
    return most


def _floods(times: Sequence[float], end_s: float) -> tuple[Flood, ...]:
    """Begins when the last ten minutes hold more than ten, ends when they hold fewer than five."""
    floods: list[Flood] = []
    began, count = None, 0
    window: deque[float] = deque()
    for t, together in groupby([*times, math.inf]):
        # One that leaves the ten minutes just as another comes makes no gap.
        while window and (leaves := window[0] + TEN_MIN_S) <= t:
            window.popleft()
            if began is not None and leaves < t and len(window) < FLOOD_ENDS_BELOW:
                floods.append(Flood(began, min(leaves, end_s) - began, count))
                began = None
        came = len(list(together))
        window.extend([t] * came)
        if began is None and len(window) > FLOOD_ABOVE:
            began, count = t, len(window)
        elif began is not None and len(window) >= FLOOD_ENDS_BELOW:
            count += came
        elif began is not None:
            floods.append(Flood(began, t - began, count))
            began = None
    return tuple(floods)


def _chattering(calls: Sequence[AlarmMoved]) -> tuple[str, ...]:
    by_name: dict[str, list[float]] = defaultdict(list)
    for e in calls:
        by_name[e.name].append(e.utc_s)
    return tuple(sorted(n for n, times in by_name.items() if _most_within(times, MINUTE_S) >= CHATTER_MIN))


def _standing(events: Sequence[AlarmMoved], end_s: float) -> tuple[str, ...]:
    since: dict[str, float] = {}
    for e in events:
        if e.to in _ACTIVE:
            since.setdefault(e.name, e.utc_s)
        else:
            since.pop(e.name, None)
    return tuple(sorted(name for name, t in since.items() if end_s - t > STANDING_S))


def _counts(by_priority: dict[str, int]) -> str:
    return ", ".join(f"{n} {p}" for p, n in by_priority.items() if n) or "none"
