"""All attacks at once on one ship, beside a head and a subscriber, for as long as wished."""

import contextlib
import json
import os
import threading
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

from gateway.store.reader import StateReader
from tests.attack.case import ALARM_S, CASES, Case
from tests.attack.head_process import EVERY_S
from tests.attack.on_mqtt import ROOT, Stranger
from tests.attack.on_page import filled
from tests.attack.rig import Ship, more_descriptors, ship

UNIT_MIB = 160.0
"""MemoryMax of the unit."""
DELIVERED_S = 60.0
"""After the attacks the broker may have been connected again within so long."""


@dataclass(frozen=True)
class Alarm:
    """A planted alarm: when its loop broke (s after the beginning), when panel and relay had it (s after that), and the
    longest delay of the machine itself in that time."""

    at_s: float
    delay_s: float
    machine_s: float


@dataclass(frozen=True)
class Delivered:
    """Events of the ship's store since the subscriber came, and what the subscriber had of them. `missing`: each with
    its topic; `strange`: numbers that the store does not have; `topics`: events of the store by topic."""

    stored: int
    topics: Counter[str]
    heard: int
    twice: int
    missing: list[str]
    strange: list[int]
    connections: int


@dataclass(frozen=True)
class Report:
    """Memory in MiB. The attacks' rounds, and those cut short, by case. `why`: what did not hold."""

    why: list[str]
    before_mib: float
    most_mib: float
    alarms: list[Alarm]
    delivered: Delivered
    machine_s: float
    load: tuple[float, float]
    log_kb: float
    rounds: Counter[str]
    failed: Counter[str]
    reasons: dict[str, str]


class _Attacker(threading.Thread):
    """One case over and over; what it cannot get beside the others is counted, not an error."""

    def __init__(self, one: Case, target: Ship, over: threading.Event) -> None:
        super().__init__(daemon=True)
        self.name, self.rounds, self.failed, self.reason = one.name, 0, 0, ""
        self._one, self._target, self._over = one, target, over

    def run(self) -> None:
        """Until it is over."""
        while not self._over.is_set():
            mine = replace(self._target, attackers=contextlib.ExitStack())
            self.rounds += 1
            try:
                with mine.attackers:
                    self._one.attack(mine)
                    self._over.wait(2.0)
            except BaseException as e:
                self.failed += 1
                self.reason = f"{type(e).__name__}: {e}".splitlines()[0][:100]
                self._over.wait(1.0)


def run(minutes: float) -> Report:
    """Attack for so long, then look at what panel, relay, subscriber and memory have seen."""
    more_descriptors(16_384)
    with ship(int(minutes * 60 / EVERY_S) + 30, before=filled, protocol="3.1.1", second=True) as s:
        reader = StateReader(s.folder / "data")
        subscriber = Stranger(s.broker.port, f"{ROOT}/+/event", f"{ROOT}/event")
        first = _last_seq(reader) + 1
        logged = s.log_bytes()
        load, before, begun = os.getloadavg()[0], s.rss_mib(), time.monotonic()
        over = threading.Event()
        attackers = [_Attacker(one, s, over) for one in CASES if one.together]
        for a in attackers:
            a.start()
        most = before
        while (now := time.monotonic()) - begun < minutes * 60 and s.process.child.poll() is None:
            most = max(most, s.rss_mib())
            time.sleep(1.0)
        over.set()
        for a in attackers:
            a.join(max(0.0, now + 30.0 - time.monotonic()))
        load = (load, os.getloadavg()[0])
        alarms = _alarms(s, begun, now - EVERY_S)
        delivered = _delivered(reader, subscriber, first)
        subscriber.close()
        reader.close()
        return Report(
            list(_faults(s, most, alarms, delivered)),
            before,
            most,
            alarms,
            delivered,
            s.watch.machine_s(begun, now),
            load,
            (s.log_bytes() - logged) / 1e3,
            Counter({a.name: a.rounds for a in attackers}),
            Counter({a.name: a.failed for a in attackers}),
            {a.name: a.reason for a in attackers},
        )


def _alarms(s: Ship, begun: float, ended: float) -> list[Alarm]:
    found = zip(s.breaks_s(begun, ended), s.alarm_delays_s(begun, ended), strict=True)
    return [Alarm(at - begun, delay, s.watch.machine_s(at, at + min(delay, EVERY_S))) for at, delay in found]


def _last_seq(reader: StateReader) -> int:
    return max((row.seq for row in reader.events(0, 1, newest_first=True)), default=0)


def _delivered(reader: StateReader, subscriber: Stranger, first: int) -> Delivered:
    """Compare what the subscriber had with the store, number by number, once the last of now has come."""
    last = _last_seq(reader)
    end_s = time.monotonic() + DELIVERED_S
    while last not in (heard := _heard(subscriber)) and time.monotonic() < end_s:
        time.sleep(0.5)
    rows: dict[int, str] = {}
    topics, after = Counter[str](), first - 1
    while page := [r for r in reader.events(after, 1_000) if r.seq <= last]:
        topics.update(r.topic for r in page)
        rows |= {r.seq: f"{r.seq} of {r.topic}" for r in page}
        after = page[-1].seq
    numbers = set(heard)
    return Delivered(
        len(rows),
        topics,
        sum(n in rows for n in numbers),
        sum(n - 1 for n in heard.values()),
        [text for seq, text in rows.items() if seq not in numbers],
        sorted(n for n in numbers if first <= n <= last and n not in rows),
        subscriber.connections,
    )


def _heard(subscriber: Stranger) -> Counter[int]:
    return Counter(json.loads(p)["seq"] for payloads in list(subscriber.heard.values()) for p in list(payloads))


def _faults(s: Ship, most: float, alarms: list[Alarm], delivered: Delivered) -> Iterable[str]:
    late = sum(a.delay_s > ALARM_S for a in alarms)
    if late or not alarms:
        yield f"{late} of {len(alarms)} alarms took over {ALARM_S:g} s"
    if most > UNIT_MIB:
        yield f"{most:.0f} MiB"
    if delivered.missing or not delivered.stored:
        yield f"the subscriber lacks {len(delivered.missing)} of {delivered.stored} events"
    if delivered.strange:
        yield f"{len(delivered.strange)} events at the subscriber that the store does not have"
    if s.process.child.poll() is not None:
        yield "the daemon has ended"
    if s.process.told("Traceback"):
        yield "a traceback in the log"


def table(minutes: float, r: Report) -> list[str]:
    """What is printed: the verdict first, then the figures."""
    d, slow = r.delivered, sorted(r.alarms, key=lambda a: -a.delay_s)[:5]
    found = [
        f"all attacks at once for {minutes:g} min: {'did NOT hold: ' + '; '.join(r.why) if r.why else 'held'}",
        f"load average {r.load[0]:.1f} at the beginning, {r.load[1]:.1f} at the end; the longest time for which the "
        f"machine did not let a process run that only looks at the panel: {r.machine_s:.2f} s",
        f"memory {r.before_mib:.1f} MiB before, {r.most_mib:.1f} at most (unit: {UNIT_MIB:g}); log {r.log_kb:.0f} kB",
        f"{len(r.alarms)} planted alarms, {sum(a.delay_s > ALARM_S for a in r.alarms)} of them over {ALARM_S:g} s at "
        "panel or relay; the slowest:",
        *(
            f"  {a.delay_s:6.2f} s, at {a.at_s:6.0f} s, the machine's own delay meanwhile {a.machine_s:.2f} s"
            for a in slow
        ),
        f"{d.stored} events in the store, {d.heard} of them at the subscriber ({d.twice} more than once, "
        f"{d.connections} connections), {len(d.missing)} missing, {len(d.strange)} strange",
        *(f"  {n} of {topic}" for topic, n in sorted(d.topics.items())),
        *(f"  missing: {text}" for text in d.missing[:20]),
    ]
    for name, rounds in sorted(r.rounds.items()):
        cut = f", {r.failed[name]} of them cut short; the last: {r.reasons[name]}" if r.failed[name] else ""
        found.append(f"  {name:<34} {rounds:4} rounds{cut}")
    return found
