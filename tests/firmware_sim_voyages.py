"""The simulated head played into the pipeline: settings of the invented vessel, captures, and what is said of them."""

import tomllib
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from firmware_sim import Head, Scenario, Truth, parse_scenario
from gateway.measure.timeline import Now
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings
from gateway.pipeline import AlarmChanged, EnginePipeline, Output

TERN = Path(__file__).parents[1] / "config" / "tern-passage.toml"
START_UTC_S = 1_700_000_000.0


def tern_settings(source: str = "head", head: dict[str, Any] | None = None, **engine: Any) -> Settings:
    """The shipped settings, with tables of the engine changed: `tern_settings(running={"settle_min": 0})`."""
    data = tomllib.loads(TERN.read_text(encoding="utf-8"))
    data["time"]["source"] = source
    data["head"][0].update(head or {})
    for table, keys in engine.items():
        data["engine"][0].setdefault(table, {}).update(keys)
    return checked_settings(data)


def capture(scenario: Scenario | str, duration_s: float | None = None, seed: int | None = None) -> bytes:
    """The bytes of a scenario, given or as TOML text."""
    made = parse_scenario(scenario) if isinstance(scenario, str) else scenario
    return Head(made, seed).capture(duration_s)


def pipeline(settings: Settings | None = None) -> EnginePipeline:
    """A fresh pipeline of the invented vessel's engine."""
    return EnginePipeline(settings or tern_settings(), "main", START_UTC_S)


def fed(p: EnginePipeline, pieces: Iterable[bytes], mono_s: float = 0.0) -> list[Output]:
    """All that is said of the pieces, at one instant of the gateway's clock: head time carries the timing."""
    now = Now(mono_s, START_UTC_S + mono_s)
    return [said for piece in pieces for said in p.feed(piece, now)]


def split(data: bytes, cuts: Sequence[int]) -> list[bytes]:
    """The data cut at these places."""
    edges = [0, *sorted(cuts), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


def moves(said: Iterable[Output]) -> list[tuple[str, str, str]]:
    """The alarm transitions among what was said: tag, from, to."""
    found = [s.transition for s in said if isinstance(s, AlarmChanged)]
    return [(t.tag, t.came_from.value, t.to.value) for t in found]


def raised(said: Iterable[Output]) -> list[str]:
    """Tags that called anew, in order; repeats of what nobody has acknowledged are left out."""
    return [tag for tag, came_from, to in moves(said) if to == "unacknowledged" != came_from]


def event(kind: str, at_s: float, **keys: float) -> str:
    """One event of a scenario, as TOML."""
    return f'[[event]]\nkind = "{kind}"\nat_s = {at_s}\n' + "".join(f"{k} = {v}\n" for k, v in keys.items())


def hours_of_voyage(seed: int) -> tuple[float, float]:
    """Hours counted and true of half a day of random running and manoeuvring, with frames lost and long silences."""
    rng = np.random.default_rng(seed)
    points, t = ["[0, 90]"], 0.0
    while t < 43_000:
        rpm = float(rng.choice([96, 80, 60, 45, 0, 0, -45]))
        points += [f"[{t + 20:.1f}, {rpm}]"]
        t += 20 + float(rng.uniform(120, 7_200))
        points += [f"[{t:.1f}, {rpm}]"]
    silences = "".join(
        f'[[event]]\nkind = "pause"\nat_s = {at:.1f}\nfor_s = {length:.1f}\n'
        for at, length in zip(rng.uniform(500, 43_000, 6), rng.uniform(1, 300, 6), strict=True)
    )
    lost = '[[event]]\nkind = "drop"\nat_s = 0\nrate = 0.01\n'
    text = f"[head]\nrate_hz = 50\nsamples = 25\n[engine]\nspeed = [{', '.join(points)}]\n{silences}{lost}"
    scenario = parse_scenario(text)
    p = pipeline()
    begin_h = p.meter.hours.hours
    fed(p, [capture(scenario, 43_200.0, seed)])
    return p.meter.hours.hours - begin_h, float(Truth(scenario, seed).hours(43_200.0))
