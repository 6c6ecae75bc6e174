"""What of the settings lag and length are measured by, kept beside what was learnt by it.

Settings are changed between two runs: a skew found at sea, a transducer calibrated again. The figures then step, and no
drive has moved. So what was kept names what it was measured by, and whoever takes it up begins a new level.
"""

from dataclasses import dataclass, replace
from typing import Any

from gateway.measure.cycles import skew_lag_deg
from gateway.measure.loop import length_mm
from gateway.model.settings import EngineSettings

MIDDLE_MA = 12.0
RPM = 100.0
"""At which the effect of another skew is shown."""


@dataclass(frozen=True, slots=True)
class Changed:
    """What is measured otherwise than when something was kept. `skew_us`: how much more is taken off now. `texts`: in
    words, with what it does."""

    lag: bool = False
    spring: bool = False
    skew_us: float = 0.0
    texts: tuple[str, ...] = ()


def scale_of(engine: EngineSettings, zero_deg: float | None) -> dict[str, Any]:
    """What lag and length are measured by now, JSON-able. `zero_deg`: the one in force, `None` = not known."""
    t = engine.transducer
    points = [list(point) for point in t.table] or [[4.0, t.at_4ma_mm], [20.0, t.at_20ma_mm]]
    return {"zero_deg": zero_deg, "skew_us": engine.lag.skew_us, "loop": points}


def changed_since(kept: object, engine: EngineSettings, zero_deg: float | None) -> Changed:
    """Compare with what was kept by `scale_of`, under the same log book. Of a release before there is nothing to
    compare; nor where no zero was known, since no lag was."""
    if not isinstance(kept, dict):
        return Changed()
    now = scale_of(engine, zero_deg)
    texts = []
    skew_us, zero, loop = float(kept["skew_us"]), kept["zero_deg"], [(float(a), float(b)) for a, b in kept["loop"]]
    more_us = now["skew_us"] - skew_us
    if more_us:
        texts.append(
            f"skew_us of {engine.slug} is {now['skew_us']:g} µs, before {skew_us:g}: at {RPM:.0f} rpm the lag reads "
            f"{-skew_lag_deg(more_us, RPM):+.3f}°. A zero read on the turning gear holds; book again one that was read "
            "under way. The trend begins a new level"
        )
    moved = False
    if zero is not None and zero_deg is not None and float(zero) != zero_deg:
        moved = True
        texts.append(
            f"the zero of {engine.slug} is {zero_deg:g}° by the settings, before {float(zero):g}°: the lag reads "
            f"{float(zero) - zero_deg:+.3f}°. If the camshaft was set, book it. The trend begins a new level"
        )
    spring = [list(point) for point in loop] != now["loop"]
    if spring:
        off_mm = length_mm(engine.transducer, MIDDLE_MA) - length_mm(replace(engine.transducer, table=loop), MIDDLE_MA)
        texts.append(
            f"the transducer's line of {engine.slug} is another: at {MIDDLE_MA:g} mA the length reads "
            f"{off_mm:+.2f} mm. Correct booked lengths that were read by the old one. The trend begins a new level"
        )
    return Changed(bool(more_us or moved), spring, more_us, tuple(texts))
