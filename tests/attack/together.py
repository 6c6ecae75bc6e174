"""All attacks at once on one ship, beside a head and a subscriber, for as long as wished."""

import contextlib
import json
import threading
import time
from collections import Counter
from dataclasses import dataclass, replace

from tests.attack.case import ALARM_S, CASES, Case
from tests.attack.head_process import EVERY_S
from tests.attack.on_mqtt import ROOT, Stranger
from tests.attack.on_page import filled
from tests.attack.rig import Ship, more_descriptors, ship

UNIT_MIB = 160.0
"""MemoryMax of the unit."""


@dataclass(frozen=True)
class Report:
    """Memory in MiB, times in s, the attacks' rounds and failed rounds by case. `why`: empty where all held."""

    why: str
    before_mib: float
    most_mib: float
    alarms: int
    alarm_s: float
    late: int
    events: int
    rounds: Counter[str]
    failed: Counter[str]


class _Attacker(threading.Thread):
    """One case over and over; what it cannot get beside the others is counted, not an error."""

    def __init__(
        self, one: Case, target: Ship, over: threading.Event, report: tuple[Counter[str], Counter[str]]
    ) -> None:
        super().__init__(daemon=True)
        self._one, self._target, self._over, (self._rounds, self._failed) = one, target, over, report

    def run(self) -> None:
        """Until it is over."""
        while not self._over.is_set():
            mine = replace(self._target, attackers=contextlib.ExitStack())
            self._rounds[self._one.name] += 1
            try:
                with mine.attackers:
                    self._one.attack(mine)
                    self._over.wait(2.0)
            except BaseException:
                self._failed[self._one.name] += 1
                self._over.wait(1.0)


def run(minutes: float) -> Report:
    """Attack for so long, then look at what panel, relay, subscriber and memory have seen."""
    more_descriptors(16_384)
    rounds = int(minutes * 60 / EVERY_S) + 30
    with ship(rounds, before=filled, protocol="3.1.1", second=True) as s:
        topics = (f"{ROOT}/main/event", f"{ROOT}/event")
        subscriber = Stranger(s.broker.port, *topics)
        before, begun, counts = s.rss_mib(), time.monotonic(), (Counter[str](), Counter[str]())
        over = threading.Event()
        attackers = [_Attacker(one, s, over, counts) for one in CASES if one.together]
        for a in attackers:
            a.start()
        most = before
        while time.monotonic() - begun < minutes * 60:
            most = max(most, s.rss_mib())
            time.sleep(1.0)
        ended = time.monotonic() - EVERY_S
        over.set()
        end_s = time.monotonic() + 20.0
        for a in attackers:
            a.join(max(0.0, end_s - time.monotonic()))
        delays = s.alarm_delays_s(begun, ended)
        time.sleep(5.0)
        seqs = sorted({json.loads(p)["seq"] for t in topics for p in subscriber.heard[t]})
        subscriber.close()
        late = sum(d > ALARM_S for d in delays)
        gaps = bool(seqs) and seqs != list(range(seqs[0], seqs[-1] + 1))
        why = "; ".join(
            text
            for text, wrong in (
                (f"{late} of {len(delays)} alarms took over {ALARM_S:g} s", late > 0),
                (f"{most:.0f} MiB", most > UNIT_MIB),
                ("a gap in the events", gaps or not seqs),
                ("the daemon has ended", s.process.child.poll() is not None),
                ("a traceback in the log", s.process.told("Traceback")),
            )
            if wrong
        )
        return Report(why, before, most, len(delays), max(delays, default=0.0), late, len(seqs), *counts)
