"""How long the chain has grown, three ways that share nothing but the chain, each with its standard uncertainty.

Elongation in per cent of the new length, lag in crank degrees, spring lengths in mm. A figure that rests on something
that was never measured is `None`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from gateway.model.settings import EngineSettings
from gateway.wear import geometry

PIN_GAUGE_SE_DEG = 0.05
"""A pin gauge is felt to about a tenth of a millimetre on the arc."""

TAUT_LINKS_SE = 0.5
"""Where the taut strand begins on a wheel is known to about half a link."""

WRAP_SE_DEG = 3.0
"""The tightener's wrap is read off a drawing and changes a little as the tightener travels."""

TRANSDUCER_SE_MM = 0.15
"""Drift and temperature of a displacement transducer on a loop of 4–20 mA between two retightenings."""

SPRING_THERMAL_SE_MM = 0.2
"""What is left of casing and spring growth after the trend's own correction for temperature."""

SPRING_SET_SE_MM_PER_1000H = 0.03
"""A sound spring takes a set of about a millimetre in a life of tens of thousands of hours."""

RULE_SE_MM = 0.5
"""A steel rule or tape over pins, both ends and its own graduation together."""

LINK_SPREAD_PERCENT = 0.05
"""Some metres of chain stand for the whole loop no better than this."""

WEAR_PERCENT_PER_1000H = 0.02
"""A usual rate, by which an old measurement by hand goes stale when no trend knows better; from memory."""


class Source(StrEnum):
    """Where an estimate of the elongation comes from."""

    SETTINGS = "settings"
    LAG = "lag"
    TIGHTENER = "tightener"
    LINKS = "links"
    LOST_MOTION = "lost motion"
    COMBINED = "combined"


@dataclass(frozen=True, slots=True)
class Estimate:
    """An elongation in per cent with its standard uncertainty.

    `shared_se_percent`: the part of `se_percent` that comes from a starting figure which other estimates rest on too.
    """

    percent: float
    se_percent: float
    source: Source
    shared_se_percent: float = 0.0

    @property
    def own_se_percent(self) -> float:
        """The part of the uncertainty that no other estimate shares."""
        return math.sqrt(max(self.se_percent**2 - self.shared_se_percent**2, 0.0))


@dataclass(frozen=True, slots=True)
class Change:
    """A change since a datum with its standard uncertainty, in the unit of what changed."""

    value: float
    se: float


def growth_from_lag(engine: EngineSettings, change: Change) -> Change:
    """Growth in per cent behind a change of lag in degrees (the taut strand's length is uncertain by half a link)."""
    growth = geometry.elongation_from_lag_deg(engine, change.value)
    lengths = [TAUT_LINKS_SE / s.taut_links for s in geometry.stages(engine)]
    return Change(growth, math.hypot(geometry.elongation_from_lag_deg(engine, change.se), growth * max(lengths)))


def growth_from_spring(engine: EngineSettings, change: Change, hours: float) -> Change | None:
    """Growth in per cent behind a change of spring length in mm over `hours`, were there no ride-out of the chain.

    `None` for a locked tightener; `ride_out.RideOut.growth` makes the chain's growth of it.

    To the change's own uncertainty come the transducer, warmth, the spring's usual set and the wrap.
    """
    t = engine.tightener
    if t.kind == "locked":
        return None
    growth = geometry.elongation_from_spring_mm(engine, change.value)
    mm = math.hypot(
        change.se, TRANSDUCER_SE_MM, SPRING_THERMAL_SE_MM, SPRING_SET_SE_MM_PER_1000H * max(hours, 0.0) / 1000
    )
    half = math.radians(t.wrap_deg) / 2
    wrap = abs(math.radians(WRAP_SE_DEG) / 2 / math.tan(half))
    return Change(growth, math.hypot(geometry.elongation_from_spring_mm(engine, mm), growth * wrap))


def from_lag(engine: EngineSettings, start: Estimate | None, change: Change | None) -> Estimate | None:
    """The elongation from the change of lag since the camshaft was set, `start` being the elongation then.

    `None` where the zero was never taken (no change) or the elongation then is not known.
    """
    if start is None or change is None:
        return None
    zero = Change(change.value, math.hypot(change.se, PIN_GAUGE_SE_DEG))
    return _on_top(start, growth_from_lag(engine, zero), Source.LAG)


def from_tightener(
    engine: EngineSettings,
    start: Estimate | None,
    change: Change | None,
    hours: float,
    whole: Callable[[Change], Change] = lambda seen: seen,
) -> Estimate | None:
    """The elongation from the spring's travel in the `hours` since it was retightened; sprung tighteners only.

    `whole` makes the chain's growth of what the tightener sees of it (`RideOut.growth`).
    `None` where the tightener is locked, or the length or the elongation at the retightening is not known.
    """
    if start is None or change is None:
        return None
    growth = growth_from_spring(engine, change, hours)
    return None if growth is None else _on_top(start, whole(growth), Source.TIGHTENER)


def from_lost_motion(start: Estimate | None, growth: Change | None) -> Estimate | None:
    """The elongation from the growth in per cent that the lost motion shows since the retightening; locked only."""
    return None if start is None or growth is None else _on_top(start, growth, Source.LOST_MOTION)


def from_links(
    pitch_mm: float,
    links: float,
    length_mm: float,
    *,
    since_h: float = 0.0,
    growth: Change | None = None,
    rule_se_mm: float = RULE_SE_MM,
) -> Estimate:
    """The elongation from `length_mm` over `links` links measured by hand: length/(links·pitch) − 1.

    A measurement `since_h` hours old is carried forward by `growth` (per cent since, from the trend); without one it
    stands as measured and grows uncertain at the usual rate of wear. Raises ValueError for no links or no pitch.
    """
    if not (links > 0 and pitch_mm > 0 and length_mm > 0):
        raise ValueError("links, pitch and length must be above 0")
    new_mm = links * pitch_mm
    percent = (length_mm / new_mm - 1) * 100
    since = growth or Change(0.0, WEAR_PERCENT_PER_1000H * max(since_h, 0.0) / 1000)
    se = math.hypot(rule_se_mm / new_mm * 100, LINK_SPREAD_PERCENT, since.se)
    return Estimate(percent + since.value, se, Source.LINKS)


def _on_top(start: Estimate, growth: Change, source: Source) -> Estimate:
    se = math.hypot(start.se_percent, growth.se)
    return Estimate(start.percent + growth.value, se, source, shared_se_percent=start.se_percent)


@dataclass(frozen=True, slots=True)
class Combined:
    """All estimates in one. `misfit`: their scatter over what their uncertainties allow, ≤ 1 where they agree."""

    estimate: Estimate
    misfit: float
    sources: tuple[Source, ...]


def combine(estimates: Sequence[Estimate | None]) -> Combined | None:
    """Mean weighted by inverse variance; where the estimates scatter too much, its uncertainty grows with them.

    The weights use each estimate's own uncertainty, the shared part is added afterwards, since averaging does not
    lessen it. The scatter's factor is Birge's ratio. `None` without any estimate.
    """
    known = [e for e in estimates if e is not None]
    if not known:
        return None
    if len(known) == 1:
        return Combined(known[0], 0.0, (known[0].source,))
    weights = [1 / max(e.own_se_percent, 1e-6) ** 2 for e in known]
    total = sum(weights)
    mean = sum(w * e.percent for w, e in zip(weights, known, strict=True)) / total
    chi2 = sum(w * (e.percent - mean) ** 2 for w, e in zip(weights, known, strict=True))
    misfit = math.sqrt(chi2 / (len(known) - 1))
    # An estimate that shares nothing pulls the mean away from the common start by its weight.
    shared = sum(w * e.shared_se_percent for w, e in zip(weights, known, strict=True)) / total
    se = math.hypot(max(misfit, 1.0) / math.sqrt(total), shared)
    return Combined(Estimate(mean, se, Source.COMBINED, shared), misfit, tuple(e.source for e in known))
