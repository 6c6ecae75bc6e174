"""Which cam's load differs from its own past: the lag's shape over a turn against the engine's own reference.

The load of each cam twists shaft and chain at its own crank angle. Shapes of ten minutes go into a small grid of load
and speed; a place of the grid that is full is the reference there. What does not go with the load (the encoders'
mounting error foremost) is the same in shape and reference and cancels; over places of different load it is learned,
and so is what each cylinder's own load makes, against which a change is a percentage.

The change is projected on pulses at the settings' cam angles, with a free part for all cylinders alike (fuel, load) and
one for the encoders' first orders. A witness, not a diagnosis: combustion or torsion at the same angle looks alike.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gateway.measure.turn_shape import ORDERS_PER_TURN, TurnShape, shape_of
from gateway.model.settings import EngineSettings

RPM_STEP, RPM_PART, LOAD_STEP = 3.0, 0.025, 0.3
"""Places of the grid: so many rpm, and of a faster engine so large a part of its highest normal speed."""
CELLS_MAX = 24
NEAR_STEPS = 1.5
"""From a full place so near the model carries the reference over to one that is not full."""
FULL = 36
"""Shapes of ten minutes that fill a place of the grid: six hours there."""
LOAD_SPREAD = 0.09
"""Between the places' loads, before what goes with the load is learned."""
MEMORY = 24.0
"""The present is a mean over so many shapes: four hours."""
SETTLED, UNCHANGED_Z = 4 * FULL, 2.5
"""A full place goes on being averaged up to so many shapes, while nothing looks changed."""
STANDS_Z, STANDS_PART = 3.0, 0.7
"""A change that stood goes on standing down to this, so that it does not come and go with its noise."""
PRESENT_MIN = 12
RINGS_HZ = tuple((8.0 * 1.06 ** np.arange(40)).tolist())
LOSSES = (0.03, 0.06, 0.12)
"""First frequency of chain and camshaft, and its damping, among which the best is taken."""
NOT_MODELLED_DEG = 0.0005
MODEL_PART = 0.15
"""What the model does not follow of a difference in load and speed from the place's mean, part of it."""
OWN_SPREAD, OWN_LEAST = 0.4, 0.25
"""How far one cylinder's twist may differ from the mean of all, and the least, parts of it."""
MOUNT_ORDERS, MOUNT_DEG = 2, 0.001
"""How far the encoders' mounting may change by itself, first and second order of the crank; our judgement."""
CYLINDER_PART, FLOOR_PART = 0.3, 0.01
"""Standard deviation of a cylinder's change beforehand, and what is never known better, parts of its own load's."""
SCALE_PART = 0.25
"""How well a cam's own twist is known, part of it: it scales a change, but makes none."""
CLEAR_Z = 4.5
"""So many standard uncertainties clear of no change: over years of hourly looks no noise reaches it."""
ALIKE_PART = 0.5
"""Cams nearer than this part of the load's half width cannot be distinguished, and are listed together."""
NORMAL_95 = 1.6448536269514722
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CylinderChange:
    """One cylinder, or several at like angles: change of its cam's load in per cent, 5–50–95 %; `z`: in standard
    uncertainties."""

    cylinders: tuple[int, ...]
    p05: float
    p50: float
    p95: float
    z: float


@dataclass(frozen=True, slots=True)
class ShapeView:
    """What is known. `reference_deg`, `present_deg`: float[64·ratio] over the working cycle, the same place of the
    grid, without what does not go with the load where that is learned; empty = not known. `changes`: by cylinder.
    `changed`: index of the one that is clear of its noise and beyond the settings' figure. `text`: in words."""

    text: str
    reference_deg: tuple[float, ...] = ()
    present_deg: tuple[float, ...] = ()
    changes: tuple[CylinderChange, ...] = ()
    changed: int | None = None

    @property
    def named(self) -> CylinderChange | None:
        """The one whose load has changed."""
        return None if self.changed is None else self.changes[self.changed]


OFF = ShapeView("Not followed: give each cylinder's cam angle in [engine.cams].")
Place = tuple[int, int]


@dataclass(slots=True)
class _Cell:
    """A place of the grid: means of its first shapes."""

    n: int
    load: float
    rpm: float
    mean: Floats


@dataclass(frozen=True, slots=True)
class _Model:
    """What goes with the load. `own`: float64[groups], degrees of twist by each cam at full fuel, were the drive stiff
    above its first frequency `ring_hz`. `fixed`: what does not go with the load: the encoders' mounting error."""

    ring_hz: float
    loss: float
    own: Floats
    fixed: Floats


class ShapeReference:
    """Reference and present of one engine. Deterministic; `state` and `load` carry it over a restart."""

    def __init__(self, engine: EngineSettings) -> None:
        self._engine = engine
        self._ratio = engine.ratio
        self._size = 2 * ORDERS_PER_TURN * engine.ratio
        self._rpm_step = max(RPM_STEP, RPM_PART * engine.running.rpm_max)
        angles = engine.cams.angle_deg if engine.cams else []
        half_deg = engine.cams.half_width_deg if engine.cams else 1.0
        self._groups = groups(angles, 360.0 * engine.ratio, ALIKE_PART * half_deg)
        self._pulses = np.array(
            [np.mean([_pulse(angles[c - 1], half_deg, engine.ratio) for c in group], axis=0) for group in self._groups]
        ).reshape(len(self._groups), self._size)
        half = self._size // 2
        self._orders = self._pulses[:, :half] + 1j * self._pulses[:, half:]
        self.restart()

    def restart(self) -> None:
        """Work was done: nothing is known of the engine as it is now."""
        self._cells: dict[Place, _Cell] = {}
        self._fitted: tuple[tuple[int, int], _Model] | None = None
        self._noise_n = 0
        self._noise = np.zeros(self._size)
        self._forget_present()
        self.view = OFF if self._engine.cams is None else ShapeView("Reference not filled yet.")

    def _forget_present(self) -> None:
        self._weight = self._weight_sq = 0.0
        self._off = np.zeros(self._size)
        self._moved = np.zeros(self._size)
        self._load = self._rpm = 0.0
        self._seen = 0
        self._place: Place | None = None

    def add(self, shape: TurnShape) -> None:
        """Take ten minutes of settled, normal running."""
        if self._engine.cams is None:
            return
        load = shape.load if shape.load is not None else (shape.rpm / self._engine.running.rpm_max) ** 2
        place = (round(shape.rpm / self._rpm_step), round(load / LOAD_STEP))
        value = np.concatenate((shape.orders_deg.real, shape.orders_deg.imag))
        cell = self._cells.get(place)
        if cell is None:
            if len(self._cells) >= CELLS_MAX:
                return
            cell = self._cells[place] = _Cell(0, 0.0, 0.0, np.zeros(self._size))
        if cell.n >= FULL:
            self._compare(place, cell, load, shape.rpm, value)
        elif (near := self._near(shape.rpm)) is not None:
            self._compare(near, self._cells[near], load, shape.rpm, value)
        # What looks changed goes into no reference.
        unchanged = all(abs(c.z) < UNCHANGED_Z for c in self.view.changes)
        if (cell.n < FULL and self.view.changed is None) or (cell.n < SETTLED and unchanged):
            self._fill(cell, load, shape.rpm, value)
        self.view = self._view(place)

    def _near(self, rpm: float) -> Place | None:
        """The full place nearest in speed, where the model can carry its reference over."""
        full = [(abs(c.rpm - rpm), place) for place, c in self._cells.items() if c.n >= FULL]
        if not full or self._model() is None:
            return None
        apart, place = min(full)
        return place if apart <= NEAR_STEPS * self._rpm_step else None

    def _fill(self, cell: _Cell, load: float, rpm: float, value: Floats) -> None:
        cell.n += 1
        before = value - cell.mean
        cell.mean = cell.mean + before / cell.n
        cell.load += (load - cell.load) / cell.n
        cell.rpm += (rpm - cell.rpm) / cell.n
        if cell.n > 1:
            # Welford's sum, pooled over the places.
            self._noise += before * (value - cell.mean)
            self._noise_n += 1

    def _compare(self, place: Place, cell: _Cell, load: float, rpm: float, value: Floats) -> None:
        keep = 1 - 1 / MEMORY
        model = self._model()
        off, moved = value - cell.mean, np.zeros(self._size)
        if model is not None:
            # What the place's own width makes: a little more or less load and speed.
            now, then = load * self._filtered(model, rpm), cell.load * self._filtered(model, cell.rpm)
            each = model.own[:, None] * (now - then)
            off = off - each.sum(axis=0)
            moved = (each**2).sum(axis=0)
        self._weight, self._weight_sq = keep * self._weight + 1, keep * keep * self._weight_sq + 1
        self._off = self._off + (off - self._off) / self._weight
        self._moved = self._moved + (moved - self._moved) / self._weight
        self._load += (load - self._load) / self._weight
        self._rpm += (rpm - self._rpm) / self._weight
        self._seen = min(self._seen + 1, 10 * PRESENT_MIN)
        self._place = place

    @property
    def _full(self) -> list[_Cell]:
        return [c for c in self._cells.values() if c.n >= FULL]

    def _model(self) -> _Model | None:
        """What goes with the load, from places of different load; `None` while their loads are too much alike."""
        full = self._full
        loads = np.array([c.load for c in full])
        if len(full) < 2 or np.ptp(loads) < LOAD_SPREAD:
            return None
        key = (len(full), sum(c.n for c in full) // FULL)
        if self._fitted is None or self._fitted[0] != key:
            noise = self._noise_of_one() / np.array([c.n for c in full])[:, None]
            rough = min((self._fit(full, noise, hz, LOSSES[1]) for hz in RINGS_HZ), key=lambda fit: fit[0])[1]
            near = rough.ring_hz * np.linspace(0.94, 1.06, 13)
            fits = [self._fit(full, noise, hz, loss) for hz in near.tolist() for loss in LOSSES]
            self._fitted = key, min(fits, key=lambda fit: fit[0])[1]
        return self._fitted[1]

    def _fit(self, full: list[_Cell], noise: Floats, hz: float, loss: float) -> tuple[float, _Model]:
        """Misfit and model, were the drive to ring at `hz`: each cylinder's own load, near the mean of all."""
        model = _Model(hz, loss, np.ones(len(self._groups)), np.zeros(self._size))
        raw = np.array([c.load * self._filtered(model, c.rpm) for c in full])
        y = np.array([c.mean for c in full])
        # What does not go with the load is free, so only what differs between the places counts.
        weights = 1 / (noise + NOT_MODELLED_DEG**2)
        total = weights.sum(axis=0)
        x = raw - (weights[:, None, :] * raw).sum(axis=0) / total
        y = y - (weights * y).sum(axis=0) / total
        rows = np.moveaxis(x, 1, 2).reshape(-1, len(self._groups))
        flat, w = y.ravel(), weights.ravel()
        alike = rows.sum(axis=1)
        mean = max(float((w * alike) @ flat / ((w * alike) @ alike + 1e-12)), 1e-6)
        prior = 1 / (OWN_SPREAD * mean) ** 2
        information = (rows.T * w) @ rows + prior * np.eye(rows.shape[1])
        own = np.linalg.solve(information, (rows.T * w) @ flat + prior * mean)
        own = np.maximum(own, OWN_LEAST * mean)
        misfit = float(w @ (flat - rows @ own) ** 2 + prior * np.sum((own - mean) ** 2))
        fixed = np.mean([c.mean - own @ by_load for c, by_load in zip(full, raw, strict=True)], axis=0)
        return misfit, _Model(hz, loss, own, fixed)

    def _filtered(self, model: _Model, rpm: float) -> Floats:
        """float64[groups, size]: the pulses as a drive that rings at the model's frequency shows them at this speed."""
        r = np.arange(1, self._size // 2 + 1) * (rpm / (60 * self._ratio * model.ring_hz))
        c = self._orders * (1 / (1 - r * r + 1j * model.loss))
        return np.concatenate((c.real, c.imag), axis=1)

    def _noise_of_one(self) -> Floats:
        return np.asarray(self._noise / max(self._noise_n, 1) + 1e-10)

    # -- what stands --------------------------------------------------------------------------------------------

    def _view(self, place: Place) -> ShapeView:
        filled = sum(c.n >= FULL for c in self._cells.values())
        cell = self._cells[place]
        if self._place is None or self._seen < PRESENT_MIN:
            return ShapeView(f"Reference: {cell.n} of {FULL} shapes at this load and speed, {filled} places full.")
        model = self._model()
        if model is None:
            return ShapeView(
                "Mounting error of the encoders not learned yet: running at another load is needed "
                f"({filled} places full)."
            )
        reference = self._cells[self._place].mean - model.fixed
        changes = self._changes(model)
        changed = self._clear(changes)
        return ShapeView(
            _text(changes, changed),
            self._course(reference),
            self._course(reference + self._off),
            changes,
            changed,
        )

    def _course(self, value: Floats) -> tuple[float, ...]:
        half = self._size // 2
        return tuple(np.round(shape_of(value[:half] + 1j * value[half:], self._ratio, 64 * self._ratio), 5).tolist())

    def _clear(self, changes: Sequence[CylinderChange]) -> int | None:
        limit = self._engine.cams.change_percent if self._engine.cams else math.inf
        first = max(range(len(changes)), key=lambda i: abs(changes[i].z))
        stands = self.view.changed is not None
        c = changes[first]
        z, limit = (STANDS_Z, STANDS_PART * limit) if stands else (CLEAR_Z, limit)
        return first if abs(c.z) >= z and abs(c.p50) >= limit else None

    def _changes(self, model: _Model) -> tuple[CylinderChange, ...]:
        """The present's change, projected on the cylinders."""
        n, own = len(self._groups), model.own * self._load
        pulses = self._filtered(model, self._rpm)
        # Columns: each cylinder's part of its own, and the encoders' first orders.
        columns, prior = [*(own[:, None] * pulses)], [CYLINDER_PART**2] * n
        half = self._size // 2
        for k in range(self._ratio, MOUNT_ORDERS * self._ratio + 1, self._ratio):
            for at in (k - 1, half + k - 1):
                columns.append(np.eye(self._size)[at])
                prior.append(MOUNT_DEG**2)
        b = np.array(columns).T
        shapes = self._weight**2 / self._weight_sq
        filled = min(c.n for c in self._full)
        weights = 1 / (self._noise_of_one() * (1 / shapes + 1 / filled) + MODEL_PART**2 * self._moved)
        cov = np.linalg.inv((b.T * weights) @ b + np.diag(1 / np.array(prior)))
        found = cov @ ((b.T * weights) @ self._off)
        # Against the mean of the others: what all share is fuel or load.
        against = np.eye(n) if n == 1 else (n * np.eye(n) - 1) / (n - 1)
        part, cov = against @ found[:n], against @ cov[:n, :n] @ against.T
        se = np.sqrt(np.diag(cov) + FLOOR_PART**2)
        reach = NORMAL_95 * np.hypot(se, SCALE_PART * part)
        ends = [(100 * (part + side * reach)).tolist() for side in (-1, 0, 1)]
        return tuple(map(CylinderChange, self._groups, *ends, (part / se).tolist()))

    # -- over a restart -----------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything but the settings, JSON-able; bounded by CELLS_MAX."""
        return {
            "cells": [[*place, c.n, c.load, c.rpm, *c.mean.tolist()] for place, c in self._cells.items()],
            "noise": [self._noise_n, *self._noise.tolist()],
            "present": [
                self._weight,
                self._weight_sq,
                self._load,
                self._rpm,
                self._seen,
                *self._off.tolist(),
                *self._moved.tolist(),
            ],
            "place": self._place,
            "model": self._model_state(),
        }

    def _model_state(self) -> list[float] | None:
        if self._fitted is None:
            return None
        key, m = self._fitted
        return [*key, m.ring_hz, m.loss, *m.own.tolist(), *m.fixed.tolist()]

    def load(self, state: dict[str, Any]) -> None:
        """Go on from `state`; one of other settings is left, and the reference is filled again."""
        if len(state["noise"]) != 1 + self._size or self._engine.cams is None:
            return
        self._cells = {(c[0], c[1]): _Cell(c[2], c[3], c[4], np.array(c[5:], dtype=np.float64)) for c in state["cells"]}
        self._noise_n, self._noise = int(state["noise"][0]), np.array(state["noise"][1:], dtype=np.float64)
        present = state["present"]
        self._weight, self._weight_sq, self._load, self._rpm = (float(x) for x in present[:4])
        self._seen = int(present[4])
        self._off, self._moved = np.array(present[5:], dtype=np.float64).reshape(2, self._size)
        self._place = None if state["place"] is None else (int(state["place"][0]), int(state["place"][1]))
        if (kept := state["model"]) is not None:
            own, fixed = np.split(np.array(kept[4:], dtype=np.float64), [len(self._groups)])
            self._fitted = (int(kept[0]), int(kept[1])), _Model(float(kept[2]), float(kept[3]), own, fixed)
        if self._place is not None:
            self.view = self._view(self._place)


def groups(angles: Sequence[float], cycle_deg: float, near_deg: float) -> tuple[tuple[int, ...], ...]:
    """Cylinders by number, those at like angles together."""
    groups: list[list[int]] = []
    for number, angle in enumerate(angles, 1):
        for g in groups:
            apart = (angle - angles[g[0] - 1] + cycle_deg / 2) % cycle_deg - cycle_deg / 2
            if abs(apart) < near_deg:
                g.append(number)
                break
        else:
            groups.append([number])
    return tuple(tuple(g) for g in groups)


def _pulse(angle_deg: float, half_deg: float, ratio: int) -> Floats:
    """float64[32·ratio]: one degree of twist at a cam, cos² within its half width, as orders of the working cycle."""
    points = 4_096
    at = np.arange(points) * (360.0 * ratio / points)
    away = (at - angle_deg + 180.0 * ratio) % (360.0 * ratio) - 180.0 * ratio
    pulse = np.where(np.abs(away) < half_deg, np.cos(np.pi / 2 * away / half_deg) ** 2, 0.0)
    orders = np.fft.rfft(pulse)[1 : ORDERS_PER_TURN * ratio + 1] * (2 / points)
    return np.concatenate((orders.real, orders.imag))


def _text(changes: Sequence[CylinderChange], changed: int | None) -> str:
    if changed is None:
        most = max(changes, key=lambda c: abs(c.p50))
        return f"No cam's load differs from its own past; largest {_who(most)} {_figure(most)}."
    c = changes[changed]
    others = ", ".join(str(n) for n in c.cylinders[1:]) or "none"
    return (
        f"The camshaft's load near cylinder {c.cylinders[0]}'s cam differs from its own past by {_figure(c)}; "
        f"cylinders at like angles: {others}; compare the pressures"
    )


def _who(c: CylinderChange) -> str:
    return f"cylinder {'/'.join(map(str, c.cylinders))}"


def _figure(c: CylinderChange) -> str:
    return f"{c.p50:+.0f} % ({c.p05:+.0f} to {c.p95:+.0f})".replace("+0 %", "0 %").replace("-0 %", "0 %")
