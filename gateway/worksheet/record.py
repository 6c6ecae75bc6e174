"""What was done at an open work sheet: who ticked what and when, who countersigned, which figures were taken.

Acts are kept one after the other and never changed; a sheet's record is what follows from those since it was opened.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal, get_args

from gateway.model.errors import Refused
from gateway.worksheet.sheet import TYPED_MAX, Input, Notice, Sheet

ActName = Literal["open", "tick", "untick", "countersign", "figure", "unlock", "booked", "close"]
ACT_NAMES: tuple[str, ...] = get_args(ActName)
BOOK_STEP = "book"
"""From this step on a tick is not needed for the booking: it is the booking, and what follows it."""


@dataclass(frozen=True, slots=True)
class SheetAct:
    """One act. `key`: of the step, or the figure's name, or the booking's id; `value`: the figure as typed; `reason`:
    why a tick was taken back, a figure was unlocked, or work was booked without all ticks."""

    what: ActName
    by: str
    utc_s: float
    key: str = ""
    value: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Tick:
    """Who ticked a step and when; who countersigned it, empty where nobody has."""

    by: str
    utc_s: float
    second_by: str = ""
    second_utc_s: float | None = None


@dataclass(frozen=True, slots=True)
class SheetRecord:
    """An open sheet. `figures`: as typed, by name; `unlocked`: those that may be changed, with the reason;
    `reasons`: each change that wanted one, in words; `booked`: ids, the latest last."""

    opened_by: str
    opened_utc_s: float
    ticks: Mapping[str, Tick] = field(default_factory=dict)
    figures: Mapping[str, str] = field(default_factory=dict)
    unlocked: Mapping[str, str] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()
    booked: tuple[str, ...] = ()

    def typed(self) -> dict[str, str]:
        """The figures as a sheet takes them."""
        return {**self.figures, **{f"unlock_{name}": why for name, why in self.unlocked.items()}}


def read_act(data: Mapping[str, Any]) -> SheetAct:
    """An act from its JSON. Raises ValueError or TypeError for what is none."""
    act = SheetAct(**data)
    texts = (act.by, act.key, act.value, act.reason)
    if (
        act.what not in ACT_NAMES
        or not all(isinstance(t, str) for t in texts)
        or not isinstance(act.utc_s, int | float)
    ):
        raise ValueError(f"not an act at a work sheet: {act.what!r:.80}")
    return act


def act_data(act: SheetAct) -> dict[str, Any]:
    """An act as plain data, without what is empty."""
    return {k: v for k, v in asdict(act).items() if v != ""}


def after(record: SheetRecord | None, act: SheetAct) -> SheetRecord | None:
    """The record once the act is done; `None`: the sheet is not open."""
    if act.what == "open":
        return SheetRecord(act.by, act.utc_s)
    if record is None or act.what == "close":
        return None
    ticks, figures, unlocked = dict(record.ticks), dict(record.figures), dict(record.unlocked)
    reasons, booked = record.reasons, record.booked
    match act.what:
        case "tick":
            ticks[act.key] = Tick(act.by, act.utc_s)
        case "untick":
            ticks.pop(act.key, None)
            reasons += (f"{act.by} took back the tick {act.key}: {act.reason}",)
        case "countersign" if act.key in ticks:
            ticks[act.key] = replace(ticks[act.key], second_by=act.by, second_utc_s=act.utc_s)
        case "figure":
            was = figures.get(act.key, "")
            if act.key in unlocked:
                reasons += (f"{act.by} changed {act.key} from {was} to {act.value}: {unlocked.pop(act.key)}",)
            figures[act.key] = act.value
        case "unlock":
            unlocked[act.key] = act.reason
        case "booked":
            booked += (act.key,)
            reasons += (f"{act.by} booked without all ticks: {act.reason}",) if act.reason else ()
    return SheetRecord(record.opened_by, record.opened_utc_s, ticks, figures, unlocked, reasons, booked)


def check(record: SheetRecord | None, act: SheetAct, sheet: Sheet) -> None:
    """Raises Refused where the act cannot be done; `sheet`: as it is with the record's figures."""
    if act.what == "open":
        if record is not None:
            raise Refused(f"this sheet is open already, by {record.opened_by}; work on in it, or close it first")
        return
    if record is None:
        raise Refused("this sheet is not open; open it first")
    if act.what == "close" and not record.booked and (record.ticks or record.figures) and not act.reason.strip():
        raise Refused("nothing is booked from this sheet; book the work, or give a reason to close it")
    if act.what in ("tick", "untick", "countersign"):
        _check_tick(record, act, sheet)
    elif act.what in ("figure", "unlock"):
        _check_figure(act, sheet)


def _check_tick(record: SheetRecord, act: SheetAct, sheet: Sheet) -> None:
    if all(s.key != act.key for s in sheet.steps):
        raise Refused(f"this sheet has no step {act.key!r}; there are: {', '.join(s.key for s in sheet.steps)}")
    tick = record.ticks.get(act.key)
    if act.what == "tick":
        if tick is not None:
            raise Refused(f"this step is ticked already, by {tick.by}")
        if act.key == BOOK_STEP and not record.booked:
            raise Refused("nothing is booked from this sheet yet; book the work, then tick this step")
        return
    if tick is None:
        raise Refused("this step is not ticked yet")
    if act.what == "untick" and not act.reason.strip():
        raise Refused("give a reason to take back a tick")
    if act.what == "countersign":
        if tick.second_by:
            raise Refused(f"this step is countersigned already, by {tick.second_by}")
        if tick.by == act.by:
            raise Refused(f"a second person must countersign; {act.by} has ticked this step")


def _check_figure(act: SheetAct, sheet: Sheet) -> None:
    found = next((i for i in sheet.inputs if i.name == act.key), None)
    if found is None:
        raise Refused(f"this sheet has no figure {act.key!r}; there are: {', '.join(i.name for i in sheet.inputs)}")
    if act.what == "unlock":
        if not act.reason.strip():
            raise Refused(f"{found.label}: give a reason to change it")
        if not found.locked:
            raise Refused(f"{found.label} is not locked; type it")
    elif found.locked:
        raise Refused(f"{found.label} is locked: {found.locked} Unlock it with a reason first")
    elif len(act.value) > TYPED_MAX:
        raise Refused(f"{found.label}: give at most {TYPED_MAX} characters")


def missing_ticks(record: SheetRecord, sheet: Sheet) -> list[str]:
    """Steps before the booking that nobody has ticked, by key, in order."""
    keys = [s.key for s in sheet.steps]
    return [k for k in keys[: keys.index(BOOK_STEP) if BOOK_STEP in keys else None] if k not in record.ticks]


def with_locks(sheet: Sheet, record: SheetRecord) -> Sheet:
    """The sheet with each taken figure locked once a step of a later phase is ticked."""
    phases: list[str] = list(dict.fromkeys(s.phase for s in sheet.steps))
    ticked = [phases.index(s.phase) for s in sheet.steps if s.key in record.ticks]
    reached = max(ticked, default=-1)
    at = {s.key: phases.index(s.phase) for s in sheet.steps}

    def locked(i: Input) -> Input:
        late = i.step in at and reached > at[i.step] and bool(record.figures.get(i.name))
        if i.locked or not late or i.name in record.unlocked:
            return i
        return replace(i, locked="The next phase has started. Give a reason to change it.", take=None)

    return replace(sheet, inputs=tuple(locked(i) for i in sheet.inputs))


def booking_notices(record: SheetRecord, sheet: Sheet) -> tuple[Notice, ...]:
    """What stands in the way of the booking."""
    if record.booked:
        return (Notice(f"Booked as {record.booked[-1]}. A change is booked as a correction of it.", "good", True),)
    missing = missing_ticks(record, sheet)
    if sheet.booking is None or not missing:
        return ()
    return (Notice(f"{len(missing)} steps are not ticked. Tick them, or give a reason at the booking.", booking=True),)


LABELS = {
    "kind": "", "free_length_mm": "Free length", "spring_before_mm": "Spring length before",
    "spring_after_mm": "Spring length after", "raw_deg": "Zero", "gauge_mm": "Gauge", "lag_before_deg": "Lag before",
    "lost_motion_deg": "Lost motion",
    "lag_after_deg": "Lag after", "before_deg": "Pumps before", "after_deg": "Pumps after", "length_mm": "Length",
    "play_mm": "Hand play", "play_links": "Hand play", "elongation_percent": "Elongation", "rpm": "Speed",
    "scavenge_bar": "Scavenge pressure", "links": "Links", "renewed": "Links renewed", "taken": "Taken", "note": "Note",
}  # fmt: skip
UNITS = {"_mm": "mm", "_deg": "°", "_percent": "%", "_links": "links", "rpm": "rpm", "_bar": "bar"}


def in_words(booking: Mapping[str, Any]) -> str:
    """What will be written into the log book, in words."""
    kind = str(booking.get("kind", "")).replace("-", " ").capitalize()
    parts = [kind]
    for key, value in sorted(booking.items(), key=lambda item: item[0] == "note"):
        if key in ("kind", "id", "utc_s", "hours", "person", "replaces", "entry") or value in (None, "", []):
            continue
        if key == "load":
            parts.append(f"Load {value * 100:g}%")
            continue
        unit = next((u for tail, u in UNITS.items() if key.endswith(tail)), "")
        gap = "" if unit in ("°", "%") else " "
        parts.append(f"{LABELS.get(key, key.replace('_', ' ').capitalize())} {_word(value)}{gap}{unit}".strip())
    return ". ".join(parts) + "."


def _word(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(_word(v) for v in value)
    if isinstance(value, Mapping):
        return " / ".join(_word(v) for v in value.values() if v is not None)
    return f"{value:g}" if isinstance(value, float) else str(value)


def reasons_in_words(record: SheetRecord, sheet: Sheet) -> tuple[str, ...]:
    """The changes that wanted a reason, with the figures' and steps' own words in place of their names."""
    words = {i.name: i.label.lower() for i in sheet.inputs} | {s.key: f"“{s.text}”" for s in sheet.steps}

    def worded(reason: str) -> str:
        head, colon, why = reason.partition(": ")
        named = re.sub(r"(?<=changed |he tick )[a-z0-9_-]+", lambda m: words.get(m[0], m[0]), head)
        return f"{named}{colon}{why}"

    return tuple(worded(r) for r in record.reasons)


def booked_sheets(acts: Iterable[tuple[str, SheetAct]]) -> list[tuple[str, SheetRecord]]:
    """All sheets from which work was booked, by name, each as it was when it was closed, or as it is.

    `acts`: of one engine, each with its sheet's name, oldest first.
    """
    kept: dict[str, SheetRecord] = {}
    done: list[tuple[str, SheetRecord]] = []

    def put_away(name: str) -> None:
        record = kept.pop(name, None)
        if record is not None and record.booked:
            done.append((name, record))

    for name, act in acts:
        if act.what in ("open", "close"):
            put_away(name)
        record = after(kept.get(name), act)
        if record is not None:
            kept[name] = record
    for name in list(kept):
        put_away(name)
    return done
