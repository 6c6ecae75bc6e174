"""Were pressures taken before and after the work at like conditions? What is not alike, or not known, in words."""

from dataclasses import dataclass

from gateway.wear.bookings import Pressures

LIKE_LOAD, LIKE_RPM, LIKE_SCAVENGE, LIKE_COMPRESSION = 0.05, 0.02, 0.05, 0.05
"""Figures before and after that part by no more than these shares count as alike (our judgement)."""
PERCENT = 100.0


@dataclass(frozen=True, slots=True)
class Comparison:
    """`unlike`, `unknown`: what must be shown, in sentences. Where both are empty the pressures can be compared."""

    unlike: tuple[str, ...]
    unknown: tuple[str, ...]


def compare(before: Pressures, after: Pressures) -> Comparison:
    """Load, speed, scavenge pressure, and each cylinder's compression pressure, which follows scavenge pressure."""
    unlike, unknown = [], []
    for what, unit, was, now, share in (
        ("load", "%", _percent(before.load), _percent(after.load), LIKE_LOAD),
        ("speed", " rpm", before.rpm, after.rpm, LIKE_RPM),
        ("scavenge pressure", " bar", before.scavenge_bar, after.scavenge_bar, LIKE_SCAVENGE),
    ):
        if was is None or now is None:
            unknown.append(f"The {what} is not known both before and after: the comparison is uncertain.")
        elif parts(was, now, share):
            unlike.append(
                f"The {what} was {was:g}{unit} before and {now:g}{unit} after: not alike. Do not compare the maxima."
            )
    return Comparison((*unlike, *_compression(before, after)), tuple(unknown))


def parts(was: float, now: float, share: float) -> bool:
    """Do two figures differ by more than this share of the greater?"""
    return abs(now - was) > share * max(abs(was), abs(now))


def _percent(load: float | None) -> float | None:
    return None if load is None else round(load * PERCENT, 1)


def _compression(before: Pressures, after: Pressures) -> list[str]:
    earlier = {c.cylinder: c.compression_bar for c in before.cylinders}
    found = []
    for c in after.cylinders:
        was, now = earlier.get(c.cylinder), c.compression_bar
        if was is not None and now is not None and parts(was, now, LIKE_COMPRESSION):
            found.append(
                f"Cylinder {c.cylinder}: compression pressure was {was:g} bar before and {now:g} bar after: not alike. "
                "Its maximum cannot show the timing. Check scavenge pressure, rings and exhaust valve."
            )
    return found
