"""What is due now: from what stands, what was sent and seen, the rota and the clock. Pure; no clock of its own.

A situation opens a notice. After a moment in which others may join, it goes to the first person of its rule, is
repeated at growing intervals, and goes on to the next person, round and round, until somebody has marked it seen or it
is over. What is over is mentioned once to whom it was sent, unless it comes back soon.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from gateway.model.shore_settings import ShoreSettings
from gateway.shore.notices.records import Decision, Delivery, Notice, Reached, Situation
from gateway.shore.notices.rules import people, rule_for

REPEAT_S_MAX = 4 * 3_600.0
RANK = {"emergency-alarm": 0, "alarm": 1, "warning": 2, "caution": 3}


@dataclass(slots=True)
class _Gathered:
    due: list[Notice] = field(default_factory=list)
    over: list[Notice] = field(default_factory=list)
    beside: dict[str, str] = field(default_factory=dict)


def decide(
    now_s: float,
    situations: Iterable[Situation],
    notices: Sequence[Notice],
    reached: Mapping[str, Reached],
    settings: ShoreSettings,
) -> Decision:
    """`notices`: those that are not over. `reached`: of each person who was ever sent something."""
    standing = {s.key: s for s in situations}
    known = {n.situation.key for n in notices}
    changed: dict[str, Notice] = {
        s.key: Notice(0, s, now_s, next_s=now_s + settings.notices.gather_s)
        for s in standing.values()
        if s.key not in known
    }
    for old in notices:
        new = _followed(old, standing.get(old.situation.key), now_s, settings)
        if new != old:
            changed[old.situation.key] = new
    gathered: dict[str, _Gathered] = {}
    for notice in [*(changed.get(n.situation.key, n) for n in notices), *(n for n in changed.values() if n.id == 0)]:
        _gather(gathered, changed, notice, now_s, reached, settings)
    deliveries = []
    for person, g in gathered.items():
        if not _may(reached.get(person, Reached()), now_s, settings):
            # They stay due, and go out together as soon as they may.
            continue
        deliveries.append(Delivery(person, tuple(sorted(g.due, key=_urgency)), tuple(g.over), _words(g.beside)))
        for n in g.due:
            changed[n.situation.key] = _sent(n, person, now_s, reached, settings)
        for n in g.over:
            changed[n.situation.key] = _without(changed.get(n.situation.key, n), person)
    return Decision(tuple(changed.values()), tuple(d for d in deliveries if d.due or d.over))


def _followed(n: Notice, situation: Situation | None, now_s: float, settings: ShoreSettings) -> Notice:
    """The notice with what stands by now."""
    if situation is not None:
        return replace(n, situation=situation, absent_s=None)
    absent_s = now_s if n.absent_s is None else n.absent_s
    settled = now_s - absent_s >= settings.notices.settle_min * 60
    return replace(n, absent_s=absent_s, over=settled and not n.people)


def _gather(
    gathered: dict[str, _Gathered],
    changed: dict[str, Notice],
    n: Notice,
    now_s: float,
    reached: Mapping[str, Reached],
    settings: ShoreSettings,
) -> None:
    if n.over:
        return
    if n.absent_s is not None:
        if now_s - n.absent_s >= settings.notices.settle_min * 60:
            for person in dict.fromkeys(n.people):
                gathered.setdefault(person, _Gathered()).over.append(n)
        return
    rule = None if n.seen_by else rule_for(settings, n.situation, now_s)
    if rule is None:
        return
    order = people(settings, rule.notify, now_s)
    step = _step(n, order, reached, settings.notices.times_each)
    if now_s < n.next_s and step == n.step:
        return
    to = gathered.setdefault(order[step // settings.notices.times_each % len(order)], _Gathered())
    to.due.append(replace(n, step=step))
    if step != n.step:
        to.beside[n.people[-1]] = reached[n.people[-1]].unreachable


def _step(n: Notice, order: Sequence[str], reached: Mapping[str, Reached], times_each: int) -> int:
    """Past whoever cannot be reached, at once, as long as somebody else can."""

    def lost(person: str) -> bool:
        return bool(reached.get(person, Reached()).unreachable)

    if not n.people or not lost(n.people[-1]) or all(lost(p) for p in order):
        return n.step
    step = n.step
    while lost(order[step // times_each % len(order)]):
        step = (step // times_each + 1) * times_each
    # The one after the last may be the same person again, where the turn was up anyway.
    return step if order[step // times_each % len(order)] != n.people[-1] else n.step


def _may(r: Reached, now_s: float, settings: ShoreSettings) -> bool:
    s = settings.notices
    since_s = now_s - r.last_s
    return since_s >= s.spacing_s and (r.in_hour < s.per_hour_max or since_s >= 3_600.0 / s.per_hour_max)


def _sent(n: Notice, person: str, now_s: float, reached: Mapping[str, Reached], settings: ShoreSettings) -> Notice:
    rule = rule_for(settings, n.situation, now_s)
    count = len(people(settings, rule.notify, now_s)) if rule else 1
    rounds = n.step // (settings.notices.times_each * count)
    wait_s = min(
        max(REPEAT_S_MAX, settings.notices.repeat_min * 60), settings.notices.repeat_min * 60 * 2.0 ** min(rounds, 20)
    )
    return replace(n, step=n.step + 1, next_s=now_s + wait_s, people=(*(p for p in n.people if p != person), person))


def _without(n: Notice, person: str) -> Notice:
    """This person knows by now that it is over; once all do, it is closed."""
    left = tuple(p for p in n.people if p != person)
    return replace(n, people=left, over=not left)


def _urgency(n: Notice) -> tuple[int, float, str]:
    return RANK.get(n.situation.priority, 4), n.opened_s, n.situation.key


def _words(beside: Mapping[str, str]) -> str:
    return "; ".join(f"{person} could not be reached: {why}" for person, why in sorted(beside.items()))
