"""Elongation of the chain by running hours: bedding in, months that wear more or less, a steeper end, a new chain."""

from __future__ import annotations

import numpy as np

from firmware_sim.streams import Floats
from firmware_sim.tables import ChainTable

MONTH_H = 720.0
MONTHS = 600


class WearCourse:
    """Elongation in per cent. `renewed`: (running hours, elongation) of each new chain, in order."""

    def __init__(self, chain: ChainTable, rng: np.random.Generator, renewed: list[tuple[float, float]]) -> None:
        self._chain = chain
        self._lives = [(0.0, chain.elongation_percent), *renewed]
        part = np.maximum(1 + chain.wear_monthly * rng.standard_normal(MONTHS), 0.1)
        self._worn = np.concatenate([[0.0], np.cumsum(part * MONTH_H)])
        self._plain = chain.wear_monthly == 0

    def at(self, hours: Floats) -> Floats:
        """At each number of running hours."""
        begun_h, first = self._lives[0]
        out = self._life(hours - begun_h, first, begun_h)
        for begun_h, first in self._lives[1:]:
            # A new chain beds in by its own hours; the months' wobble is the ship's.
            out = np.where(hours >= begun_h, self._life(hours - begun_h, first, begun_h), out)
        return out

    def _life(self, hours: Floats, first: float, begun_h: float) -> Floats:
        chain = self._chain
        worn_h = np.maximum(hours, 0.0) * chain.wear_rate_factor
        bedding = chain.bedding_percent * -np.expm1(-worn_h / chain.bedding_h)
        slow = self._wobbled(worn_h, begun_h) * chain.wear_percent_per_1000h / 1000
        percent = np.asarray(first + slow + bedding)
        if chain.steep_factor != 1.0:
            percent = percent + np.maximum(percent - chain.steep_after_percent, 0.0) * (chain.steep_factor - 1)
        return percent

    def _wobbled(self, worn_h: Floats, begun_h: float) -> Floats:
        """Hours of wear, months weighted; beyond the months drawn the rate is the mean."""
        if self._plain:
            return worn_h
        place = begun_h * self._chain.wear_rate_factor + worn_h
        drawn = np.interp(place, np.arange(MONTHS + 1) * MONTH_H, self._worn)
        beyond = np.maximum(place - MONTHS * MONTH_H, 0.0)
        start = np.interp(begun_h * self._chain.wear_rate_factor, np.arange(MONTHS + 1) * MONTH_H, self._worn)
        return np.asarray(drawn + beyond - start)
