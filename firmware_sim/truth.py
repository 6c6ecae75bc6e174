"""The truth behind a scenario, for tests and for the truth file beside a capture: no sensor has touched it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from firmware_sim.head import engine_of
from firmware_sim.scenario import Scenario
from firmware_sim.streams import Floats

POINTS_A_TURN = 16
GRID_HZ = 200


@dataclass(frozen=True, slots=True)
class Revolutions:
    """One row per whole crank turn. `begin_s`, `end_s`: times. `lag_deg`, `spring_mm`: means over the crank's angle."""

    begin_s: Floats
    end_s: Floats
    rpm: Floats
    lag_deg: Floats
    spring_mm: Floats


class Truth:
    """True figures at any time, in seconds since the scenario's start; a number in gives an array of no dimension out.

    The lag of a turn is the mean of crank − ratio·cam over the crank's angle, against the last camshaft setting.
    Torsion of whole orders and the encoders' eccentric mounting have no part in it, nor have counts and noise
    (handbook sum 3).
    """

    def __init__(self, scenario: Scenario, seed: int | None = None) -> None:
        self._motion, self._drive = engine_of(scenario, scenario.run.seed if seed is None else seed)
        self.lag_deg_per_percent = self._drive.lag_deg_per_percent
        self.spring_mm_per_percent = self._drive.spring_mm_per_percent

    def rpm(self, t_s: ArrayLike) -> Floats:
        """Mean speed; astern negative."""
        return self._motion.rpm(_times(t_s))

    def turns(self, t_s: ArrayLike) -> Floats:
        """Turns since the start, either direction, as the head's counter has them."""
        return self._motion.timetable.turns_abs(_times(t_s))

    def hours(self, t_s: ArrayLike) -> Floats:
        """Running hours since the start, ahead and astern."""
        return self._drive.hours(_times(t_s))

    def lag_deg(self, t_s: ArrayLike) -> Floats:
        """Mean lag over a turn; late positive."""
        return self._drive.lag_deg(_times(t_s))

    def spring_mm(self, t_s: ArrayLike) -> Floats:
        """Mean spring length over a turn."""
        return self._drive.spring_mm(_times(t_s))

    def slack_mm(self, t_s: ArrayLike) -> Floats:
        """Length of chain that nothing takes up."""
        return self._drive.slack_mm(_times(t_s))

    def tension_share_n(self, t_s: ArrayLike) -> Floats:
        """What the spring puts on the slack strand."""
        return self._drive.tension_share_n(_times(t_s))

    def loading(self, t_s: ArrayLike) -> Floats:
        """0 in ballast, 1 laden."""
        return self._drive.loading(_times(t_s))

    def chain_c(self, t_s: ArrayLike) -> Floats:
        """Temperature of the chain itself, which no sensor sees whole."""
        return self._drive.chain_c(_times(t_s))

    def elongation_percent(self, t_s: ArrayLike) -> Floats:
        """Of the chain."""
        return self._drive.elongation_percent(_times(t_s))

    def casing_c(self, t_s: ArrayLike) -> Floats:
        """Temperature of the chain casing."""
        return self._drive.casing_c(_times(t_s))

    def frame_c(self, t_s: ArrayLike) -> Floats:
        """Temperature of the engine frame."""
        return self._drive.frame_c(_times(t_s))

    def load(self, t_s: ArrayLike) -> Floats:
        """Part of full load."""
        return self._drive.load(_times(t_s))

    def revolutions(self, begin_s: float, end_s: float) -> Revolutions:
        """The whole crank turns between two times. Raises ValueError where the engine stops or turns back."""
        t = np.arange(begin_s, end_s + 1 / GRID_HZ, 1 / GRID_HZ)
        angle = self._motion.angle(t)
        way = np.sign(angle[-1] - angle[0])
        if not np.all(np.diff(angle) * way > 0):
            raise ValueError(f"the engine does not turn one way all the time from {begin_s} s to {end_s} s")
        first, last = np.ceil(way * angle[0]), np.floor(way * angle[-1])
        marks = first + np.arange(round(last - first) * POINTS_A_TURN + 1) / POINTS_A_TURN
        edges = np.interp(marks[::POINTS_A_TURN], way * angle, t)
        middles = np.interp(marks[:-1] + 0.5 / POINTS_A_TURN, way * angle, t).reshape(-1, POINTS_A_TURN)
        return Revolutions(
            begin_s=edges[:-1],
            end_s=edges[1:],
            rpm=way * 60 / np.diff(edges),
            lag_deg=self._drive.lag_deg(middles).mean(axis=1),
            spring_mm=self._drive.spring_mm(middles).mean(axis=1),
        )


def _times(t_s: ArrayLike) -> Floats:
    return np.asarray(t_s, dtype=np.float64)
