"""Chain and wheel geometry: what one per cent of elongation does to the timing and to the tightener spring.

Angles are degrees of the crank, positive = late. Lengths in mm, elongation in per cent of the new length. Where there
are two chains both are taken to have grown by the same per cent: they were renewed together and run in the same oil.
"""

import math
from dataclasses import dataclass

from gateway.model.settings import EngineSettings, slack_tension_n, spring_force_n


def pitch_circle_mm(pitch_mm: float, teeth: int) -> float:
    """Pitch circle diameter D = p/sin(π/z) in mm (ISO 606)."""
    return pitch_mm / math.sin(math.pi / teeth)


def pitch_radius_mm(pitch_mm: float, teeth: int) -> float:
    """Half the pitch circle's diameter, in mm."""
    return pitch_circle_mm(pitch_mm, teeth) / 2


def chain_length_links(centre_links: float, teeth: int, other_teeth: int) -> float:
    """Links of a chain around two wheels `centre_links` pitches apart: L = 2C + (N+n)/2 + ((N−n)/2π)²/C."""
    return 2 * centre_links + (teeth + other_teeth) / 2 + ((other_teeth - teeth) / (2 * math.pi)) ** 2 / centre_links


def centre_distance_links(links: float, teeth: int, other_teeth: int) -> float | None:
    """The wheels' distance in pitches for a chain of `links`; `None` where so short a chain cannot go round them."""
    straight = links - (teeth + other_teeth) / 2
    root = straight**2 - 8 * ((other_teeth - teeth) / (2 * math.pi)) ** 2
    return (straight + math.sqrt(root)) / 4 if straight > 0 and root >= 0 else None


def pin_gauge_mm(radius_mm: float, angle_deg: float) -> float:
    """The arc, in mm, which an angle of the shaft shows at the pin gauge: r·θ·π/180."""
    return radius_mm * math.radians(angle_deg)


def pin_gauge_deg(radius_mm: float, arc_mm: float) -> float:
    """The angle of the shaft, in its own degrees, behind a reading of the pin gauge in mm on the arc."""
    return math.degrees(arc_mm / radius_mm)


@dataclass(frozen=True, slots=True)
class Stage:
    """One chain: its wheels, its loop, and how many turns the crank makes for one of the driven wheel."""

    pitch_mm: float
    strands: int
    driver_teeth: int
    driven_teeth: int
    loop_links: int
    taut_links: float
    crank_turns: float

    @property
    def loop_mm(self) -> float:
        """Length of the whole loop when new."""
        return self.loop_links * self.pitch_mm

    @property
    def taut_mm(self) -> float:
        """Length of the taut strand when new."""
        return self.taut_links * self.pitch_mm

    @property
    def deg_per_percent(self) -> float:
        """Crank degrees by which the driven wheel runs late for each per cent: ε·S/R, times the turns of the crank."""
        late_rad = 0.01 * self.taut_mm / pitch_radius_mm(self.pitch_mm, self.driven_teeth)
        return math.degrees(late_rad) * self.crank_turns

    def tooth_deg(self) -> tuple[float, float]:
        """Crank degrees that one tooth of jump is worth, at the driving and at the driven wheel."""
        driver_turns = self.crank_turns * self.driver_teeth / self.driven_teeth
        return 360 / self.driver_teeth * driver_turns, 360 / self.driven_teeth * self.crank_turns


def stages(engine: EngineSettings) -> tuple[Stage, ...]:
    """The engine's one or two chains, crank first. The last one's turns of the crank are the engine's `ratio`."""
    c = engine.chain
    first_turns = float(engine.ratio) if c.second is None else c.cam_teeth / c.crank_teeth
    first = Stage(c.pitch_mm, c.strands, c.crank_teeth, c.cam_teeth, c.loop_links, c.taut_links, first_turns)
    if c.second is None:
        return (first,)
    s = c.second
    return first, Stage(
        s.pitch_mm, s.strands, s.drive_teeth, s.cam_teeth, s.loop_links, s.taut_links, float(engine.ratio)
    )


def wheel_ratio(engine: EngineSettings) -> float:
    """Crank turns to one cam turn, from the teeth alone."""
    return math.prod(s.driven_teeth / s.driver_teeth for s in stages(engine))


def deg_per_percent(engine: EngineSettings) -> float:
    """Crank degrees of lag for one per cent of elongation, over all chains."""
    return sum(s.deg_per_percent for s in stages(engine))


def spring_mm_per_percent(engine: EngineSettings) -> float:
    """Millimetres by which the spring grows longer for one per cent of elongation of the tightener's chain.

    The loop gives ε·C to the slack side; the wheel takes it up by ε·C/(2·sin(β/2)); the spring moves `lever_ratio`
    times that.
    """
    loop_mm = stages(engine)[engine.chain.tightener_stage - 1].loop_mm
    t = engine.tightener
    return 0.01 * loop_mm / (2 * math.sin(math.radians(t.wrap_deg) / 2)) * t.lever_ratio


def lag_deg_from_elongation(engine: EngineSettings, percent: float) -> float:
    """Crank degrees of lag which an elongation of `percent` makes."""
    return percent * deg_per_percent(engine)


def elongation_from_lag_deg(engine: EngineSettings, lag_deg: float) -> float:
    """Per cent of elongation behind a change of lag in crank degrees."""
    return lag_deg / deg_per_percent(engine)


def spring_mm_from_elongation(engine: EngineSettings, percent: float) -> float:
    """Millimetres by which the sprung tightener's spring grows longer for `percent` of elongation."""
    return percent * spring_mm_per_percent(engine)


def elongation_from_spring_mm(engine: EngineSettings, travel_mm: float) -> float:
    """Per cent of elongation behind a change of the spring's length; longer = positive."""
    return travel_mm / spring_mm_per_percent(engine)


def loop_turns(engine: EngineSettings) -> float:
    """Crank turns in which the tightener's chain goes once round: its links over the teeth it passes a crank turn."""
    stage = stages(engine)[engine.chain.tightener_stage - 1]
    return stage.loop_links * stage.crank_turns / stage.driven_teeth


def tooth_pitches_deg(engine: EngineSettings) -> tuple[float, ...]:
    """The different sizes, in crank degrees, that a jump of one tooth can have on this drive, rising."""
    sizes = {round(d, 9) for s in stages(engine) for d in s.tooth_deg()}
    return tuple(sorted(sizes))


@dataclass(frozen=True, slots=True)
class LimitAt:
    """A limit and the growth, in per cent, since camshaft setting and retightening at which it is reached."""

    tag: str
    growth_percent: float

    def hours(self, percent_per_1000h: float) -> float | None:
        """Running hours which that growth takes at a rate of wear; `None` where the chain does not grow."""
        return self.growth_percent / percent_per_1000h * 1000 if percent_per_1000h > 0 else None


def limits_in_order(engine: EngineSettings) -> tuple[LimitAt, ...]:
    """Which limit comes first as the chain wears. A locked tightener has no tension limit."""
    start = engine.elongation.at_camshaft_set_percent
    found = [
        LimitAt("lag-near", elongation_from_lag_deg(engine, engine.lag.near_deg)),
        LimitAt("lag-limit", elongation_from_lag_deg(engine, engine.lag.limit_deg)),
        LimitAt("elongation-near", engine.elongation.near_percent - start),
        LimitAt("elongation-limit", engine.elongation.limit_percent - start),
    ]
    if engine.tightener.kind == "sprung":
        found.append(LimitAt("tension-low", elongation_from_spring_mm(engine, engine.tightener.band_mm)))
    return tuple(sorted(found, key=lambda limit: limit.growth_percent))


@dataclass(frozen=True, slots=True)
class Figures:
    """What follows from one engine's settings, for `camdrift check`. `band_*`: low edge, required, high edge."""

    deg_per_tenth_percent: float
    spring_mm_per_tenth_percent: float
    spring_mm_per_deg: float
    tooth_deg: tuple[float, ...]
    pitch_circles_mm: tuple[tuple[float, float], ...]
    loop_mm: tuple[float, ...]
    band_length_mm: tuple[float, float, float]
    band_force_n: tuple[float, float, float]
    band_tension_n: tuple[float, float, float]
    limits: tuple[LimitAt, ...]


def figures(engine: EngineSettings) -> Figures:
    """All figures that follow from the settings. The low edge of the band is the long, slack spring."""
    t, chains = engine.tightener, stages(engine)
    low, mid, high = (t.required_compression_mm + d for d in (-t.band_mm, 0.0, t.band_mm))
    return Figures(
        deg_per_tenth_percent=deg_per_percent(engine) / 10,
        spring_mm_per_tenth_percent=spring_mm_per_percent(engine) / 10,
        spring_mm_per_deg=spring_mm_per_percent(engine) / deg_per_percent(engine),
        tooth_deg=tooth_pitches_deg(engine),
        pitch_circles_mm=tuple(
            (pitch_circle_mm(s.pitch_mm, s.driver_teeth), pitch_circle_mm(s.pitch_mm, s.driven_teeth)) for s in chains
        ),
        loop_mm=tuple(s.loop_mm for s in chains),
        band_length_mm=(t.free_length_mm - low, t.free_length_mm - mid, t.free_length_mm - high),
        band_force_n=(spring_force_n(t, low), spring_force_n(t, mid), spring_force_n(t, high)),
        band_tension_n=(slack_tension_n(t, low), slack_tension_n(t, mid), slack_tension_n(t, high)),
        limits=limits_in_order(engine),
    )
