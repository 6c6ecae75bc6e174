"""What must be true of every voyage. Reads only what came ashore and what the simulation knows; shares no code with
the product. Each oracle returns its complaints, and figures for the table.
"""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from firmware_sim import Truth

from .broker import Broker
from .clock import START_UTC_S
from .plan import Planted
from .sail import STEADY_CHUNK_US, Sailed, bodies

CALM = ("normal", "returned")
LAG_DEG_MAX = 0.02
LENGTH_MM_MAX = 0.2
AFTER_CHANGE_S = 120.0
"""Issue 18: beyond the first two minutes after a change nothing that is off may be called good."""
HOURS_SHARE_MAX, LATE_H, A_FEW = 0.001, 0.02, 4
FREE_MM, REQUIRED_MM, BAND_MM = 203.2, 23.0, 2.5
NEAR_DEG, LIMIT_DEG = 1.5, 2.0
HORIZON_H = 1_000.0
EARLY = 2.0
"""The early end of a range of 5-95 % may lie so much nearer than the truth without being false."""
NEW_COUNT = ("head restarts", "head's clock jumps", "port vanished")
WEAR_TAGS = ("lag-near", "lag-limit", "elongation-near", "elongation-limit", "limit-in-sight", "tension-low")
DAY_S = 86_400.0
LATE_S = 700.0
SLAPS_BELOW_MM = 8.0
BY_MEDIANS_S = 12 * 3_600.0


@dataclass
class Verdict:
    """Of one voyage."""

    seed: int
    days: float
    failures: list[str] = field(default_factory=list)
    false_alarms: list[str] = field(default_factory=list)
    planted: int = 0
    found: int = 0
    missed: list[str] = field(default_factory=list)
    delays: list[tuple[str, float]] = field(default_factory=list)
    events: int = 0
    copies: int = 0
    worded: int = 0
    named: int = 0
    may_be_first: int = 0
    named_first: int = 0
    unnamed: list[str] = field(default_factory=list)
    lag_worst_deg: float = 0.0
    length_worst_mm: float = 0.0
    readings: int = 0
    hours_worst_share: float = 0.0
    ports_off_h: float = 0.0
    trends: int = 0
    covered: int = 0
    forecasts: int = 0
    digest: str = ""
    took_s: float = 0.0
    box: str = ""


@dataclass(frozen=True)
class Moved:
    """An alarm's transition ashore. `at_s`: true time at which the box made it."""

    at_s: float
    tag: str
    came_from: str
    to: str
    text: str = ""
    causes: tuple[str, ...] = ()

    @property
    def calls(self) -> bool:
        """Does it call anew?"""
        return self.to == "unacknowledged" != self.came_from


def judge(s: Sailed) -> Verdict:
    """All oracles over one voyage."""
    v = Verdict(s.plan.seed, s.plan.days)
    v.box = f"{s.starts} starts, {s.kills} kills, {s.cuts} power cuts"
    v.failures += [f"crashed: {c}" for c in s.crashes]
    if s.fault:
        v.failures.append(f"the store still says: {s.fault}")
    ashore = _once_in_order(s, v, s.broker)
    if s.shore is not None:
        _once_in_order(s, v, s.shore)
        _every_trend(s, s.shore, v)
    moved = _chained(s, ashore, v)
    truth = Truth(s.plan.scenario(), s.plan.seed)
    _found(s, moved, v)
    _held(s, moved, truth, v)
    _explained(s, moved, v)
    _without_cause(s, moved, truth, v)
    _readings(s, truth, v)
    _forecasts(s, truth, v)
    v.digest = s.digest()
    return v


def _once_in_order(s: Sailed, v: Verdict, broker: Broker) -> list[dict[str, Any]]:
    """Every event the store gave a seq is ashore, in order, without a gap; copies are the same to the byte."""
    seen: dict[int, bytes] = {}
    out = []
    for _, topic, payload in broker.heard:
        if not topic.endswith("/event"):
            continue
        body = json.loads(payload)
        if body["gateway"] != s.gateway:
            v.failures.append(f"an event of another gateway: {body['gateway']}")
            continue
        seq = body["seq"]
        if seq in seen:
            v.copies += 1
            if seen[seq] != payload:
                v.failures.append(f"seq {seq} came twice and differs")
            continue
        if seq != len(seen) + 1:
            v.failures.append(f"seq {seq} came after {len(seen)}")
        seen[seq] = payload
        out.append(body)
    v.events = len(seen)
    if len(seen) != s.seq:
        v.failures.append(f"{s.seq} events were stored and {len(seen)} are ashore")
    return out


def _every_trend(s: Sailed, shore: Broker, v: Verdict) -> None:
    """Each trend is ashore, in order; but for one of a life that died, or could not write, before the disk had it."""
    said: dict[bytes, tuple[int, float]] = {}
    for t, payload in s.trends:
        said.setdefault(payload, (len(said), t))
    came = dict.fromkeys(p for _, topic, p in shore.heard if topic.endswith("/trend"))
    v.trends = len(came)
    v.failures += ["a trend is ashore that nobody said" for p in came if p not in said]
    places = [said[p][0] for p in came if p in said]
    if places != sorted(places):
        v.failures.append("trends came ashore out of order")
    bad = [(h.at_s, h.until_s + 900) for h in s.plan.happenings if h.what.startswith("disk ")]
    bad += [(a - 900, b) for a, b in s.down]
    for payload, (_, t) in said.items():
        if payload not in came and not any(a <= t <= b for a, b in bad):
            v.failures.append(f"the trend of {t / 3600:.2f} h is not ashore")
            return


def _chained(s: Sailed, ashore: list[dict[str, Any]], v: Verdict) -> list[Moved]:
    """Each alarm's transitions follow from one another over all lives of the daemon; the last is what stands, and what
    the broker retains. What was handed over and is not ashore can only have been lost with a life that could not write.
    """
    times: dict[tuple[object, ...], float] = {}
    for at_s, body in s.kept:
        times.setdefault(_key(body), at_s)
    state: dict[str, str] = {}
    moved = []
    for body in ashore:
        if body["kind"] != "alarm":
            continue
        tag = body["tag"]
        before = state.get(tag, "normal")
        if body["from"] != before:
            v.failures.append(f"{tag} goes from {body['from']} and stood at {before} (seq {body['seq']})")
        state[tag] = body["to"]
        at_s = times.get(_key(body))
        if at_s is None:
            v.failures.append(f"seq {body['seq']} is ashore and nobody said it")
        elif body["from"] != body["to"]:
            moved.append(Moved(at_s, tag, body["from"], body["to"], body["text"], tuple(body["causes"])))
    for tag, stands in s.final.items():
        if state.get(tag, "normal") != stands:
            v.failures.append(f"{tag} stands at {stands}; ashore its last event says {state.get(tag, 'normal')}")
    for topic, payload in s.broker.retained.items():
        tag = topic.rpartition("/")[2]
        if "/alarm/" in topic and json.loads(payload)["state"] != s.final.get(tag):
            v.failures.append(f"{tag} stands at {s.final.get(tag)}; the broker retains {json.loads(payload)['state']}")
    dark = sum(b - a for a, b in s.down) + 1
    if len({_key(b) for _, b in s.kept}) - len(ashore) > 0 and dark <= 1:
        v.failures.append("events were handed over and are not ashore, and the box was never down")
    return moved


def _key(body: dict[str, Any]) -> tuple[object, ...]:
    return tuple(body.get(k) for k in ("ts", "tag", "from", "to", "what", "text", "by"))


def _active(moved: Iterable[Moved], tag: str) -> list[tuple[float, float]]:
    """When the condition of `tag` stood: from unacknowledged until normal or returned."""
    out: list[tuple[float, float]] = []
    since: float | None = None
    for m in moved:
        if m.tag != tag:
            continue
        if m.to in CALM and since is not None:
            out.append((since, m.at_s))
            since = None
        elif m.to not in CALM and since is None:
            since = m.at_s
    return [*out, (since, float("inf"))] if since is not None else out


def _away(moved: Iterable[Moved], tag: str) -> list[tuple[float, float]]:
    """When a person had put `tag` away."""
    mine = [m for m in moved if m.tag == tag]
    ends = [*(m.at_s for m in mine[1:]), float("inf")]
    return [(m.at_s, end) for m, end in zip(mine, ends, strict=False) if m.to in ("shelved", "out-of-service")]


def _troubles(s: Sailed) -> list[tuple[float, float]]:
    """When the box could not see or say: it was down."""
    return [(a, b) for a, b in s.down if b > a]


def _lost_s(s: Sailed, a: float, b: float) -> float:
    return sum(max(0.0, min(b, y) - max(a, x)) for x, y in _troubles(s))


def _slack_s(s: Sailed) -> float:
    """What bursts and the box's own looks add to any delay."""
    return 2 * s.plan.every_s + 60.0


def _found(s: Sailed, moved: list[Moved], v: Verdict) -> None:
    """Each planted fault is called by one of its alarms within its delay, time when the box was down not counted."""
    called = [*moved, *_said_aboard_only(s)]
    for p in s.plan.planted:
        if not p.call.tags or p.until_s <= p.at_s or not p.within_s or p.hidden:
            continue
        if p.call.within_s == 0 or p.at_s > s.plan.port_gone_s:
            continue
        if p.lasting and p.name != "tooth jump" and _lost_s(s, p.at_s - s.plan.every_s - 1, p.at_s + 1):
            # No burst was seen between its last start and the fault: over a stretch that nobody saw the drive may have
            # stood and cooled, and only large steps are told there.
            continue
        lost = _lost_s(s, p.at_s, p.until_s)
        # A steady head's bytes come to the box a chunk at a time.
        chunk_s = 0.0 if s.plan.every_s else STEADY_CHUNK_US / 1e6
        deadline = p.at_s + p.within_s + chunk_s + (lost + _slack_s(s) if lost else 0.0)
        if p.lasting and _lost_s(s, p.at_s, deadline):
            # Dark before it was certain, the box may have missed a stop: then the medians must find it.
            deadline = max(deadline, p.at_s + BY_MEDIANS_S)
        if deadline > min(p.until_s, s.plan.days * DAY_S):
            continue
        if any(a < deadline and b > p.at_s for tag in p.call.tags for a, b in _away(moved, tag)):
            continue
        v.planted += 1
        starts = [a for tag in p.call.tags for a, b in _active(moved, tag) if b > p.at_s and a <= deadline]
        starts += [m.at_s for m in called[len(moved) :] if m.tag in p.call.tags and p.at_s <= m.at_s <= deadline]
        calls = [m.at_s for m in called if m.tag in p.call.tags and m.to == "unacknowledged" and m.at_s >= p.at_s]
        if starts:
            v.found += 1
            v.delays.append((p.name, max(0.0, min(starts) - p.at_s)))
            _worded(p, moved, v)
        else:
            late = f"after {min(calls) - p.at_s:,.0f} s" if calls else "never"
            v.missed.append(f"{p.name} at {p.at_s / 3600:.1f} h: {late}, {p.within_s:,.0f} s allowed")


def _worded(p: Planted, moved: list[Moved], v: Verdict) -> None:
    """The words of the alarm that finds it name the true cause, first where that can be, and no sensor before a
    dangerous cause. What a day more makes certain counts as well."""
    if not p.call.cause:
        return
    said = [m for m in moved if m.tag in p.call.tags and p.since_s <= m.at_s <= p.at_s + p.within_s + DAY_S]
    said = [m for m in said if m.to not in CALM and (m.text or m.causes)]
    if not said:
        return
    v.worded += 1
    orders = [[*m.causes] or [m.text] for m in said]
    if any(re.search(p.call.cause, line.lower()) for m in said for line in (m.text, *m.causes)):
        v.named += 1
    else:
        v.unnamed.append(f"{p.name}: {said[0].text} | {', '.join(said[0].causes)}")
    if p.call.first:
        v.may_be_first += 1
        first = any(re.search(p.call.cause, order[0].lower()) for order in orders)
        v.named_first += first
        if not first:
            v.unnamed.append(f"{p.name} not first: {said[0].text} | {', '.join(said[0].causes)}")
    if p.call.drive_first and (order := _sensor_first(orders)):
        v.failures.append(f"{p.name}: a sensor is named before the drive: {order}")


def _sensor_first(orders: list[list[str]]) -> str:
    """The first order of causes in which a sensor alone stands before anything of the drive."""
    for order in orders:
        first = order[0].lower()
        if re.search(SENSOR_WORDS, first) and not re.search(DRIVE_WORDS, first):
            return "; ".join(order)
    return ""


SENSOR_WORDS = "encoder|transducer"
DRIVE_WORDS = "coupling slipped|tooth|wheel moved|spring|nut|arm|damaged|lock"


def _said_aboard_only(s: Sailed) -> list[Moved]:
    """Calls while the disk took nothing: told to panel and page; a power cut may take them before the disk does."""
    bad = [(h.at_s, h.until_s) for h in s.plan.happenings if h.what.startswith("disk ")]
    return [
        Moved(t, body["tag"], body["from"], body["to"])
        for t, body in s.kept
        if body.get("to") == "unacknowledged" != body.get("from") and any(a <= t <= b for a, b in bad)
    ]


def _held(s: Sailed, moved: list[Moved], truth: Truth, v: Verdict) -> None:
    """No alarm goes to normal or returned while what raised it goes on."""
    for p in s.plan.planted:
        # The head's count tells a slip once; the level stays, and so does the step.
        tags = [t for t in p.call.tags if not (t.endswith("encoder-fault") and p.lasting)]
        until = _set_right_s(s, p) if p.lasting else p.until_s
        for tag in tags[:1] if p.lasting else tags:
            for a, b in _active(moved, tag):
                if p.at_s <= a and b < until and p.at_s <= b:
                    v.failures.append(
                        f"{tag} went calm at {b / 3600:.2f} h while {p.name} (from {p.at_s / 3600:.2f} h) stood"
                    )


def _set_right_s(s: Sailed, p: Planted) -> float:
    """When the crew set right what stays changed."""
    if p.lasting == "lag":
        return min((t for t, _ in s.zeros[1:] if t >= p.at_s), default=float("inf"))
    return min((t for t, what in s.booked if what == "retightened" and t >= p.at_s), default=float("inf"))


def _explained(s: Sailed, moved: list[Moved], v: Verdict) -> None:
    """What a record explains ends with it, also one that is written down days after the work."""
    for p in s.plan.planted:
        set_right_s = _set_right_s(s, p)
        others = [x for x in s.plan.planted if x is not p and x.lasting and x.at_s < set_right_s + DAY_S]
        if p.booked_s == float("inf") or set_right_s == float("inf") or others:
            continue
        ends_s = set_right_s + EXPLAINED_S + 2 * s.plan.every_s + _lost_s(s, set_right_s, set_right_s + DAY_S)
        if not any(begin_s <= set_right_s and ends_s <= end_s for begin_s, end_s in s.plan.passages):
            continue
        for tag in (*p.call.tags, "wear-disagree"):
            if any(a <= set_right_s and ends_s < b for a, b in _active(moved, tag)):
                v.failures.append(f"{tag} stood on after {p.name} was booked at {set_right_s / 3600:.2f} h")


EXPLAINED_S = 1_800.0
"""The off-delay of a step, and the time until the engine is heard to run steadily."""


# -- alarms without cause -----------------------------------------------------------------------------------------


def _without_cause(s: Sailed, moved: list[Moved], truth: Truth, v: Verdict) -> None:
    for m in moved:
        if m.calls and not any(_explanations(s, m, truth)):
            v.false_alarms.append(f"{m.tag} at {m.at_s / 3600:.2f} h")


def _explanations(s: Sailed, m: Moved, truth: Truth) -> Iterator[bool]:
    t, tag, slack = m.at_s, m.tag, _slack_s(s)
    for p in s.plan.planted:
        ends = p.until_s + 1_800 + 3 * slack
        stays_s = p.booked_s + DAY_S if p.lasting else ends
        yield tag in {*p.call.tags, *p.call.explains} and p.since_s <= t <= stays_s
        # Where a year's wear goes by in a day, it goes on while the transducer cannot see it, and shows as one step.
        unseen = "transducer-fault" in p.call.tags and tag in ("tension-step", "wear-disagree")
        yield unseen and p.until_s <= t <= p.until_s + DAY_S and _grew_mm(truth, p.at_s, p.until_s) > UNSEEN_MM
    yield s.plan.odd_clock and tag == "head-timing"
    yield tag == "head-silent" and t >= s.plan.port_gone_s
    for h in s.plan.happenings:
        yield tag in BOX_TAGS.get(h.what, ()) and h.at_s <= t <= h.until_s + 7_200 + slack
    # The end of the voyage: nothing more comes from the head.
    yield tag == "head-silent" and t >= s.plan.days * DAY_S
    yield _by_truth(s, tag, t, truth)
    # Held while the engine lies still, and called anew as it stood when it comes back from the shelf or into service.
    yield m.came_from in ("shelved", "out-of-service") and _by_truth(s, tag, _last_under_way_s(s, t), truth)


def _last_under_way_s(s: Sailed, t: float) -> float:
    return max((min(end_s, t) for begin_s, end_s in s.plan.passages if begin_s <= t), default=t)


UNSEEN_MM = 0.3


def _grew_mm(truth: Truth, begin_s: float, end_s: float) -> float:
    return abs(float(truth.spring_mm(end_s)) - float(truth.spring_mm(begin_s)))


BOX_TAGS: dict[str, tuple[str, ...]] = {
    "disk full": ("storage-fault", "delivery-stalled"),
    "disk read-only": ("storage-fault", "delivery-stalled"),
    "disk failing": ("storage-fault", "delivery-stalled"),
    "disk slow": ("storage-fault", "delivery-stalled"),
    "broker gone": ("delivery-stalled",),
    "broker slow": ("delivery-stalled",),
    "broker silent": ("delivery-stalled",),
    "shore gone": ("delivery-stalled",),
    "shore slow": ("delivery-stalled",),
    "shore silent": ("delivery-stalled",),
    "clock forward": ("clock-doubtful", "delivery-stalled"),
    "clock back": ("clock-doubtful", "delivery-stalled"),
    "clock unsynchronised": ("clock-doubtful",),
    "summer time": ("clock-doubtful", "delivery-stalled"),
    "leap second": ("clock-doubtful",),
    "kill": ("delivery-stalled",),
    "power cut": ("delivery-stalled",),
    "restart with other settings": ("delivery-stalled",),
}


def _lag_then(s: Sailed, t: Any, truth: Truth) -> Any:
    """Lag against the zero that was in force, degrees."""
    zero = [z for at, z in s.zeros if at <= np.min(t)][-1]
    return truth.lag_deg(t) + 17.35 - zero


def _by_truth(s: Sailed, tag: str, t: float, truth: Truth) -> bool:
    near = np.linspace(max(0.0, t - 3_600 - s.plan.every_s), t, 40)
    lag = float(np.abs(_lag_then(s, near, truth)).max())
    compression = FREE_MM - truth.spring_mm(near)
    percent = float(truth.elongation_percent(t))
    match tag:
        case "lag-near":
            return lag >= NEAR_DEG - 0.03
        case "lag-limit":
            return lag >= LIMIT_DEG - 0.03
        case "tension-low":
            return float(compression.min()) <= REQUIRED_MM - BAND_MM + 0.1
        case "tension-high":
            return float(compression.max()) >= REQUIRED_MM + BAND_MM - 0.1
        case "slap-high":
            # Wear of years in days leaves the spring hardly compressed at all.
            return float(compression.min()) <= SLAPS_BELOW_MM
        case "elongation-near":
            return percent >= 0.8 - 0.06
        case "elongation-limit":
            return percent >= 1.0 - 0.06
        case "retighten-due":
            return s.plan.hours_at_start + float(truth.hours(t)) >= 23_800 - 0.5
        case "limit-in-sight":
            # It stays for two days (its off-delay), and calls anew when it comes back from the shelf meanwhile.
            return (
                min(_hours_to_any(s, max(0.0, t - back), truth) for back in (0.0, DAY_S, 2 * DAY_S))
                <= EARLY * HORIZON_H
            )
    return False


def _hours_to_any(s: Sailed, t: float, truth: Truth) -> float:
    """Running hours until the first limit, as the chain wears now."""
    rate = _worn_per_h(s, truth)
    percent = float(truth.elongation_percent(t))
    lag = float(_lag_then(s, np.array([t]), truth)[0])
    left_mm = FREE_MM - REQUIRED_MM + BAND_MM - float(truth.spring_mm(t))
    to_percent = [0.8 - percent, 1.0 - percent, left_mm / truth.spring_mm_per_percent]
    to_percent += [(limit - lag) / truth.lag_deg_per_percent for limit in (NEAR_DEG, LIMIT_DEG)]
    ahead = [x / rate for x in to_percent if x > 0]
    due = 23_800 - s.plan.hours_at_start - float(truth.hours(t))
    return min([*ahead, *([due] if due > 0 else [])], default=0.0)


def _worn_per_h(s: Sailed, truth: Truth) -> float:
    """Per cent a running hour, the mean of the voyage."""
    end_s = s.plan.days * DAY_S
    return float(truth.elongation_percent(end_s) - truth.elongation_percent(0.0)) / max(float(truth.hours(end_s)), 1.0)


# -- readings and forecasts ---------------------------------------------------------------------------------------


def _readings(s: Sailed, truth: Truth, v: Verdict) -> None:
    rows = []
    for t, topic, payload in s.broker.heard:
        if not topic.endswith("/reading"):
            continue
        r = json.loads(payload)
        # While the head is silent nobody counts; its next reading has what it counted meanwhile.
        if r["running"] != "unknown":
            lag = r["lag_deg"] if r["quality"]["lag"] == "good" else None
            rows.append((t, r["hours"], lag, r["spring_mm"] if r["quality"]["spring"] == "good" else None))
    end_s = s.plan.days * DAY_S
    # A reading that waited for its broker is of the time before.
    late = [(h.at_s, h.until_s + LATE_S) for h in s.plan.happenings if h.what.startswith("broker ")]
    rows = [r for r in rows if r[0] <= end_s and not any(a <= r[0] <= b for a, b in late)]
    v.readings = len(rows)
    _hours(s, rows, truth, v)
    for what, at, most in (("lag", 2, LAG_DEG_MAX), ("length", 3, LENGTH_MM_MAX)):
        _good(s, [(r[0], r[at]) for r in rows if r[at] is not None], what, most, truth, v)


def _good(s: Sailed, good: list[tuple[float, Any]], what: str, most: float, truth: Truth, v: Verdict) -> None:
    """What is called good is true at some moment of the time that it speaks of."""
    back_s = s.plan.every_s + 10.0 if s.plan.every_s else 120.0
    excused = _excused(s, what)
    for t, value in good:
        if any(begin_s <= t <= end_s for begin_s, end_s in excused):
            continue
        look = np.linspace(max(0.0, t - back_s), t, 60)
        true = _lag_then(s, look, truth) if what == "lag" else truth.spring_mm(look)
        off = max(float(true.min()) - value, value - float(true.max()), 0.0)
        if what == "lag":
            v.lag_worst_deg = max(v.lag_worst_deg, off)
        else:
            v.length_worst_mm = max(v.length_worst_mm, off)
        if off > most:
            v.failures.append(f"{what} {value:.3f} is called good at {t / 3600:.2f} h and is off by {off:.3f}")
            return


def _excused(s: Sailed, what: str) -> list[tuple[float, float]]:
    """When a good reading may be off: within what a change is allowed, or while nothing on earth shows it, since an
    encoder or a bracket that shifted unseen looks as the drive itself does (sum 20). After a shown step nothing is."""
    settles_s = AFTER_CHANGE_S + s.plan.every_s
    out = [(at_s, at_s + WORK_S + settles_s) for _, at_s in s.plan.work]
    for p in s.plan.planted:
        out += [(at_s, at_s + settles_s) for at_s in (p.at_s, p.until_s)]
        told_s = _step_told_s(s, p) + settles_s
        if p.name in UNTIL_CALLED or p.name.startswith("wired: "):
            out.append((p.at_s, p.at_s + p.within_s))
        elif p.name.endswith("not counted") and what == "lag":
            # One that is too small for a step within minutes is in doubt all the same.
            out.append((p.at_s, min(told_s, p.at_s + (p.within_s if p.deg > SMALL_SLIP_DEG else settles_s))))
        elif p.name == "loose bracket" and what == "length":
            out.append((p.at_s, told_s))
        elif p.name == "transducer creeps" and what == "length":
            out.append((p.at_s, float("inf")))
        if "encoder slipped" in p.name:
            # A zero that is taken afterwards has the slip in it; the truth here has not.
            out.append((_set_right_s(s, p), float("inf")))
    return out


def _step_told_s(s: Sailed, p: Planted) -> float:
    """When a step was reported since the fault."""
    told = (t for t, b in s.kept if b.get("tag") in STEP_TAGS and b.get("to") == "unacknowledged" and t >= p.at_s)
    return min(told, default=float("inf"))


STEP_TAGS = ("lag-step", "tension-step")
SMALL_SLIP_DEG = 0.2
"""Less than weather and a leg may do together: called by a chart of medians, if at all."""
WORK_S = 900.0
UNTIL_CALLED = ("transducer seized", "tightener arm seized", "transducer shifted")
"""The signs of a part that is stuck take an hour of samples; a transducer that shifted, the alarm's own delay (see the
table in `faults`)."""


def _hours(s: Sailed, rows: list[tuple[float, float, float | None, float | None]], truth: Truth, v: Verdict) -> None:
    """From the first reading of each passage to its last, gaps, kills and restarts between. (What an engine that
    manoeuvres does while a head in bursts is silent, its count of turns tells only roughly: `ports_off_h`.)"""
    for begin, end in s.plan.passages:
        inside = [r for r in rows if begin + s.plan.every_s + 60 <= r[0] <= end - s.plan.every_s - 60]
        if len(inside) < 2 or inside[-1][0] - inside[0][0] < 36_000:
            continue
        # Of the pause in which a head begins anew, or its clock steps, nobody has a count.
        if any(begin <= p.at_s <= end and p.name in NEW_COUNT for p in s.plan.planted):
            continue
        # A reading may stand before the pause that went before it is counted, one of a few that follow does not.
        true_h = truth.hours(np.array([r[0] for r in inside]))
        off = [r[1] - float(h) for r, h in zip(inside, true_h, strict=True)]
        lost, ran = max(off[-A_FEW:]) - max(off[:A_FEW]), float(true_h[-1] - true_h[0])
        v.hours_worst_share = max(v.hours_worst_share, abs(lost) / ran)
        # Readings ashore lag by what a burst, or a head's bytes in pieces, take.
        if abs(lost) > max(HOURS_SHARE_MAX * ran, LATE_H):
            v.failures.append(f"{ran + lost:.3f} h counted from {begin / 3600:.1f} h on, {ran:.3f} h true")
    if rows:
        counted = rows[-1][1] - s.plan.hours_at_start
        v.ports_off_h = abs(counted - float(truth.hours(np.array([rows[-1][0]]))[0]))


def _forecasts(s: Sailed, truth: Truth, v: Verdict) -> None:
    """Does the last range of the lag's growth hold the truth?"""
    if any(p.lasting == "lag" for p in s.plan.planted):
        return
    last = [json.loads(p) for t, topic, p in s.broker.heard if topic.endswith("/trend") and t <= s.plan.days * DAY_S]
    known = [m["lag_deg_per_1000h"] for m in last if m["lag_deg_per_1000h"]["p50"] is not None]
    if not known:
        return
    rate = 1_000 * _worn_per_h(s, truth) * truth.lag_deg_per_percent
    v.forecasts = 1
    v.covered = int(known[-1]["p05"] <= rate <= known[-1]["p95"])


__all__ = ["START_UTC_S", "Verdict", "bodies", "judge"]
