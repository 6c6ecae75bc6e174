"""What a work sheet is made of, and what it is made from."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from gateway.model.enums import STANDING, Quality, Running
from gateway.model.errors import Refused
from gateway.model.records import Measured
from gateway.model.settings import EngineSettings
from gateway.model.snapshot import ShapeDetail
from gateway.wear.booking_check import read_entry
from gateway.wear.bookings import Pressures
from gateway.wear.datum import Datum
from gateway.wear.refusals import refusals

NOT_HEARD = Measured(None, Quality.BAD, "no gateway is running, or nothing is heard from the sensor head")
NO_SHAPE = ShapeDetail()
TYPED_MAX = 400
NUMBERS_MAX = 64
_NUMBER = re.compile(r"[+-]?(\d{1,12}([.,]\d{0,20})?|[.,]\d{1,20})")


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure with its unit and what it means (`help`). `name`: what is read of it; `value` `None` = not known;
    `digits` behind the point; `big`: shown large, to be read from afar."""

    key: str
    name: str
    value: float | str | None
    unit: str = ""
    help: str = ""
    digits: int = 2
    big: bool = False


Sense = Literal["", "ahead", "astern", "see"]
"""Which way a step turns the engine: nothing is turned; ahead; astern; not in the settings, so look before turning."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step; `who` confirms that `confirm` holds.

    `key`: its name within the sheet, the same for every engine, so that a tick keeps its step. `phase`: the part of the
    work that it belongs to. `caution`: hazard, consequence and how to avoid it, where the step has one. `turns`: the
    step turns crankshaft or camshaft. `sense`: which way. `live`: the live figures belong to it. `wait`: the text of
    the waiting time that belongs to it.
    """

    text: str
    who: str = ""
    confirm: str = ""
    key: str = ""
    phase: str = ""
    caution: str = ""
    turns: bool = False
    sense: Sense = ""
    live: bool = True
    wait: str = ""


@dataclass(frozen=True, slots=True)
class Wait:
    """Time that has passed, and the minimum. `since_s` `None` = not known. Never permission to go on."""

    text: str
    since_s: float | None
    least_s: float
    words: str


@dataclass(frozen=True, slots=True)
class Input:
    """A figure that is typed. `take`: the reading that may be taken for it; `moment`: a time, UTC seconds.

    `locked`: the next phase has started, so the figure stays as it is; why, in words. `press`: the button's own words.
    `step`: the key of the step at which it is taken.
    """

    name: str
    label: str
    unit: str = ""
    help: str = ""
    value: str = ""
    take: float | None = None
    moment: bool = False
    locked: str = ""
    press: str = ""
    step: str = ""


@dataclass(frozen=True, slots=True)
class Notice:
    """What must be shown beside the figures. `refused`: with that figure the sheet does not go on. `booking`: it is
    about the booking alone."""

    text: str
    level: Literal["refused", "attention", "good"] = "attention"
    booking: bool = False


@dataclass(frozen=True, slots=True)
class Sheet:
    """A whole work sheet. `live`: its figures follow the readings. `phase`: where the work stands, by its figures.
    `booking`: what to book at the end, as far as it is known; `None` while it cannot be booked yet, and
    `booking_wants` then names what is still needed."""

    name: str
    title: str
    cautions: tuple[str, ...]
    figures: tuple[Figure, ...]
    steps: tuple[Step, ...]
    waits: tuple[Wait, ...] = ()
    inputs: tuple[Input, ...] = ()
    notices: tuple[Notice, ...] = ()
    live: bool = False
    booking: dict[str, Any] | None = None
    booking_wants: str = ""
    phase: str = ""

    @property
    def refused(self) -> bool:
        """Does a figure stand in the way?"""
        return any(n.level == "refused" for n in self.notices)

    def figure(self, key: str) -> float | str | None:
        """A figure's value by its key; `None` also where there is no such figure."""
        return next((f.value for f in self.figures if f.key == key), None)


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of an engine when a sheet is made. `None` = not known.

    `raw_deg`: crank − ratio·cam now, free of eccentric mounting where `whole_turn`; `turned_raw_deg`: mean of the last
    whole turn on the turning gear, which ended at `turned_utc_s`. `crank_deg`: the crank encoder's angle.
    `rest_s`: how long the engine has been seen to stand. `turned_lost_deg`: lost motion by a turn each way at this
    standstill, of which the first turn ended at `turned_lost_from_utc_s`.
    `sea_lag_deg`: trend's lag, 5–50–95 %. `agreement`: of lag and tightener. `taken`: pressures booked, oldest first.
    `cam_loads`: the lag's shape over a turn against the engine's own reference.
    `burst_age_s`: age of the reading where the head sends in bursts, infinite where it cannot be known; `None`: the
    reading is live.
    """

    engine: EngineSettings
    datum: Datum
    running: Running = Running.UNKNOWN
    utc_s: float | None = None
    hours: float | None = None
    rpm: float | None = None
    spring: Measured = NOT_HEARD
    lag: Measured = NOT_HEARD
    raw_deg: float | None = None
    whole_turn: bool = False
    turned_raw_deg: float | None = None
    turned_utc_s: float | None = None
    turned_lost_deg: float | None = None
    turned_lost_from_utc_s: float | None = None
    crank_deg: float | None = None
    rest_s: float | None = None
    sea_lag_deg: tuple[float | None, float | None, float | None] = (None, None, None)
    elongation_percent: float | None = None
    agreement: str = "unknown"
    taken: tuple[Pressures, ...] = ()
    burst_age_s: float | None = None
    cam_loads: ShapeDetail = NO_SHAPE

    @property
    def standing(self) -> bool:
        """Does the engine stand, or is it on the turning gear?"""
        return self.running in STANDING

    @property
    def spring_mm(self) -> float | None:
        """The present length."""
        return self.spring.value

    def lag_of(self, raw_deg: float | None) -> float | None:
        """Lag in degrees of the crank from the zero, within half a turn."""
        zero = self.datum.zero_deg
        return None if raw_deg is None or zero is None else (raw_deg - zero + 180.0) % 360.0 - 180.0

    @property
    def from_dead_centre_deg(self) -> float | None:
        """The crank's angle after the reference cylinder's dead centre, within half a turn; negative = before it."""
        centre = self.engine.lag.dead_centre_deg
        return None if self.crank_deg is None or centre is None else math.remainder(self.crank_deg - centre, 360.0)

    @property
    def lag_deg(self) -> float | None:
        """The present lag: free of eccentric mounting where that is known."""
        return self.lag_of(self.raw_deg) if self.whole_turn else self.lag.value


@dataclass(slots=True)
class Typed:
    """Figures that were typed, by name. What is no number is noted in `faults` and taken as not typed."""

    values: Mapping[str, str]
    faults: list[str] = field(default_factory=list)

    def text(self, name: str) -> str:
        """As it was typed."""
        return self.values.get(name, "").strip()[:TYPED_MAX]

    def number(self, name: str, label: str) -> float | None:
        """One number; a comma will do for the point."""
        found = self.numbers(name, label)
        if len(found) > 1:
            self.faults.append(f"{label}: give one number")
            return None
        return found[0] if found else None

    def numbers(self, name: str, label: str) -> list[float]:
        """Numbers with spaces between."""
        words = self.text(name).replace(";", " ").split()
        if len(words) > NUMBERS_MAX or not all(_NUMBER.fullmatch(w) for w in words):
            self.faults.append(f"{label}: {self.text(name)[:40]!r} is not a number")
            return []
        return [float(w.replace(",", ".")) for w in words]

    def notices(self) -> tuple[Notice, ...]:
        """The faults as notices."""
        return tuple(Notice(f, "refused") for f in self.faults)


def signed(value: float, digits: int = 2) -> str:
    """A number with its sign for a sentence; what rounds to zero has none."""
    return f"{value:+.{digits}f}" if round(value, digits) else f"{0:.{digits}f}"


def shown(value: float | None, digits: int = 2) -> str:
    """A number for a sentence; or “not known”."""
    return "not known" if value is None or not math.isfinite(value) else f"{value:.{digits}f}"


def age(seconds: float) -> str:
    """How old a reading is, for a sentence."""
    if not math.isfinite(seconds):
        return "of unknown age"
    return f"{seconds:.0f} s old" if seconds < 120 else f"{seconds / 60:.0f} min old"


SOME_UTC_S = 1e9
"""A date that is none of this check's business."""


def cannot_be(f: Facts, **figures: object) -> list[str]:
    """Why the log book would refuse these figures of a booking; none: it would take them."""
    hours = max(f.hours or 0.0, f.engine.service.hours_at_start)
    data = {"id": "sheet", "utc_s": SOME_UTC_S, "hours": hours, "person": "sheet", **figures}
    try:
        return refusals(read_entry(data), f.datum)
    except Refused as e:
        return str(e).splitlines()
