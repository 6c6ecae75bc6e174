"""What hands did, with what was booked before and after, and the readings before and after."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Protocol

from gateway.report.sheets import SheetDone
from gateway.report.words import GAP
from gateway.wear.bookings import Entry, Figure, Pressures, before_after

SIDE_H = 24.0
"""Running hours on either side of the work over which the readings are taken together: a day at sea."""

_WORDS = {
    "spring_mm": ("spring length", "mm"),
    "lag_deg": ("lag", "°"),
    "pumps_deg": ("advance at each pump", "°"),
    "free_length_mm": ("free length of the spring", "mm"),
    "elongation_percent": ("elongation", "%"),
    "elongation_se_percent": ("its uncertainty ±", "%"),
    "lost_motion_deg": ("lost motion by a turn each way", "°"),
    "raw_deg": ("crank less cam as the encoders read", "°"),
    "gauge_mm": ("pin gauge, late is +", "mm"),
    "links": ("links measured over", ""),
    "renewed": ("links renewed", ""),
    "length_mm": ("length over them", "mm"),
    "rate_n_per_mm": ("spring rate", "N/mm"),
    "play_links": ("play at mid-span", "links"),
    "play_mm": ("play at mid-span", "mm"),
    "taken": ("taken", ""),
    "rpm": ("speed", "rpm"),
    "load": ("fuel index", ""),
}


class AtHours(Protocol):
    """Figures at so many running hours; `None` = not known."""

    @property
    def utc_s(self) -> float:
        """Seconds since 1970."""

    @property
    def hours(self) -> float:
        """Running hours."""

    @property
    def lag_deg(self) -> float | None:
        """Lag, in degrees of the crank."""

    @property
    def spring_mm(self) -> float | None:
        """Length of the spring, in mm."""


@dataclass(frozen=True, slots=True)
class Side:
    """Medians of the readings of up to 24 running hours on one side of the work; `None` = no good reading there."""

    lag_deg: float | None
    spring_mm: float | None


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo of a note. `data`: a `data:` address with its bytes, `None` where it does not stand in the report."""

    name: str
    data: str | None


@dataclass(frozen=True, slots=True)
class Work:
    """A booking, numbered, the readings on either side of it, the work sheet that it comes from, and photos, if any.

    The photos' bytes are left out of `repr`, from which the report's number is made: their names are digits of them.
    """

    number: int
    entry: Entry
    before: Side
    after: Side
    sheet: SheetDone | None = None
    photos: Sequence[Picture] = field(default=(), repr=False)


def edge(rows: Iterable[AtHours], from_h: float, to_h: float) -> Side:
    """The medians of what was measured in [from, to) running hours."""
    found = [m for m in rows if from_h <= m.hours < to_h]

    def middle(values: Sequence[float | None]) -> float | None:
        known = [v for v in values if v is not None]
        return median(known) if known else None

    return Side(middle([m.lag_deg for m in found]), middle([m.spring_mm for m in found]))


def work(
    number: int,
    entry: Entry,
    rows: Sequence[AtHours],
    sheet: SheetDone | None = None,
    photos: Sequence[Picture] = (),
) -> Work:
    """A booking with the readings of a day's running before it and after it."""
    h = entry.hours
    return Work(number, entry, edge(rows, h - SIDE_H, h), edge(rows, h, h + SIDE_H), sheet, photos)


def booked(entry: Entry) -> tuple[list[str], list[str]]:
    """The booked figures in words, before and after."""
    if isinstance(entry, Pressures):
        bars = [c.max_bar for c in entry.cylinders]
        taken = [
            f"{len(bars)} cylinders: maximum {min(bars):g} to {max(bars):g}{GAP}bar; each in the table of pressures"
        ]
        return (taken, []) if entry.taken == "before" else ([], taken)
    before, after = before_after(entry)
    after.pop("photos", None)  # they stand below the table
    return [_figure(k, v) for k, v in before.items()], [_figure(k, v) for k, v in after.items()]


def _figure(key: str, value: Figure) -> str:
    name, unit = _WORDS.get(key, (key.replace("_", " "), ""))
    numbers = ", ".join(f"{x:g}" for x in json.loads(value)) if isinstance(value, str) and value[:1] == "[" else None
    shown = numbers if numbers is not None else value if isinstance(value, str) else f"{value:.7g}"
    gap = "" if unit in ("", "°") else GAP
    return f"{name} {shown}{gap}{unit}"
