"""The bookings: what hands did to the drive, who, when, at what running hours, and the figures before and after.

Figures that were not taken are `None`. Nothing is ever changed: a correction is a new booking that replaces an
earlier one.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, fields
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, get_args

from pydantic import Field

from gateway.model.csv_text import csv_text
from gateway.model.fields import STRICT_KEYS, Finite, Integer, kind_of

UTC_S_MIN, UTC_S_MAX = 946_684_800.0, 4_102_444_800.0
"""The years 2000 to 2099: anything else is a mistyped date."""

Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$")]
PHOTO_NAME = r"[0-9a-f]{32}\.(?:jpg|png)"
PHOTOS_PER_NOTE = 4
Photo = Annotated[str, Field(pattern=f"^{PHOTO_NAME}$")]
"""A photo's name: digits of the SHA-256 of its bytes, so that the record names exactly these bytes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Booked:
    """What every booking carries. `utc_s` and `hours`: when the work was done, not when it was typed."""

    __pydantic_config__ = STRICT_KEYS

    id: Id
    utc_s: Annotated[Finite, Field(ge=UTC_S_MIN, le=UTC_S_MAX)]
    hours: Finite
    person: Annotated[str, Field(max_length=64)]
    note: Annotated[str, Field(max_length=1_000)] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Retightened(Booked):
    """The chain was retightened. Lengths of the spring in mm; `free_length_mm` is measured afresh with no load."""

    kind: Literal["retightened"] = "retightened"
    free_length_mm: Finite
    spring_before_mm: Finite | None = None
    spring_after_mm: Finite
    elongation_percent: Finite | None = None
    """What the program showed, or what was measured, on the day; with its standard uncertainty."""
    elongation_se_percent: Finite | None = None
    lost_motion_deg: Finite | None = None
    """By a turn each way on the turning gear, with the work done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CamshaftSet(Booked):
    """The camshaft was set, or found right. `raw_deg`: crank − ratio·cam as the encoders read; `gauge_mm`: late = +."""

    kind: Literal["camshaft-set"] = "camshaft-set"
    raw_deg: Finite
    gauge_mm: Finite = 0.0
    lag_before_deg: Finite | None = None
    elongation_percent: Finite | None = None
    elongation_se_percent: Finite | None = None
    lost_motion_deg: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PumpsCompensated(Booked):
    """The advance now in force at each fuel pump, in crank degrees, earlier = +; all of it, not what was added."""

    kind: Literal["pumps-compensated"] = "pumps-compensated"
    before_deg: Annotated[list[Finite], Field(max_length=32)] = field(default_factory=list)
    after_deg: Annotated[list[Finite], Field(min_length=1, max_length=32)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured(Booked):
    """Base of the bookings that may bring a length over `links` links, in mm."""

    links: Integer | None = None
    length_mm: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainRenewed(Measured):
    """A new chain. `spring_after_mm`, `lag_after_deg`: as read when the drive was together again."""

    kind: Literal["chain-renewed"] = "chain-renewed"
    spring_after_mm: Finite | None = None
    lag_after_deg: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinksRenewed(Measured):
    """`renewed` links of the chain were replaced."""

    kind: Literal["links-renewed"] = "links-renewed"
    renewed: Integer
    spring_after_mm: Finite | None = None
    lag_after_deg: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpringRenewed(Booked):
    """A new tightener spring: its free length in mm and, where it differs, its rate."""

    kind: Literal["spring-renewed"] = "spring-renewed"
    free_length_mm: Finite
    rate_n_per_mm: Finite | None = None
    spring_after_mm: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinksMeasured(Booked):
    """Links were measured by hand: `length_mm` over `links` links."""

    kind: Literal["links-measured"] = "links-measured"
    links: Integer
    length_mm: Finite


@dataclass(frozen=True, slots=True, kw_only=True)
class HandPlay(Booked):
    """Play at mid-span by hand, in links or in mm."""

    kind: Literal["hand-play"] = "hand-play"
    play_links: Finite | None = None
    play_mm: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CylinderPressures:
    """One cylinder: maximum, mean indicated and compression pressure in bar."""

    __pydantic_config__ = STRICT_KEYS

    cylinder: Annotated[Integer, Field(ge=1, le=32)]
    max_bar: Finite
    mean_indicated_bar: Finite | None = None
    compression_bar: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressures(Booked):
    """Pressures of the cylinders, before or after work on the timing. `load`: a share of full load; `scavenge_bar`: in
    the receiver, gauge."""

    kind: Literal["pressures"] = "pressures"
    taken: Literal["before", "after"]
    rpm: Finite | None = None
    load: Finite | None = None
    cylinders: Annotated[list[CylinderPressures], Field(min_length=1, max_length=32)]
    scavenge_bar: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Loading(Booked):
    """The loading condition from these hours on: `condition`, or the mean draught in m, or both."""

    kind: Literal["loading"] = "loading"
    condition: Literal["laden", "ballast"] | None = None
    draught_m: Finite | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Note(Booked):
    """A remark about the drive: `note` holds it, with photos where the page took some. It changes no figure."""

    kind: Literal["note"] = "note"
    photos: Annotated[list[Photo], Field(max_length=PHOTOS_PER_NOTE)] = field(default_factory=list)


Work = (
    Retightened
    | CamshaftSet
    | PumpsCompensated
    | ChainRenewed
    | LinksRenewed
    | SpringRenewed
    | LinksMeasured
    | HandPlay
    | Pressures
    | Loading
    | Note
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Booked):
    """Replaces an earlier booking by `entry`, or strikes it out where there is none."""

    kind: Literal["correction"] = "correction"
    replaces: Id
    entry: Annotated[Work, Field(discriminator="kind")] | None = None


Entry = Work | Correction

KINDS: dict[str, type[Entry]] = {kind_of(shape): shape for shape in get_args(Entry)}
ALIASES = {"corrected": "correction"}
"""Other names under which a kind may be typed."""


def as_data(entry: Entry) -> dict[str, Any]:
    """A booking as plain data, fit for JSON, in the order of its fields."""
    return asdict(entry)


_BEFORE = {"spring_before_mm": "spring_mm", "lag_before_deg": "lag_deg", "before_deg": "pumps_deg"}
_AFTER = {"spring_after_mm": "spring_mm", "lag_after_deg": "lag_deg", "after_deg": "pumps_deg"}
_COMMON = {f.name for f in fields(Booked)} | {"kind"}
Figure = float | int | str | None


def before_after(entry: Entry) -> tuple[dict[str, Figure], dict[str, Figure]]:
    """The figures of a booking as flat mappings for the event: what stood before, and what was found or left."""
    before: dict[str, Figure] = {}
    after: dict[str, Figure] = {}
    for key, value in as_data(entry).items():
        if key in _COMMON or value is None or value == []:
            continue
        shown = value if isinstance(value, float | int | str) else json.dumps(value, separators=(",", ":"))
        if key == "photos":
            shown = " ".join(value)
        if key in _BEFORE:
            before[_BEFORE[key]] = shown
        else:
            after[_AFTER.get(key, key)] = shown
    return before, after


def from_before_after(kind: str, before: Mapping[str, Figure], after: Mapping[str, Figure]) -> dict[str, Any]:
    """The figures of a booking of this kind as plain data, from those of its event; what is none of its own is left
    out. The inverse of `before_after`, without what every booking carries."""
    own = {f.name for f in fields(KINDS[kind])} - _COMMON
    found: dict[str, Any] = {}
    for names, figures in (({v: k for k, v in _BEFORE.items()}, before), ({v: k for k, v in _AFTER.items()}, after)):
        for key, value in figures.items():
            field_name = names[key] if names.get(key) in own else key
            if field_name in own and value is not None:
                listed = isinstance(value, str) and value[:1] in ("[", "{")
                found[field_name] = json.loads(str(value)) if listed else value
    return found


def _columns(*models: type[Booked]) -> list[str]:
    seen: dict[str, None] = {}
    for model in models:
        seen.update(dict.fromkeys(f.name for f in fields(model)))
    return [c for c in seen if c not in _COMMON]


_HEADING = ["id", "kind", "utc", "hours", "person", "note", "replaced_by"]
_FIGURES = _columns(
    Retightened,
    CamshaftSet,
    PumpsCompensated,
    ChainRenewed,
    LinksRenewed,
    LinksMeasured,
    SpringRenewed,
    HandPlay,
    Pressures,
    Correction,
    Loading,
    Note,
)


def entries_csv(entries: Iterable[Entry]) -> str:
    """All bookings in the order given as CSV (RFC 4180), a column per figure; each names its correction."""
    listed = list(entries)
    replaced = {e.replaces: e.id for e in listed if isinstance(e, Correction)}
    rows: list[list[object]] = [[*_HEADING, *_FIGURES]]
    for e in listed:
        figures = as_data(e)
        utc = datetime.fromtimestamp(e.utc_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        head = [e.id, e.kind, utc, e.hours, e.person, e.note, replaced.get(e.id, "")]
        rows.append([*head, *(figures.get(c) for c in _FIGURES)])
    return csv_text(rows)
