"""Thirty days of a ship's life for the simulated head: passages, weather, manoeuvring, astern, port stays, warm-up.

Everything follows from the seed. With a planted fault the same voyage has one event more, in the middle of a passage.
"""

import random
from dataclasses import dataclass, field
from typing import Any

from firmware_sim import Scenario, parse_scenario

DAY_S = 86_400.0
Point = tuple[float, float]


@dataclass
class Plan:
    """Speed points and the passages between ports, each (begin, end) at full away."""

    points: list[Point] = field(default_factory=list)
    passages: list[Point] = field(default_factory=list)
    t_s: float = 0.0

    def go(self, rpm: float, ramp_s: float, hold_s: float) -> None:
        """Change to a speed and stay there."""
        self.t_s += ramp_s
        self.points.append((self.t_s, rpm))
        self.t_s += hold_s
        self.points.append((self.t_s, rpm))


def plan(seed: int, days: float) -> Plan:
    """A voyage that begins in port and goes from passage to passage."""
    rng = random.Random(seed)
    p = Plan(points=[(0.0, 0.0)])
    p.t_s = 600.0
    while p.t_s < days * DAY_S:
        _leave(p, rng)
        _passage(p, rng)
        _arrive(p, rng)
        p.go(0.0, 20.0, rng.uniform(0.4, 2.0) * DAY_S)
    return p


def _leave(p: Plan, rng: random.Random) -> None:
    p.go(0.12, 5.0, rng.uniform(600, 1_800))  # turning gear
    p.go(0.0, 5.0, 300.0)
    for _ in range(rng.randint(2, 6)):
        p.go(rng.choice([35.0, 45.0, -40.0, 0.0]), 15.0, rng.uniform(60, 400))
    p.go(60.0, 120.0, rng.uniform(1_200, 2_400))


def _passage(p: Plan, rng: random.Random) -> None:
    sea = rng.uniform(78, 100)
    p.go(sea, 1_800.0, 3_600.0)
    begun = p.t_s
    for _ in range(rng.randint(2, 5)):
        sea = min(102.0, max(74.0, sea + rng.uniform(-8, 8)))
        p.go(sea, 900.0, rng.uniform(0.4, 1.6) * DAY_S)
    p.passages.append((begun, p.t_s))


def _arrive(p: Plan, rng: random.Random) -> None:
    p.go(55.0, 1_800.0, rng.uniform(1_200, 3_600))
    for _ in range(rng.randint(3, 8)):
        p.go(rng.choice([30.0, 40.0, -35.0, -45.0, 0.0]), 15.0, rng.uniform(60, 300))


FAULTS: dict[str, tuple[dict[str, Any], tuple[str, ...], float]] = {
    # name: event, alarms that may call for it, seconds of head time within which
    "wire broken": ({"kind": "loop-broken", "for_s": 7_200.0}, ("transducer-fault",), 30.0),
    "transducer frozen": ({"kind": "transducer-frozen", "for_s": 7_200.0}, ("transducer-fault",), 200.0),
    "transducer noisy": ({"kind": "transducer-noisy", "ma": 0.6, "for_s": 7_200.0}, ("transducer-fault",), 30.0),
    "transducer shifted": ({"kind": "transducer-shift", "mm": 1.6}, ("tension-step",), 30.0),
    "crank encoder stuck": ({"kind": "crank-stuck", "for_s": 7_200.0}, ("crank-encoder-fault",), 30.0),
    "cam encoder stuck": ({"kind": "cam-stuck", "for_s": 7_200.0}, ("cam-encoder-fault",), 30.0),
    "cam encoder not valid": ({"kind": "cam-invalid", "for_s": 7_200.0}, ("cam-encoder-fault",), 30.0),
    "cam encoder slipped": ({"kind": "cam-slip", "deg": 0.8}, ("cam-encoder-fault", "lag-step"), 60.0),
    "tooth jump": ({"kind": "tooth-jump", "teeth": 1}, ("lag-step",), 30.0),
    "coupling slip 0.6": ({"kind": "coupling-slip", "deg": 0.6}, ("lag-step",), 30.0),
    "coupling slip 0.2": ({"kind": "coupling-slip", "deg": 0.2}, ("lag-step",), 6 * 3_600.0),
    "spring broken": ({"kind": "spring-break", "mm": -9.0}, ("tension-step",), 30.0),
    "nut backs off": ({"kind": "nut-backs-off", "mm": 4.0, "for_s": 3_600.0}, ("tension-step", "tension-low"), 5_400.0),
    "head silent": ({"kind": "pause", "for_s": 600.0}, ("head-silent",), 10.0),
    "frames lost": ({"kind": "drop", "rate": 0.05, "for_s": 3_600.0}, ("link-poor",), 900.0),
    "frames corrupt": ({"kind": "corrupt", "rate": 0.05, "for_s": 3_600.0}, ("link-poor",), 900.0),
}
"""The planted faults, each with the delay that its alarm states: of the alarm's own, and of what finds it."""


def scenario(seed: int, days: float, fault: str | None = None, fault_s: float = 0.0) -> Scenario:
    """The scenario of a voyage, at 100 Hz so that thirty days are soon played."""
    p = plan(seed, days)
    events = "" if fault is None else _event({**FAULTS[fault][0], "at_s": fault_s})
    points = ",".join(f"[{t:.1f},{rpm:.3f}]" for t, rpm in p.points)
    text = f"""
[run]
duration_s = {days * DAY_S}
[head]
rate_hz = 100
samples = 50
[engine]
speed = [{points}]
sea = [[8.3, 0.5], [13.1, 0.5], [310.0, 0.4]]
load_wander = [[11000, 0.02], [90000, 0.04]]
[chain]
elongation_percent = 0.25
wear_percent_per_1000h = 0.025
[tightener]
length_mm = 180.6
[thermal]
warm_at_start = false
{events}
"""
    return parse_scenario(text, "voyage")


def _event(fields: dict[str, Any]) -> str:
    rows = "\n".join(f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in fields.items())
    return f"[[event]]\n{rows}\n"
