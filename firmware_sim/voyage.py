"""A believable voyage drawn from a seed: ports and passages, weather, wear, the head, and what goes wrong.

Orders of magnitude are from memory where no source is named in the tests; each can be set in a scenario's file instead.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

from firmware_sim.scenario import Scenario, checked
from firmware_sim.voyage_faults import FAULTS, WIRINGS, Fault

DAY_S = 86_400.0
Table = dict[str, Any]
ODD_HEAD, ODD_WIRING, WORK_IN_PORT, UNBOOKED = 0.15, 0.06, 0.35, 0.4
"""Chances: a head with a poor clock; a wrong fitting; work in a port stay; that nobody writes it down."""


@dataclass(slots=True)
class Voyage:
    """What was drawn. `passages`: (begin, end) at sea, s; `faults`: (name, begin, end), s, infinity = it stays."""

    seed: int
    days: float
    scenario: Scenario
    passages: list[tuple[float, float]]
    faults: list[tuple[str, float, float]]
    wiring: str | None = None


@dataclass(slots=True)
class _Course:
    """The ship's way, as it is drawn."""

    rng: random.Random
    points: list[tuple[float, float]] = field(default_factory=lambda: [(0.0, 0.0)])
    loading: list[tuple[float, float]] = field(default_factory=list)
    passages: list[tuple[float, float]] = field(default_factory=list)
    ports: list[tuple[float, float]] = field(default_factory=list)
    t_s: float = 600.0

    def go(self, rpm: float, ramp_s: float, hold_s: float) -> None:
        """Change to a speed and stay there."""
        self.t_s += ramp_s
        self.points.append((round(self.t_s, 1), round(rpm, 3)))
        self.t_s += hold_s
        self.points.append((round(self.t_s, 1), round(rpm, 3)))


def draw_voyage(
    seed: int,
    days: float | None = None,
    head: Table | None = None,
    faults: bool = True,
    odd: bool = True,
    wiring: str | None = None,
) -> Voyage:
    """The voyage of this seed.

    `days`: in place of the drawn length. `head`: keys of the head's table in place of the drawn ones. `faults`: plant
    faults, one to a stretch of a passage. `odd`: draw heads with poor clocks, wrong fittings and unbooked work as well.
    `wiring`: a name of `WIRINGS`, in place of the draw. Every draw has its own random numbers, so that leaving one out
    moves no other.
    """
    length = random.Random(f"days {seed}").uniform(12, 45) if days is None else days
    course = _sail(random.Random(f"course {seed}"), length)
    tables: dict[str, Any] = {
        "head": _head(random.Random(f"head {seed}")) | (head or {}),
        "engine": {"speed": course.points, "sea": [[8.3, 0.5], [13.1, 0.5], [310.0, 0.4]]},
        "thermal": {"warm_at_start": False, "chain_daily_k": random.Random(f"warm {seed}").uniform(0.5, 3.0)},
        **_drive(random.Random(f"drive {seed}")),
        **_odd(random.Random(f"odd {seed}"), odd),
    }
    tables["sea"] = _sea(random.Random(f"sea {seed}"), course)
    wrong = _wiring(random.Random(f"wiring {seed}"), odd) if wiring is None else wiring
    events = _work(random.Random(f"work {seed}"), course, odd)
    planted = _plant(random.Random(f"faults {seed}"), course, tables["head"]) if faults else []
    data: dict[str, Any] = {"run": {"seed": seed, "duration_s": length * DAY_S, "speed": 0}, **tables}
    data |= {"wiring": WIRINGS[wrong]} if wrong else {}
    data["event"] = events + [event for _, event in planted]
    scenario = checked(data, f"voyage {seed}")
    passages = [(a, min(b, length * DAY_S)) for a, b in course.passages if a < length * DAY_S]
    spans = [(fault.name, event["at_s"], event["at_s"] + event.get("for_s", float("inf"))) for fault, event in planted]
    return Voyage(seed, length, scenario, passages, [s for s in spans if s[1] < length * DAY_S], wrong)


def _sail(rng: random.Random, days: float) -> _Course:
    """Ports and passages in turn; at every other port the ship changes between laden and ballast."""
    c = _Course(rng)
    laden = rng.random() < 0.5
    while c.t_s < days * DAY_S:
        c.loading.append((0.0 if not c.loading else round(c.t_s, 1), 1.0 if laden else 0.0))
        _leave(c)
        _passage(c, laden)
        begin = c.t_s
        _arrive(c)
        c.go(0.0, 20.0, rng.uniform(0.4, 2.5) * DAY_S)
        c.ports.append((begin, c.t_s))
        laden = laden != (rng.random() < 0.8)
    return c


def _leave(c: _Course) -> None:
    c.go(0.12, 5.0, c.rng.uniform(600, 1_800))
    c.go(0.0, 5.0, 300.0)
    for _ in range(c.rng.randint(2, 6)):
        c.go(c.rng.choice([35.0, 45.0, -40.0, 0.0]), 15.0, c.rng.uniform(60, 400))
    c.go(60.0, 120.0, c.rng.uniform(1_200, 2_400))


def _passage(c: _Course, laden: bool) -> None:
    ordered = c.rng.uniform(80, 96) + (2.0 if laden else 0.0)
    c.go(ordered, 1_800.0, 3_600.0)
    begun = c.t_s
    for _ in range(c.rng.randint(3, 9)):
        ordered = min(100.0, max(78.0, ordered + c.rng.uniform(-7, 7)))
        c.go(ordered, 900.0, c.rng.uniform(0.4, 2.0) * DAY_S)
    c.passages.append((begun, c.t_s))


def _arrive(c: _Course) -> None:
    c.go(55.0, 1_800.0, c.rng.uniform(1_200, 3_600))
    for _ in range(c.rng.randint(3, 8)):
        c.go(c.rng.choice([30.0, 40.0, -35.0, -45.0, 0.0]), 15.0, c.rng.uniform(60, 300))


def _head(rng: random.Random) -> Table:
    if rng.random() < 0.12:
        return {"rate_hz": 50, "samples": 50}
    return {
        "rate_hz": 100,
        "samples": 50,
        "burst_s": rng.choice([6.0, 8.0]),
        "every_s": rng.choice([600.0, 1_200.0, 1_800.0]),
    }


def _drive(rng: random.Random) -> dict[str, Table]:
    """Chain, spring, shafts: how far worn, how it rides out, how its links differ."""
    chain = {
        "elongation_percent": round(rng.uniform(0.08, 0.6), 4),
        "wear_percent_per_1000h": round(rng.uniform(0.008, 0.035), 5),
        "wear_monthly": 0.3,
        "steep_after_percent": rng.uniform(0.7, 1.2),
        "steep_factor": rng.uniform(1.0, 3.0),
        "ride_out": round(rng.random(), 3),
        "link_error_mm": rng.uniform(0.005, 0.03),
    }
    if rng.random() < 0.15:
        chain |= {"elongation_percent": 0.06, "bedding_percent": rng.uniform(0.02, 0.08), "bedding_h": 60.0}
    pump = rng.uniform(4_000, 10_000)
    return {
        "chain": chain,
        "tightener": {"length_mm": round(rng.uniform(179.6, 181.2), 3), "set_mm_per_1000h": rng.uniform(0, 0.1)},
        "transducer": {"noise_ma": rng.uniform(0.004, 0.02)},
        "cams": {"pump_nm": pump, "valve_nm": pump * rng.uniform(0.15, 0.4)},
        "shafts": {
            "crank_eccentric": [rng.uniform(0, 0.2), rng.uniform(0, 360)],
            "cam_eccentric": [rng.uniform(0, 0.2), rng.uniform(0, 360)],
            "crank_mount": [[2.0, rng.uniform(0, 0.05), rng.uniform(0, 360)]],
            "cam_mount": [[2.0, rng.uniform(0, 0.05), rng.uniform(0, 360)], [3.0, 0.01, rng.uniform(0, 360)]],
            "torsion": [[3.0, 0.1, 20.0], [6.0, 0.06, -35.0]],
        },
    }


def _sea(rng: random.Random, c: _Course) -> Table:
    storms = []
    for begin, end in c.passages:
        for _ in range(rng.choice([0, 0, 1, 1, 2])):
            for_s = min(rng.uniform(0.15, 2.5) * DAY_S, 0.6 * (end - begin))
            at = rng.uniform(begin, end - for_s)
            storms.append([round(at, 1), round(for_s, 1), rng.uniform(3.0, 8.0), rng.uniform(6.0, 20.0)])
    return {
        "storm": storms,
        "weather_deg": 0.02,
        "weather_days": rng.uniform(1.0, 3.0),
        "white_deg": 0.005,
        "loading": c.loading,
        "loading_deg": rng.uniform(-0.06, 0.06),
        "season_deg": 0.02,
        "season_day": rng.uniform(0, 365),
        "spring_wander_mm": 0.03,
    }


def _odd(rng: random.Random, odd: bool) -> dict[str, Table]:
    """The head's clock and build."""
    health = rng.choice(["each-second", "each-second", "first", "middle", "last"])
    build = {"health": health, "burst_offset_s": rng.choice([0.0, 0.0, rng.uniform(0, 1)]), "tail": rng.random() < 0.5}
    clock: Table = {"ppm": rng.uniform(-60, 60)}
    if odd and rng.random() < ODD_HEAD:
        clock |= rng.choice([{"jitter_us": 3_000.0}, {"tick_us": 10_000}, {"declared": 1.02}])
    return {"clock": clock, "build": build}


def _wiring(rng: random.Random, odd: bool) -> str | None:
    return rng.choice(list(WIRINGS)) if odd and rng.random() < ODD_WIRING else None


def _work(rng: random.Random, c: _Course, odd: bool) -> list[Table]:
    """In a port stay the crew turns the nut or the camshaft, and does not always write it down."""
    events = []
    for begin, end in c.ports[:-1]:
        what, figure, forgotten, chance = rng.choice("nc"), rng.random(), rng.random() < UNBOOKED, rng.random()
        if chance > WORK_IN_PORT or end - begin < 20_000:
            continue
        common = {"at_s": round(begin + 0.6 * (end - begin), 1), "for_s": 900.0, "booked": not (odd and forgotten)}
        if what == "n":
            events.append({"kind": "nut-turn", "turns": 0.1 + 0.35 * figure, **common})
        else:
            events.append({"kind": "retime", "deg": -0.2 - figure, **common})
    return events


def _plant(rng: random.Random, c: _Course, head: Table) -> list[tuple[Fault, Table]]:
    """Each fault with its chance; one stretch of a passage for each, so that none hides behind another."""
    slots = [
        (a + 0.5 * DAY_S + i * 1.2 * DAY_S, 1.1 * DAY_S)
        for a, b in c.passages
        for i in range(int((b - a) / DAY_S / 1.2))
    ]
    rng.shuffle(slots)
    kinds = [f for f in FAULTS if rng.random() < f.chance and (f.in_bursts or not head.get("burst_s"))]
    rng.shuffle(kinds)
    lasting: set[str] = set()
    out = []
    for fault in kinds:
        if not slots or fault.lasting in lasting:
            continue
        at_s, room_s = slots.pop()
        lasting |= {fault.lasting} if fault.lasting else set()
        out.append((fault, fault.event(round(at_s + rng.uniform(0, 0.1) * room_s, 1), 0.8 * room_s, rng)))
    return sorted(out, key=lambda x: float(x[1]["at_s"]))
