"""The work sheets that are open, from what is stored of them; whoever acts at one waits for the disk.

A figure that was taken, a tick and a booking count only once they are stored, as a maintenance record does.
"""

import json
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import asdict, dataclass
from typing import Any, Protocol

import structlog

from gateway.encode.times import rfc3339
from gateway.model.errors import Refused
from gateway.model.output import NewSheetAct
from gateway.wear import bookings as b
from gateway.worksheet.record import (
    SheetAct,
    SheetRecord,
    act_data,
    after,
    in_words,
    missing_ticks,
    read_act,
    reasons_in_words,
)
from gateway.worksheet.sheet import Sheet

SAME_H = 0.1
"""Work booked twice with the same figures while the engine has hardly run between is one work."""
ANY_TIME = ("note", "loading", "correction")
PRESSURES = "pressures"
"""The one sheet whose figures a file may bring, which is not kept."""
NOISE = {"_mm": 0.1, "_deg": 0.05, "rpm": 3.0}
"""Two readings of the same thing differ by no more, by the end of the figure's name; the sea changes the speed."""
NOT_FIGURES = ("id", "utc_s", "hours", "person", "note")
Store = Callable[[NewSheetAct], "Future[int]"]


class KeptAct(Protocol):
    """An act as it is stored."""

    @property
    def engine(self) -> str: ...

    @property
    def sheet(self) -> str: ...

    @property
    def act(self) -> Mapping[str, Any]: ...


class OpenSheets:
    """Records of the open sheets. Any thread may read; `done` is called after the commit."""

    def __init__(self, kept: Iterable[KeptAct] = ()) -> None:
        self._lock = threading.Lock()
        self._records: dict[tuple[str, str], SheetRecord] = {}
        for row in kept:
            try:
                self.done(row.engine, row.sheet, read_act(row.act))
            except (TypeError, ValueError) as e:
                structlog.get_logger("sheets").error("sheet_act.unreadable", engine=row.engine, why=str(e))

    def record(self, engine: str, sheet: str) -> SheetRecord | None:
        """The record of an open sheet; `None`: it is not open."""
        with self._lock:
            return self._records.get((engine, sheet))

    def any_open(self, engine: str) -> bool:
        """Is a sheet of this engine open?"""
        with self._lock:
            return any(slug == engine for slug, _ in self._records)

    def done(self, engine: str, sheet: str, act: SheetAct) -> None:
        """The act is on the disk."""
        with self._lock:
            record = after(self._records.get((engine, sheet)), act)
            if record is None:
                self._records.pop((engine, sheet), None)
            else:
                self._records[engine, sheet] = record


def record_data(record: SheetRecord, sheet: Sheet) -> dict[str, Any]:
    """An open sheet's record as page and terminal get it."""
    data = asdict(record)
    words = "" if sheet.booking is None else in_words(sheet.booking)
    return data | {
        "missing": missing_ticks(record, sheet),
        "words": words,
        "reasons": reasons_in_words(record, sheet),
    }


@dataclass(frozen=True, slots=True)
class NotedBooking:
    """A booking that a sheet makes. `corrects`: the id of the one that it corrects; `booking`: the sheet's own figures,
    `None` where only a file has them."""

    sheet: str
    by: str
    utc_s: float
    reason: str
    corrects: str
    booking: Mapping[str, Any] | None = None

    def figures(self, data: Mapping[str, Any]) -> dict[str, Any]:
        """What is booked: the sheet's own figures, as all devices show them, by whom `data` names. Raises Refused where
        `data` brings others, which somebody has changed meanwhile."""
        if self.booking is None:
            return dict(data)
        brought = {k: v for k, v in data.items() if k not in NOT_FIGURES}
        if brought and not _alike(brought, {k: v for k, v in self.booking.items() if k not in NOT_FIGURES}):
            raise Refused("the sheet's figures have changed meanwhile; check what will be booked again")
        return {**self.booking, **{k: v for k, v in data.items() if k in NOT_FIGURES and k != "note"}}

    def entry(self, data: Mapping[str, Any], inner: Mapping[str, Any]) -> dict[str, Any]:
        """What is booked: `data`, with why ticks are missing; or a correction by `inner`, which is `data` filled in."""
        note = "; ".join(filter(None, (str(data.get("note") or ""), self.reason and f"ticks missing: {self.reason}")))
        if not self.corrects:
            return {**data, "note": note}
        return {
            "kind": "correction",
            "replaces": self.corrects,
            "person": data.get("person"),
            "note": self.reason,
            "entry": {**inner, "note": note},
        }

    def act(self, booked_id: str) -> SheetAct:
        """What the sheet notes of it."""
        return SheetAct("booked", self.by, self.utc_s, booked_id, reason=self.reason)


def booking_of(
    name: str, record: SheetRecord | None, made: Sheet, by: str, utc_s: float, reason: str, corrects: str
) -> NotedBooking:
    """A booking from an open sheet. Raises Refused for a second one, and where ticks are missing without a reason."""
    if record is None:
        raise Refused("this sheet is not open; open it first")
    if record.booked and corrects != record.booked[-1]:
        raise Refused(f"this work is booked already as {record.booked[-1]}; book a correction that names it")
    if corrects and not record.booked:
        raise Refused("nothing is booked from this sheet yet, so there is nothing to correct")
    if made.booking is None and name != PRESSURES:
        raise Refused(f"nothing can be booked yet; still needed: {made.booking_wants}")
    missing = missing_ticks(record, made)
    if missing and not reason.strip():
        first = next(s for s in made.steps if s.key == missing[0])
        raise Refused(f"{len(missing)} steps are not ticked, the first is: {first.text} Tick them, or give a reason")
    if corrects and not reason.strip():
        raise Refused("give a reason for the correction")
    return NotedBooking(name, by, utc_s, reason.strip(), corrects, made.booking)


def refuse_twin(entry: b.Entry, log: Sequence[b.Entry]) -> None:
    """Raises Refused for the same work booked a second time."""
    if entry.kind in ANY_TIME:
        return
    struck = {e.replaces for e in log if isinstance(e, b.Correction)}
    for e in log:
        same = e.kind == entry.kind and abs(e.hours - entry.hours) < SAME_H and e.id not in struck
        if same and e.id != entry.id and _alike(_figures(e), _figures(entry)):
            raise Refused(f"this work is booked already as {e.id}, with the same figures; book a correction of it")


def _alike(a: Mapping[str, Any], b: Mapping[str, Any]) -> bool:
    """The same figures, but for the noise of a reading that was taken twice."""

    def near(key: str, x: Any, y: Any) -> bool:
        within = next((most for end, most in NOISE.items() if key.endswith(end)), None)
        if within is None or not isinstance(x, int | float) or not isinstance(y, int | float):
            return bool(x == y)
        return abs(x - y) <= within

    known = {k for d in (a, b) for k, v in d.items() if v not in (None, [])}
    return all(near(k, a.get(k), b.get(k)) for k in known)


def _figures(entry: b.Entry) -> dict[str, Any]:
    return {k: v for k, v in b.as_data(entry).items() if k not in NOT_FIGURES}


def stored(engine: str, sheet: str, act: SheetAct) -> NewSheetAct:
    """The act as the store takes it."""
    return NewSheetAct(engine, sheet, rfc3339(act.utc_s), json.dumps(act_data(act), ensure_ascii=False))
