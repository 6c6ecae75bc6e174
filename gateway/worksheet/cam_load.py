"""The load of each cylinder's cam against its own past, beside its pressures: a question to compare, no verdict.

The change of the lag's shape, projected on the cams (handbook sum 19). Combustion, crank torsion, a timing setting and
torsional resonance at the same angle look alike.
"""

from collections.abc import Sequence

from gateway.worksheet.sheet import Facts, Figure, Notice, signed

Off = tuple[int, float, float | None]
"""Cylinder, and how far its maximum and its mean indicated pressure are off the mean of all, in bar."""
QUESTION = "This is a question, not a verdict: combustion and torsional vibration can look alike."


def figure(f: Facts, cylinder: int) -> tuple[Figure, ...]:
    """The change of this cylinder's cam in per cent with its range; nothing where it is not known."""
    for who, low, middle, high in f.cam_loads.changes:
        names = who.split("/")
        if str(cylinder) not in names:
            continue
        others = [n for n in names if n != str(cylinder)]
        alike = f" Cylinder {', '.join(others)} lies at a like angle: one figure for both." if len(others) == 1 else ""
        if len(others) > 1:
            alike = f" Cylinders {', '.join(others)} lie at like angles: one figure for all of them."
        words = f"Against its own past, 5 to 95 %.{alike} Compare the pressures."
        return (Figure(f"cam_{cylinder}", f"Cylinder {cylinder} cam load", _range(low, middle, high), "%", words),)
    return ()


def questions(f: Facts, off: Sequence[Off]) -> list[Notice]:
    """For each change that is clear of its range and as large as the settings ask for: do the pressures show it too?"""
    least = f.engine.cams.change_percent if f.engine.cams else 0.0
    found = []
    for who, low, middle, high in f.cam_loads.changes:
        if abs(middle) < least or low <= 0.0 <= high:
            continue
        beside = " ".join(_off(*x) for x in off if str(x[0]) in who.split("/"))
        asked = f"Do the pressures show it too? {beside}" if beside else "Take its pressures and compare them."
        found.append(
            Notice(
                f"Near the cam of cylinder {who.replace('/', ' or ')} the camshaft's load differs from its own past by "
                f"{_range(low, middle, high)} %. {asked} {QUESTION}"
            )
        )
    return found


def _off(cylinder: int, maximum: float, mean: float | None) -> str:
    more = "" if mean is None else f", its mean indicated pressure {_signed(mean, 2)} bar"
    return f"The maximum of cylinder {cylinder} is {_signed(maximum, 1)} bar off the mean of the cylinders{more}."


def _range(low: float, middle: float, high: float) -> str:
    return f"{_signed(middle, 0)} ({_signed(low, 0)} to {_signed(high, 0)})"


def _signed(value: float, digits: int) -> str:
    return signed(value, digits).replace("-", "−")
