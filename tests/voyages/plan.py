"""What a seed makes of a voyage: the ship's course, the faults planted in it, what hits the box, what the crew does."""

import random
import tomllib
from dataclasses import dataclass, field, replace
from pathlib import Path

from firmware_sim import Scenario
from firmware_sim.truth_file import is_work
from firmware_sim.voyage import draw_voyage
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings

from .faults import WRONG_FITTING, Call, call_for, unbooked

DAY_S = 86_400.0
BOOKED_LATE = 0.3
"""Chance that what is written down is written down at sea, hours after the ship has sailed."""
NUT_PITCH_MM = 6.0
TERN = Path(__file__).parents[2] / "config" / "tern-passage.toml"
BOX_EVENTS = {
    # what: (chance that a seed has it at all, how many at most, longest duration s)
    "kill": (0.5, 4, 7_200.0),
    "power cut": (0.5, 3, 7_200.0),
    "restart with other settings": (0.3, 2, 60.0),
    "disk full": (0.25, 2, 14_400.0),
    "disk read-only": (0.2, 2, 14_400.0),
    "disk failing": (0.2, 2, 14_400.0),
    "disk slow": (0.2, 2, 1_800.0),
    "broker gone": (0.5, 3, 90_000.0),
    "broker slow": (0.3, 2, 20_000.0),
    "broker silent": (0.3, 2, 20_000.0),
    "clock forward": (0.2, 1, 0.0),
    "clock back": (0.2, 1, 0.0),
    "clock unsynchronised": (0.2, 1, 20_000.0),
    "summer time": (0.1, 1, 0.0),
    "leap second": (0.1, 1, 0.0),
}
SHORE_EVENTS = {
    "shore gone": (0.8, 3, 400_000.0),
    "shore slow": (0.3, 2, 20_000.0),
    "shore silent": (0.3, 2, 20_000.0),
}
"""On the way ashore, where a second broker is set up: what, as above; a satellite link is away for days."""


@dataclass(frozen=True)
class Planted:
    """A fault in the drive, a sensor, the head or the wire. Times of the simulation, s; `until_s` inf = it stays."""

    name: str
    call: Call
    at_s: float
    until_s: float
    within_s: float
    lasting: str = ""
    hidden: bool = False
    """Nothing is to be seen of it: what came before took the figures away."""
    deg: float = 0.0
    booked_s: float = float("inf")
    """When a record accounts for it."""
    done_s: float = float("inf")
    """When work was done that is seen from `at_s` on for certain, or as soon as the ship sails."""

    @property
    def since_s(self) -> float:
        """From when on it can be seen."""
        return min(self.at_s, self.done_s)


@dataclass(frozen=True)
class Happening:
    """Something that hits the box, or that the crew does, from `at_s` to `until_s`."""

    what: str
    at_s: float
    until_s: float
    figure: float = 0.0


@dataclass
class Plan:
    """The whole of it."""

    seed: int
    days: float
    every_s: float
    burst_s: float
    sails: Scenario
    passages: list[tuple[float, float]]
    planted: list[Planted]
    happenings: list[Happening]
    hours_at_start: float
    acknowledges: bool
    odd_clock: bool = False
    shore: bool = False
    """A second broker, ashore, has its own place in the outbox and gets every trend."""
    port_gone_s: float = float("inf")
    work: list[tuple[str, float]] = field(default_factory=list)

    @property
    def steady(self) -> bool:
        """A head that sends without pause."""
        return self.burst_s == 0

    def scenario(self) -> Scenario:
        """For the simulated head."""
        return self.sails

    def settings(self, variant: int = 0) -> Settings:
        """The invented vessel's, fit for this head; `variant`: as the crew changed them."""
        data = tomllib.loads(TERN.read_text(encoding="utf-8"))
        data["time"]["source"] = "head" if self.steady else "system"
        data["capture"]["enabled"] = False
        if self.shore:
            classes = ["presence", "trend", "alarm", "event"]
            data["broker"].append({"name": "shore", "host": "127.0.0.1", "classes": classes, "every_trend": True})
        data["head"][0]["burst_pause_s"] = 0.0 if self.steady else self.every_s
        data["engine"][0]["service"]["hours_at_start"] = self.hours_at_start
        if variant % 2:
            data["gateway"]["reading_every_s"] = 30
            data["engine"][0]["alarms"]["lag-near"] = {"on_delay_s": 90, "deadband": 0.1}
        return checked_settings(data)


def make(seed: int) -> Plan:
    """The voyage of this seed: a believable sea, and what hits the box in it."""
    rng = random.Random(f"voyage {seed}")
    days = rng.choice([7.0, 9.0, 10.0, 14.0])
    drawn = draw_voyage(seed, days)
    if not drawn.scenario.head.burst_s:
        # A head without pause costs a hundred times as much: a day and a half of it.
        days = 1.5
        drawn = draw_voyage(seed, days)
    c = drawn.scenario.clock
    odd = c.jitter_us > 0 or c.tick_us > 1 or c.declared != 1
    if drawn.wiring or odd:
        # What nothing can be measured with hides all else: it sails with no other fault.
        drawn = draw_voyage(seed, days, faults=False)
    head = drawn.scenario.head
    due = rng.random() < 0.15
    p = Plan(
        seed=seed,
        days=days,
        every_s=head.every_s if head.burst_s else 0.0,
        burst_s=head.burst_s or 0.0,
        sails=drawn.scenario,
        passages=drawn.passages,
        planted=[],
        happenings=[],
        hours_at_start=23_800.0 - rng.uniform(5, 60) if due and head.burst_s else 21_400.0,
        acknowledges=rng.random() < 0.7,
        odd_clock=odd,
    )
    _expect(p, drawn.faults, drawn.wiring)
    _hit(rng, p)
    _ashore(random.Random(f"shore {seed}"), p)
    return p


def _expect(p: Plan, faults: list[tuple[str, float, float]], wiring: str | None) -> None:
    """What was drawn, each with the call that it must raise."""
    events = {e.at_s: e.model_dump() for e in p.sails.event}
    if wiring:
        found = _planted(p, f"wired: {wiring}", WRONG_FITTING, 0.0, float("inf"), "head")
        p.planted.append(replace(found, within_s=p.passages[0][0] + found.within_s))
    lost = False
    for name, at_s, until_s in faults:
        event = events[at_s]
        lasting = _part(event["kind"])
        stays = float("inf") if lasting else until_s if until_s != float("inf") else at_s
        deg = abs(float(event.get("deg", 0.0)))
        p.planted.append(_planted(p, name, call_for(name, event), at_s, stays, lasting, lost, deg))
        lost |= lasting == "head"
        if name == "port vanished":
            p.port_gone_s = at_s
    for e in p.sails.event:
        if not is_work(e) or e.at_s > p.days * DAY_S:
            continue
        kind, booked = e.kind, getattr(e, "booked", True)
        p.work.append((kind, e.at_s))
        # At sea again: until then nothing is seen of it.
        sails_s, ends_s = next(((a, b) for a, b in p.passages if a > e.at_s), (float("inf"), float("inf")))
        part = "lag" if kind == "retime" else "spring"
        size = e.turns * NUT_PITCH_MM if e.kind == "nut-turn" else float(getattr(e, "deg", 0.0))
        call = unbooked(kind, size)
        hidden = lost or bool(wiring)
        late = random.Random(f"late {p.seed} {e.at_s}")
        late_s = sails_s + call.within(p.every_s, p.burst_s) + late.uniform(1, 40) * 3_600
        if not booked:
            found = _planted(p, f"{kind} not booked", call, sails_s, float("inf"), part, hidden)
            p.planted.append(replace(found, done_s=e.at_s))
        elif late.random() < BOOKED_LATE and late_s < ends_s:
            # The truth's own hours of the work, as the crew would write them down.
            p.happenings.append(Happening(BOOKED_AS[kind], late_s, late_s, e.at_s))
            found = _planted(p, f"{kind} booked late", call, sails_s, float("inf"), part, hidden)
            p.planted.append(replace(found, booked_s=late_s, done_s=e.at_s))
        else:
            p.happenings.append(Happening(BOOKED_AS[kind], e.at_s + 1_800.0, e.at_s + 1_800.0))
    p.planted.sort(key=lambda x: x.at_s)


def _planted(
    p: Plan,
    name: str,
    call: Call,
    at_s: float,
    until_s: float,
    lasting: str = "",
    hidden: bool = False,
    deg: float = 0.0,
) -> Planted:
    return Planted(name, call, at_s, until_s, call.within(p.every_s, p.burst_s), lasting, hidden, deg)


BOOKED_AS = {"nut-turn": "retightened", "retime": "camshaft-set"}


def _part(kind: str) -> str:
    """Which part an event leaves changed for good; empty = it ends, or is over at once."""
    if kind in ("coupling-slip", "tooth-jump", "cam-slip", "crank-slip"):
        return "lag"
    if kind in ("spring-break", "nut-backs-off", "transducer-shift", "transducer-drift"):
        return "spring"
    return {"pump-load": "shape", "other-head": "head", "port-gone": "head"}.get(kind, "")


def _hit(rng: random.Random, p: Plan) -> None:
    for what, often in BOX_EVENTS.items():
        clock = what.startswith("clock") or what in ("summer time", "leap second")
        if rng.random() < often[0] and not (p.steady and clock):
            _happen(rng, p, what, often)
    p.happenings.sort(key=lambda h: h.at_s)


def _happen(rng: random.Random, p: Plan, what: str, often: tuple[float, int, float]) -> None:
    end_s = p.days * DAY_S
    _, most, longest_s = often
    for _ in range(rng.randint(1, most)):
        at_s = rng.uniform(0.02, 0.97) * end_s
        for_s = min(longest_s * rng.random() ** 2, (0.6 if what == "shore gone" else 0.2) * end_s)
        p.happenings.append(Happening(what, at_s, min(at_s + for_s, end_s), _figure(what, rng)))


def _ashore(rng: random.Random, p: Plan) -> None:
    p.shore = rng.random() < 0.5
    for what, often in SHORE_EVENTS.items():
        if p.shore and rng.random() < often[0]:
            _happen(rng, p, what, often)
    p.happenings.sort(key=lambda h: h.at_s)


def _figure(what: str, rng: random.Random) -> float:
    match what:
        case "clock forward":
            return rng.choice([30.0, 600.0, 86_400.0])
        case "clock back":
            return -rng.choice([30.0, 600.0, 7_200.0])
        case "summer time":
            return rng.choice([3_600.0, -3_600.0])
        case "leap second":
            return -1.0
    return 0.0
