"""The work sheets in the report: of each booking, which steps were ticked, by whom and when, and what was changed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from gateway.model.settings import EngineSettings
from gateway.report.markup import Markup, tag
from gateway.report.tables import table
from gateway.report.words import minute
from gateway.wear import bookings as b
from gateway.wear.logbook import rebase
from gateway.worksheet.catalogue import SHEETS, sheet
from gateway.worksheet.record import SheetAct, SheetRecord, booked_sheets, reasons_in_words
from gateway.worksheet.sheet import Facts


@dataclass(frozen=True, slots=True)
class StepDone:
    """A step as it was ticked; the times are seconds since 1970, `None` where nobody did it."""

    key: str
    text: str
    by: str
    utc_s: float | None
    second_by: str
    second_utc_s: float | None


@dataclass(frozen=True, slots=True)
class SheetDone:
    """The sheet from which a work was booked. `reasons`: each change that wanted one."""

    name: str
    title: str
    opened_by: str
    opened_utc_s: float
    steps: Sequence[StepDone]
    reasons: Sequence[str]


def sheets_done(
    engine: EngineSettings, log: Sequence[b.Entry], acts: Iterable[tuple[str, SheetAct]]
) -> dict[str, SheetDone]:
    """The sheet of each booking, by the booking's id and by the id of each correction of it."""
    corrected = {e.id: e.entry.id for e in log if isinstance(e, b.Correction) and e.entry is not None}
    facts = Facts(engine, rebase(engine, log))
    found = {}
    for name, record in booked_sheets(acts):
        if name in SHEETS:
            done = _done(name, record, facts)
            for entry_id in record.booked:
                found[entry_id] = done
                if entry_id in corrected:
                    found[corrected[entry_id]] = done
    return found


def _done(name: str, record: SheetRecord, facts: Facts) -> SheetDone:
    steps, made = [], sheet(name, facts, record.typed())
    for s in made.steps:
        tick = record.ticks.get(s.key)
        who = ("", None, "", None) if tick is None else (tick.by, tick.utc_s, tick.second_by, tick.second_utc_s)
        steps.append(StepDone(s.key, s.text, *who))
    return SheetDone(
        name, SHEETS[name][0], record.opened_by, record.opened_utc_s, steps, reasons_in_words(record, made)
    )


def sheet_parts(number: int, done: SheetDone) -> list[Markup]:
    """One sheet: each step with who ticked it, when, and who countersigned it."""
    ticked = [s for s in done.steps if s.by]
    rows = [(s.text, _who(s.by, s.utc_s) or "not ticked", _who(s.second_by, s.second_utc_s)) for s in done.steps]
    caption = (
        f"Work {number}: sheet “{done.title}”, opened by {done.opened_by}, {minute(done.opened_utc_s)}; "
        f"{len(ticked)} of {len(done.steps)} steps ticked"
    )
    parts = [table(caption, ("Step", "Ticked", "Countersigned"), rows, "ticks")]
    return [*parts, *([tag("ul", [tag("li", x) for x in done.reasons])] if done.reasons else [])]


def _who(by: str, utc_s: float | None) -> str:
    return "" if utc_s is None else f"{by}, {minute(utc_s)}"
