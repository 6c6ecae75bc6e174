"""Ten-minute medians of steady ahead running: what the trend is made from."""

from dataclasses import dataclass, field
from typing import TypeGuard

from gateway.measure.smoothing import median
from gateway.model.records import Cycle, Health, Median

WINDOW_US = 600_000_000
TEMPERATURE_C = -20.0, 150.0
"""Casing and frame of an engine under way are never colder or hotter (common practice, no source): the input failed."""
REVOLUTIONS_MIN = 3
"""Fewer give no middle (interface, section 2)."""


@dataclass(frozen=True, slots=True)
class Window:
    """Ten minutes of steady running, and what goes with their medians.

    `slap_mm`, `order1_deg`: medians of slap and of the lag's first order. `pause_rpm`: mean speed over the pause of the
    head before them. `health`: the newest health frame. `None` = not known.
    """

    median: Median
    slap_mm: float | None
    order1_deg: float | None
    pause_rpm: float | None
    health: Health | None


@dataclass(slots=True)
class _Gathered:
    first_us: int = 0
    last_us: int = 0
    last_hours: float = 0.0
    lag_deg: list[float] = field(default_factory=list)
    spring_mm: list[float] = field(default_factory=list)
    rpm: list[float] = field(default_factory=list)
    slap_mm: list[float] = field(default_factory=list)
    order1_deg: list[float] = field(default_factory=list)
    casing_c: list[float] = field(default_factory=list)
    frame_c: list[float] = field(default_factory=list)
    load: list[float] = field(default_factory=list)
    pause_rpm: float | None = None


def _spread(values: list[float]) -> tuple[float | None, float | None]:
    if len(values) < REVOLUTIONS_MIN:
        return None, None
    m = median(values)
    return m, median([abs(v - m) for v in values])


def _is_sound(celsius: float | None) -> TypeGuard[float]:
    return celsius is not None and TEMPERATURE_C[0] <= celsius <= TEMPERATURE_C[1]


def _middle(values: list[float]) -> float | None:
    return median(values) if values else None


class TenMinutes:
    """Gathers steady cycles in windows of ten minutes of pipeline time; the window bounds what is gathered."""

    def __init__(self) -> None:
        self._window: int | None = None
        self._g = _Gathered()

    def cycle(
        self, c: Cycle, hours: float, warmth: Health | None, load: float | None, pause_rpm: float | None = None
    ) -> None:
        """Take a steady cycle at `hours` running hours, with the temperatures, the load (a share) and the mean speed
        over the last pause as they are known then; call `due` first.

        Their middle, not their last, goes with the medians: a burst begins with what the one before it left behind.
        """
        g = self._g
        if not g.rpm:
            self._window, g.first_us = c.t_us // WINDOW_US, c.t_us
        g.last_us, g.last_hours, g.pause_rpm = c.t_us, hours, pause_rpm
        g.rpm.append(c.rpm)
        if c.lag_deg is not None:
            g.lag_deg.append(c.lag_deg)
        if c.spring_mm is not None:
            g.spring_mm.append(c.spring_mm)
        if c.slap_mm is not None:
            g.slap_mm.append(c.slap_mm)
        if c.orders_deg:
            g.order1_deg.append(c.orders_deg[0])
        if warmth is not None and _is_sound(warmth.casing_c):
            g.casing_c.append(warmth.casing_c)
        if warmth is not None and _is_sound(warmth.frame_c):
            g.frame_c.append(warmth.frame_c)
        if load is not None:
            g.load.append(load)

    def due(self, t_us: int) -> bool:
        """Is the open window over at `t_us`?"""
        return self._window is not None and t_us // WINDOW_US != self._window

    def close(self, utc_s: float, health: Health | None) -> Window | None:
        """Close the window; `None` where it held too few revolutions. `utc_s`: at its last cycle."""
        g = self._g
        median = self.take(utc_s)
        if median is None:
            return None
        return Window(median, _spread(g.slap_mm)[0], _spread(g.order1_deg)[0], g.pause_rpm, health)

    def take(self, utc_s: float) -> Median | None:
        """Close the window; `None` where it held too few revolutions. `utc_s`: at its last cycle."""
        g, self._g, self._window = self._g, _Gathered(), None
        lag, lag_mad = _spread(g.lag_deg)
        spring, spring_mad = _spread(g.spring_mm)
        if lag is None and spring is None:
            return None
        half_s = (g.last_us - g.first_us) / 2e6
        return Median(
            utc_s=utc_s - half_s,
            hours=g.last_hours - half_s / 3600,
            revolutions=len(g.rpm),
            lag_deg=lag,
            lag_mad_deg=lag_mad,
            spring_mm=spring,
            spring_mad_mm=spring_mad,
            rpm=median(g.rpm),
            casing_c=_middle(g.casing_c),
            frame_c=_middle(g.frame_c),
            load=_middle(g.load),
        )

    def restart(self) -> None:
        """Let go of what was gathered: a jump lies in it, and its middle would be of neither level."""
        self._g, self._window = _Gathered(), None

    @property
    def last_us(self) -> int:
        """Pipeline time of the last cycle taken."""
        return self._g.last_us
