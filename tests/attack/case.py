"""What a case is, and how one is run: the attack, with the panel watched and the memory taken before and after."""

import contextlib
import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from tests.attack.rig import Ship, ship

ALARM_S = 2.0
"""From the first bad sample to panel and relay, also under attack."""
LONGEST_S = 300.0
"""Of one case; the head plays a minute longer."""


@dataclass(frozen=True)
class Case:
    """`attack(ship)` asserts what must hold meanwhile. `grows_mib`: how much the daemon may grow by it.

    `quick`: in every run of the suite, on a ship shared with others. `together`: may run beside all others.
    """

    name: str
    shows: str
    attack: Callable[[Ship], None]
    grows_mib: float
    quick: bool
    together: bool
    options: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """`why`: empty where it held. Memory in MiB, the longest time from a bad sample to panel and relay in s, how long
    the machine kept a process waiting that only looks at the panel, in s; `took_s`: the case."""

    case: Case
    why: str
    before_mib: float
    after_mib: float
    alarm_s: float
    machine_s: float
    took_s: float


CASES: list[Case] = []


def case(
    shows: str, *, grows_mib: float = 10.0, quick: bool = False, together: bool = True, **options: Any
) -> Callable[[Callable[[Ship], None]], Callable[[Ship], None]]:
    """Register a function as a case under its own name; `options` go to the ship."""

    def register(attack: Callable[[Ship], None]) -> Callable[[Ship], None]:
        name = attack.__name__.replace("_", "-")
        CASES.append(Case(name, shows, attack, grows_mib, quick, together, options))
        return attack

    return register


def run(one: Case) -> Outcome:
    """Run it on a ship of its own."""
    started = False
    try:
        with ship(**one.options) as s:
            started = True
            return on_ship(one, s)
    except AssertionError as e:
        if started:
            raise
        return Outcome(one, f"the ship did not start: {e}", *[float("nan")] * 5)


def on_ship(one: Case, s: Ship) -> Outcome:
    """Run it on this ship; the attackers' connections stay open until a planted alarm has been seen."""
    begun, before = time.monotonic(), s.rss_mib()
    why = ""
    try:
        with at_most(LONGEST_S):
            one.attack(s)
    except AssertionError as e:
        why = str(e).splitlines()[0] if str(e) else "asserted"
    except Exception as e:
        why = f"{type(e).__name__}: {e}"
    after = s.rss_mib()
    alarm_s = s.await_alarm(max(begun, s.judged_from_s))
    s.attackers.close()
    if s.process.child.poll() is not None:
        why = why or "the daemon has ended"
    if s.process.told("Traceback"):
        why = why or "a traceback in the log"
    if not why and alarm_s > ALARM_S:
        why = f"an alarm took {alarm_s:.1f} s"
    if not why and after - before > one.grows_mib:
        why = f"the daemon grew by {after - before:.1f} MiB"
    took_s = time.monotonic() - begun
    return Outcome(one, why, before, after, alarm_s, s.watch.machine_s(begun, begun + took_s), took_s)


@contextlib.contextmanager
def at_most(seconds: float) -> Iterator[None]:
    """Fail what has not ended by then, whatever it waits for. In the main thread only."""

    def over(_signal: int, _frame: object) -> None:
        raise AssertionError(f"not over after {seconds:g} s")

    before = signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)
