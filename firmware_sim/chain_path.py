"""The chain's way round its wheels, found by closing the loop link by link. No sensor, no time.

The layout: crank wheel and camshaft wheel, a straight taut strand on one side, on the other side the slack run bent by
the tightener wheel, which moves across the run midway between the two. The distance of the two wheels along the slack
run and the tightener's place are those at which the new loop closes with the given wrap on the tightener wheel (a real
drive has guides that are not drawn here; they only shift the strands).

A link of length l on a circle of radius R takes the angle 2·asin(l/2R). Wear makes l longer. With ride-out 1 the worn
links climb the teeth until one link again takes one tooth; with ride-out 0 they stay on the new circle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from firmware_sim.streams import Floats

GROWTH_GRID = np.linspace(-0.004, 0.03, 137)
"""Elongations (parts of one) for which the loop is closed; straight lines between them are wrong by less than 1 µm."""
WARM = 1e-4
WHEELS_FEEL = 0.5
"""The wheels stand in the same oil but sit on shafts of the frame: they warm by so much of what the chain does."""
HALVINGS = 50


class LoopOpenError(ValueError):
    """No place of the tightener closes the loop."""


@dataclass(frozen=True, slots=True)
class Layout:
    """What is given of the drive; lengths in mm. `outside`: the tightener wheel presses on the loop from outside."""

    pitch: float
    crank_teeth: int
    cam_teeth: int
    tightener_teeth: int
    links: int
    taut_links: float
    wrap_rad: float
    ride_out: float
    outside: bool


def radius(pitch: float, teeth: int) -> float:
    """Radius of the circle through the pins of a new chain: a polygon of `teeth` sides."""
    return pitch / (2 * math.sin(math.pi / teeth))


@cache
def chain_path(layout: Layout) -> ChainPath:
    """The path of a layout, worked out once. Raises LoopOpenError."""
    return ChainPath(layout)


class ChainPath:
    """The loop closed for every elongation. Travel in mm of the tightener wheel, inward positive; lag in cam degrees.

    `travel`, `lag_deg`, `spare_links`: at each growth of `GROWTH_GRID`, against the new, cold chain; `…_per_warm`: for
    a growth by warmth, per part of one. `spare_links` are left over where the tightener stays
    at its new place (a locked one). `lag_deg_per_travel`: by how much the camshaft is earlier for each mm that the
    driving strand pushes the tightener outward. `mesh_links`: links on all wheels. All for a new chain.
    """

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        sizes = (layout.crank_teeth, layout.cam_teeth, layout.tightener_teeth)
        self._new = [radius(layout.pitch, z) for z in sizes]
        self._inward = -1.0 if layout.outside else 1.0
        self._taut_centres = math.hypot(layout.taut_links * layout.pitch, self._new[1] - self._new[0])
        self._centres, self._place = self._close_new()
        cold, warm = self._solve(GROWTH_GRID, 0.0), self._solve(GROWTH_GRID, WARM)
        self.travel = (cold - self._place) * self._inward
        self.travel_per_warm = (warm - cold) * self._inward / WARM
        self.lag_deg = self._late(GROWTH_GRID, 0.0)
        self.lag_deg_per_warm = (self._late(GROWTH_GRID, WARM) - self.lag_deg) / WARM
        place = np.full(GROWTH_GRID.shape, self._place)
        self.spare_links = layout.links - self._links(place, self._centres, GROWTH_GRID, 0.0)
        warm_links = self._links(place, self._centres, GROWTH_GRID, WARM)
        self.spare_links_per_warm = (layout.links - warm_links - self.spare_links) / WARM
        self.cam_deg_per_link = math.degrees(_angle(layout.pitch, self._new[1]))
        self.lag_deg_per_travel = self._per_travel()
        self.mesh_links = self._mesh()

    def wheel_pull(self, travel: float = 0.0) -> float:
        """Force on the tightener wheel of two strands of unit tension: the sum of their directions across the run."""
        leans = self._leans(np.array(self._place + travel * self._inward), self._centres, self._new)
        return abs(float(sum(np.sin(lean) for lean in leans)))

    # -- one state of the loop ----------------------------------------------------------------------------------

    def _leans(self, place: Floats, centres: float, radii: list[Floats] | list[float]) -> list[Floats]:
        """How far each strand of the slack run leans inward, rad."""
        side = radii[2] if self.layout.outside else -radii[2]
        away, distance = np.arctan2(centres / 2, place), np.hypot(centres / 2, place)
        return [away - np.arccos(np.minimum(1.0, (r + side) / distance)) for r in radii[:2]]

    def _links(self, place: Floats, centres: float, growth: Floats, warm: float) -> Floats:
        """Links that the way round takes up with the tightener at `place`."""
        link = self.layout.pitch * (1 + growth + warm)
        radii = [r * (1 + self.layout.ride_out * growth + WHEELS_FEEL * warm) for r in self._new]
        side = radii[2] if self.layout.outside else -radii[2]
        distance = np.hypot(centres / 2, place)
        spans = sum(np.sqrt(np.maximum(distance**2 - (r + side) ** 2, 0.0)) for r in radii[:2])
        taut, tilt = self._taut(radii)
        leans = self._leans(place, centres, radii)
        arcs = [math.pi - 2 * tilt + leans[0], math.pi + 2 * tilt + leans[1], np.abs(leans[0] + leans[1])]
        on_wheels = sum(arc / _angles(link, r) for arc, r in zip(arcs, radii, strict=True))
        return np.asarray((taut + spans) / link + on_wheels)

    def _taut(self, radii: list[Floats]) -> tuple[Floats, Floats]:
        """Length of the taut strand between its tangent points, and its tilt, rad."""
        gap = radii[1] - radii[0]
        return np.sqrt(self._taut_centres**2 - gap**2), np.arcsin(gap / self._taut_centres)

    def _late(self, growth: Floats, warm: float) -> Floats:
        """The taut strand holds fewer of the longer links; what it no longer holds lies on the camshaft wheel."""
        link = self.layout.pitch * (1 + growth + warm)
        circle = self._new[1] * (1 + self.layout.ride_out * growth + WHEELS_FEEL * warm)
        fewer = self._taut_holds(np.zeros(1), 0.0) - self._taut_holds(growth, warm)
        return np.asarray(np.degrees(fewer * _angles(link, circle)))

    def _taut_holds(self, growth: Floats, warm: float) -> Floats:
        taut, tilt = self._taut([r * (1 + self.layout.ride_out * growth + WHEELS_FEEL * warm) for r in self._new])
        teeth = (self.layout.cam_teeth - self.layout.crank_teeth) / (2 * math.pi)
        return np.asarray(taut / (self.layout.pitch * (1 + growth + warm)) + tilt * teeth)

    # -- closing ------------------------------------------------------------------------------------------------

    def _close_new(self) -> tuple[float, float]:
        """Distance of the wheels along the slack run and place of the tightener, new and cold."""
        low, high = sum(self._new[:2]) * 1.02, self.layout.pitch * self.layout.links
        zero = np.zeros(())
        for _ in range(HALVINGS):
            centres = (low + high) / 2
            few = self._links(np.array(self._wrapped(centres)), centres, zero, 0.0) < self.layout.links
            low, high = (centres, high) if few else (low, centres)
        place = self._wrapped(low)
        if abs(float(self._links(np.array(place), low, zero, 0.0)) - self.layout.links) > 1e-6:
            raise LoopOpenError("loop_links, taut_links and wrap_deg do not close a loop; correct one of them")
        return low, place

    def _wrapped(self, centres: float) -> float:
        """The place at which the tightener is wrapped as given."""
        wanted = self.layout.wrap_rad if self.layout.outside else -self.layout.wrap_rad
        low, high = -centres, centres + self._new[0] + self._new[2]
        for _ in range(HALVINGS):
            place = (low + high) / 2
            lean = sum(float(x) for x in self._leans(np.array(place), centres, self._new))
            low, high = (place, high) if lean > wanted else (low, place)
        return low

    def _solve(self, growth: Floats, warm: float) -> Floats:
        """The tightener's place with the loop closed: further across its run it takes up more links."""
        reach = self._new[2] + 0.2 * self._centres
        low, high = (np.full(growth.shape, self._place + x) for x in (-reach, reach))
        for _ in range(HALVINGS):
            place = (low + high) / 2
            up = (self._links(place, self._centres, growth, warm) > self.layout.links) == self.layout.outside
            low, high = np.where(up, place, low), np.where(up, high, place)
        return low

    def _per_travel(self) -> float:
        places = np.array([self._place, self._place - self._inward])
        here, outward = self._links(places, self._centres, np.zeros(2), 0.0)
        return float(here - outward) * self.cam_deg_per_link

    def _mesh(self) -> float:
        leans = self._leans(np.array(self._place), self._centres, self._new)
        tilt = math.asin((self._new[1] - self._new[0]) / self._taut_centres)
        arcs = [math.pi - 2 * tilt + leans[0], math.pi + 2 * tilt + leans[1], abs(leans[0] + leans[1])]
        return float(sum(a / _angle(self.layout.pitch, r) for a, r in zip(arcs, self._new, strict=True)))


def _angle(link: float, circle: float) -> float:
    return 2 * math.asin(min(1.0, link / (2 * circle)))


def _angles(link: Floats, circle: Floats) -> Floats:
    return np.asarray(2 * np.arcsin(np.minimum(1.0, link / (2 * circle))))
