"""What a seed makes of a voyage: the ship's course, the faults planted in it, what hits the box, what the crew does."""

import random
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from firmware_sim import Scenario
from firmware_sim.scenario import checked
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings
from tests.sea_voyage import DAY_S
from tests.sea_voyage import plan as sea_plan

from .faults import KINDS, Kind

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

    kind: Kind
    at_s: float
    until_s: float
    within_s: float


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
    passages: list[tuple[float, float]]
    planted: list[Planted]
    happenings: list[Happening]
    tables: dict[str, dict[str, Any]]
    hours_at_start: float
    acknowledges: bool
    shore: bool = False
    """A second broker, ashore, has its own place in the outbox and gets every trend."""
    events: list[dict[str, Any]] = field(default_factory=list)
    points: list[tuple[float, float]] = field(default_factory=list)

    @property
    def steady(self) -> bool:
        """A head that sends without pause."""
        return self.burst_s == 0

    def scenario(self) -> Scenario:
        """For the simulated head."""
        head: dict[str, Any] = {"rate_hz": 50 if self.steady else 100, "samples": 50}
        if not self.steady:
            head |= {"burst_s": self.burst_s, "every_s": self.every_s}
        engine = {
            "speed": self.points,
            "sea": [[8.3, 0.5], [13.1, 0.5], [310.0, 0.4]],
            "load_wander": [[11_000.0, 0.02], [90_000.0, 0.04]],
        }
        data = {"run": {"duration_s": self.days * DAY_S}, "head": head, "engine": engine, **self.tables}
        return checked(data | {"event": self.events}, f"seed {self.seed}")

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
    """The voyage of this seed."""
    rng = random.Random(f"voyage {seed}")
    steady = rng.random() < 0.12
    days = rng.uniform(0.8, 1.2) if steady else rng.choice([8.0, 10.0, 12.0, 16.0])
    every_s = 0.0 if steady else rng.choice([1_200.0, 1_800.0, 1_800.0, 3_600.0])
    course = sea_plan(seed, days)
    if steady:
        rpm = rng.uniform(78, 100)
        course.points, course.passages = [(0.0, rpm)], [(0.0, days * DAY_S)]
    tables = _tables(rng, steady)
    due = rng.random() < 0.15
    p = Plan(
        seed=seed,
        days=days,
        every_s=every_s,
        burst_s=0.0 if steady else 6.0,
        passages=[(a, min(b, days * DAY_S)) for a, b in course.passages if a < days * DAY_S],
        planted=[],
        happenings=[],
        tables=tables,
        hours_at_start=23_800.0 - rng.uniform(5, 60) if due and not steady else 21_400.0,
        acknowledges=rng.random() < 0.7,
        points=course.points,
    )
    _plant(rng, p)
    _hit(rng, p)
    _ashore(random.Random(f"shore {seed}"), p)
    return p


def _tables(rng: random.Random, steady: bool) -> dict[str, dict[str, Any]]:
    chain = {
        "elongation_percent": round(rng.uniform(0.10, 0.30), 4),
        "wear_percent_per_1000h": round(rng.uniform(0.008, 0.030), 5),
    }
    if not steady and rng.random() < 0.12:
        # Wear to the limits within the voyage: what is seen is the same, only sooner.
        chain |= {"elongation_percent": 0.33, "wear_rate_factor": rng.uniform(40, 120)}
    return {
        "chain": chain,
        "tightener": {"length_mm": round(rng.uniform(179.8, 181.0), 3)},
        "thermal": {"warm_at_start": steady},
    }


def _plant(rng: random.Random, p: Plan) -> None:
    """Each kind on or off by seed; one slot of a passage for each fault, so that none hides behind another."""
    on = [k for k in KINDS if rng.random() < k.chance and (p.steady or k.in_bursts)]
    rng.shuffle(on)
    lasting: set[str] = set()
    slots = _slots(p)
    rng.shuffle(slots)
    for kind in on:
        if kind.lasting and kind.lasting in lasting:
            continue
        within_s, for_s = kind.times(p.every_s, p.burst_s)
        fits = [s for s in slots if s[1] - s[0] > max(within_s, for_s) * 1.3 + 3 * p.every_s and s[2] >= kind.after_s]
        if not fits:
            continue
        slot = fits[0]
        slots.remove(slot)
        lasting |= {kind.lasting} if kind.lasting else set()
        at_s = round(slot[0] + rng.uniform(0, 0.1) * (slot[1] - slot[0]), 2)
        p.planted.append(Planted(kind, at_s, float("inf") if kind.lasting else at_s + for_s, within_s))
        p.events.append(kind.event(at_s, for_s, rng))
    p.planted.sort(key=lambda x: x.at_s)


def _slots(p: Plan) -> list[tuple[float, float, float]]:
    """(from, to, s of the passage before it): stretches of a passage, each for one fault."""
    length = 0.14 * DAY_S if p.steady else 0.75 * DAY_S
    out = []
    for a, b in p.passages:
        t = a + (0.05 if p.steady else 0.5) * DAY_S
        while t + length < b - 0.02 * DAY_S:
            out.append((t, t + length * 0.92, t - a))
            t += length
    return out


def _hit(rng: random.Random, p: Plan) -> None:
    for what, often in BOX_EVENTS.items():
        clock = what.startswith("clock") or what in ("summer time", "leap second")
        if rng.random() < often[0] and not (p.steady and clock):
            _happen(rng, p, what, often)
    if rng.random() < 0.6:
        _book(rng, p)
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


def _book(rng: random.Random, p: Plan) -> None:
    """In a port stay the crew sets the camshaft anew or tightens the chain, and books it."""
    ports = [(b, a) for (_, b), (a, _) in zip(p.passages, p.passages[1:], strict=False) if a - b > 20_000]
    if not ports:
        return
    begin, end = rng.choice(ports)
    # After the last manoeuvre and before the turning gear, the engine stands.
    at_s = begin + 0.6 * (end - begin)
    what = rng.choice(["camshaft-set", "retightened"])
    figure = rng.uniform(-0.6, -0.2) if what == "camshaft-set" else rng.uniform(0.05, 0.2)
    kind = {"kind": "retime", "deg": figure} if what == "camshaft-set" else {"kind": "nut-turn", "turns": figure}
    p.events.append({**kind, "at_s": at_s - 1_800.0, "for_s": 600.0})
    p.happenings.append(Happening(what, at_s, at_s, figure))
