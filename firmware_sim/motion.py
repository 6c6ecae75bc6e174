"""What the crankshaft does as a function of time: the speed timetable in closed form, seaway and firing ripple on top.

Angles are in turns of the crank, times in seconds since the scenario's start.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from firmware_sim.sea_tables import Storm
from firmware_sim.sections import Wave
from firmware_sim.streams import MOTION, STORM, Floats, Streams
from firmware_sim.tables import EngineTable

TABLE = 65_536
GROUP = ((0.94, 0.30), (1.0, 0.45), (1.07, 0.30))
"""A wave system: (period, part of the amplitude) of neighbours that beat, so that waves come in groups."""
RISE_S = 1_800.0
"""A storm rises and falls within so long, or within a quarter of itself."""


def wave_table(waves: list[Wave], turns: int = 1) -> Floats:
    """float64[65536]: sum of amplitude·sin(order·angle + phase) over `turns` turns of the crank.

    A table read to the nearest entry gives the same bits on every machine; its error is below 1e-4 of the amplitude
    times the order. Orders that are no whole number of `turns`-turn cycles leave a jump where the table closes.
    """
    angle = np.arange(TABLE) * (2 * np.pi * turns / TABLE)
    total = np.zeros(TABLE)
    for order, amplitude, phase_deg in waves:
        total += amplitude * np.sin(order * angle + np.deg2rad(phase_deg))
    return np.asarray(np.round(total, 12))


def look_up(table: Floats, turns: Floats) -> Floats:
    """The table at each angle; angles in units of the table's length."""
    index = (turns * TABLE).astype(np.int64)
    index &= TABLE - 1
    return np.asarray(table.take(index))


@dataclass(frozen=True, slots=True)
class Timetable:
    """Speed in straight lines, cut where it passes 0 and ± the turning gear's limit. One row per piece."""

    at_s: Floats
    rpm0: Floats
    rpm_per_s: Floats
    turns0: Floats
    turns_abs0: Floats
    running_s0: Floats
    sign: Floats
    runs: Floats

    @classmethod
    def of(cls, points: list[tuple[float, float]], turning_rpm: float) -> Timetable:
        """From points (s, rpm); before the first and after the last the speed holds."""
        cut = _cut(points, turning_rpm)
        rows, turns, turns_abs, running_s = [], 0.0, 0.0, 0.0
        for (t0, r0), (t1, r1) in pairwise([*cut, (np.inf, cut[-1][1])]):
            middle = (r0 + r1) / 2
            runs = float(abs(middle) >= turning_rpm)
            slope = (r1 - r0) / (t1 - t0)
            rows.append((t0, r0, slope, turns, turns_abs, running_s, float(np.sign(middle)), runs))
            if np.isfinite(t1):
                turns += middle * (t1 - t0) / 60
                turns_abs += abs(middle) * (t1 - t0) / 60
                running_s += runs * (t1 - t0)
        return cls(*np.array(rows).T.copy())

    def piece(self, t: Floats) -> NDArray[np.intp] | int:
        """The row that each time falls in; one number where all fall in the same."""
        first, last = np.searchsorted(self.at_s, [t.min(), t.max()], side="right") - 1
        if first == last:
            return max(int(first), 0)
        return np.maximum(np.searchsorted(self.at_s, t, side="right") - 1, 0)

    def rpm(self, t: ArrayLike) -> Floats:
        """Speed by the timetable; negative = astern."""
        t = np.asarray(t, dtype=np.float64)
        i = self.piece(t)
        return np.asarray(self.rpm0[i] + self.rpm_per_s[i] * (t - self.at_s[i]))

    def turns(self, t: Floats) -> Floats:
        """Turns since the start, astern counted down."""
        i = self.piece(t)
        return np.asarray(self.turns0[i] + self._turned(t, i))

    def turns_abs(self, t: Floats) -> Floats:
        """Turns since the start, either direction."""
        i = self.piece(t)
        return np.asarray(self.turns_abs0[i] + self.sign[i] * self._turned(t, i))

    def running_s(self, t: Floats) -> Floats:
        """Seconds run ahead or astern, the turning gear not counted."""
        i = self.piece(t)
        return np.asarray(self.running_s0[i] + self.runs[i] * (t - self.at_s[i]))

    def _turned(self, t: Floats, i: NDArray[np.intp] | int) -> Floats:
        since = t - self.at_s[i]
        return np.asarray((self.rpm0[i] + self.rpm_per_s[i] * (since / 2)) * since / 60)


def _cut(points: list[tuple[float, float]], turning_rpm: float) -> list[tuple[float, float]]:
    if points[0][0] > 0:
        points = [(0.0, points[0][1]), *points]
    cut = [points[0]]
    for (t0, r0), (t1, r1) in pairwise(points):
        inside = [
            (level - r0) / (r1 - r0) for level in (-turning_rpm, 0.0, turning_rpm) if (level - r0) * (level - r1) < 0
        ]
        cut += [(t0 + part * (t1 - t0), r0 + part * (r1 - r0)) for part in sorted(inside)]
        cut.append((t1, r1))
    return cut


class Motion:
    """The crankshaft's angle: timetable, then seaway, then firing ripple, each a monotonic warp of the one before."""

    def __init__(self, engine: EngineTable, storms: list[Storm], streams: Streams) -> None:
        rng = streams(MOTION)
        self.timetable = Timetable.of(list(engine.speed), engine.turning_rpm)
        self._sine = wave_table([(1.0, 1.0, 0.0)])
        self._sea = []
        for period_s, rpm in engine.sea:
            turns = period_s * engine.reference_rpm / 60
            part = rpm / engine.reference_rpm
            self._sea.append((1 / turns, part * turns / (2 * np.pi), part, float(rng.random())))
        # Ripple r·cos(N·angle) of the speed is r/N·sin(N·angle) of the angle.
        waves = [(order, part / order / (2 * np.pi), phase) for order, part, phase in engine.ripple]
        self._ripple = wave_table(waves, engine.ratio)
        self._ratio = engine.ratio
        self._storms = [_Storm(storm, engine.reference_rpm, streams(STORM)) for storm in storms]

    def angle(self, t: Floats) -> Floats:
        """Turns of the crank since the start, as the shaft truly stands."""
        even = self.timetable.turns(t)
        turns = even
        for per_turn, amplitude, _, phase in self._sea:
            turns = turns + amplitude * look_up(self._sine, even * per_turn + phase)
        for storm in self._storms:
            if storm.blows(t):
                turns = turns + storm.turns(t, even, self._sine)
        return turns + look_up(self._ripple, turns / self._ratio if self._ratio != 1 else turns)

    def rpm(self, t: ArrayLike) -> Floats:
        """Speed with the seaway, without the ripple inside the turn."""
        t = np.asarray(t, dtype=np.float64)
        even = self.timetable.turns(t)
        part = np.ones_like(even)
        for per_turn, _, rpm_part, phase in self._sea:
            part += rpm_part * look_up(self._sine, even * per_turn + phase + 0.25)
        for storm in self._storms:
            if t.size and storm.blows(t):
                part += storm.part(t, even, self._sine)
        return self.timetable.rpm(t) * part


class _Storm:
    """The speed hunts with a wave system for hours or days. Phases go by turns, so that a stopped shaft stands."""

    def __init__(self, storm: Storm, reference_rpm: float, rng: np.random.Generator) -> None:
        self._at_s, for_s, rpm, period_s = storm
        self._until_s = self._at_s + for_s
        self._rise_s = min(RISE_S, for_s / 4)
        self._waves = []
        for period, share in GROUP:
            turns = period_s * period * reference_rpm / 60
            part = share * rpm / reference_rpm
            self._waves.append((1 / turns, part * turns / (2 * np.pi), part, float(rng.random())))

    def blows(self, t: Floats) -> bool:
        """Does any of these times lie in it?"""
        return bool(t.max() > self._at_s and t.min() < self._until_s)

    def turns(self, t: Floats, even: Floats, sine: Floats) -> Floats:
        """Turns by which the shaft is ahead of the timetable."""
        ahead = sum(a * look_up(sine, even * per + phase) for per, a, _, phase in self._waves)
        return np.asarray(self._strength(t) * ahead)

    def part(self, t: Floats, even: Floats, sine: Floats) -> Floats:
        """Part of the speed that it adds; the strength's own slow change left out."""
        faster = sum(part * look_up(sine, even * per + phase + 0.25) for per, _, part, phase in self._waves)
        return np.asarray(self._strength(t) * faster)

    def _strength(self, t: Floats) -> Floats:
        return np.clip(np.minimum(t - self._at_s, self._until_s - t) / self._rise_s, 0.0, 1.0)
