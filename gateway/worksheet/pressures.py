"""Pressures: each cylinder's maximum and mean indicated pressure, spread against their mean, before and after."""

from dataclasses import dataclass

from gateway.model.errors import Refused
from gateway.model.settings import Cylinders
from gateway.worksheet.cautions import CAUTIONS, SECOND
from gateway.worksheet.indicator import indicated, indicated_kw
from gateway.worksheet.pressure_file import BAR, UNIT_NAMES, read_pressures, unit_meant
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Step, Typed, cannot_be

NAME, TITLE = "pressures", "Pressures of the cylinders"
SPREAD_MAX_BAR, SPREAD_MEAN_BAR = 3.0, 0.5
"""Where the settings have no cylinders: defaults from memory."""


@dataclass(frozen=True, slots=True)
class Row:
    """One cylinder, in bar. `max_deg`: angle of the maximum; `None` = not known."""

    cylinder: int
    max_bar: float
    mean_bar: float | None = None
    max_deg: float | None = None


def pressures(facts: Facts, typed: Typed, file: str | None = None) -> Sheet:
    """The sheet from typed figures or from the text of a pressure/crank-angle file."""
    told: list[Notice] = []
    rows = _from_file(facts, file, told) if file else _from_typed(typed, told)
    rpm = typed.number("rpm", "Speed")
    rpm = facts.rpm if rpm is None else rpm
    taken = typed.text("taken") or "before"
    if taken not in ("before", "after"):
        typed.faults.append("Taken: give before or after")
        taken = "before"
    told += typed.notices()
    if rows:
        told += _whole(facts, rows) + (_units(rows) or _spread(facts, rows))
        book = [
            Notice(x, "refused") for x in cannot_be(facts, kind="pressures", taken=taken, cylinders=_cylinders(rows))
        ]
        told += [] if any(n.level == "refused" for n in told) else book
    refused = any(n.level == "refused" for n in told)
    booking = None if refused or not rows else _booking(rows, taken, rpm)
    return Sheet(
        NAME,
        TITLE,
        CAUTIONS,
        _figures(facts, rows, rpm, taken),
        _steps(),
        (),
        _inputs(typed, taken),
        tuple(told),
        booking=booking,
        booking_wants="" if booking else "a maximum pressure for each cylinder",
    )


# -- where the figures come from ------------------------------------------------------------------------------------


def _from_file(f: Facts, text: str, told: list[Notice]) -> list[Row]:
    c = f.engine.cylinders
    if c is None:
        told.append(
            Notice(
                "A pressure file wants the cylinders' bore, stroke and ratios: give [engine.cylinders] in the settings,"
                " or type maximum and mean pressures.",
                "refused",
            )
        )
        return []
    try:
        found = read_pressures(text, 360.0 * f.engine.ratio)
    except Refused as e:
        told.append(Notice(str(e), "refused"))
        return []
    rows = []
    for number, bar in sorted(found.bar.items()):
        if float(bar.max() - bar.min()) < 1.0:
            told.append(Notice(f"Cylinder {number}: the pressure does not move; is its sensor dead, or its cock shut?"))
        seen = indicated(c, found.angle_deg, bar)
        rows.append(Row(number, seen.max_bar, seen.mean_bar, seen.max_deg))
        told += _dead_centre(number, seen.shift_deg, seen.max_deg, seen.peak_odd)
    return rows


def _dead_centre(number: int, shift: float, peak: float, odd: bool) -> list[Notice]:
    if odd:
        return [
            Notice(
                f"Cylinder {number}: its maximum is at {peak:+.1f}° from the file's dead centre; no engine fires "
                "there. Is nought the firing dead centre of this cylinder?"
            )
        ]
    if shift:
        return [
            Notice(
                f"Cylinder {number}: dead centre seems to be off by {abs(shift):.1f}° (the file's angles are "
                f"{'ahead' if shift > 0 else 'behind'}): its mean indicated pressure is wrong until that is set right."
            )
        ]
    return []


def _from_typed(typed: Typed, told: list[Notice]) -> list[Row]:
    high, mean = typed.numbers("max_bar", "Maximum pressures"), typed.numbers("mean_bar", "Mean indicated pressures")
    unit = (typed.text("unit") or "bar").lower()
    if unit not in BAR:
        told.append(Notice(f"Unit {unit[:20]!r}: give one of {', '.join(UNIT_NAMES.values())}", "refused"))
        return []
    if mean and len(mean) != len(high):
        told.append(
            Notice(f"{len(high)} maximum and {len(mean)} mean pressures; give one of each a cylinder", "refused")
        )
        return []
    scale = BAR[unit]
    return [Row(n + 1, p * scale, mean[n] * scale if mean else None) for n, p in enumerate(high[:32])]


# -- what is noticed ------------------------------------------------------------------------------------------------


def _whole(f: Facts, rows: list[Row]) -> list[Notice]:
    if f.engine.cylinders is None:
        return []
    number = f.engine.cylinders.number
    missing = sorted(set(range(1, number + 1)) - {r.cylinder for r in rows})
    over = sorted(r.cylinder for r in rows if r.cylinder > number)
    told = []
    if missing:
        told.append(Notice(f"Missing: cylinder {', '.join(map(str, missing))} of {number}. Take all at one load."))
    if over:
        told.append(Notice(f"Cylinder {', '.join(map(str, over))}: the engine has {number}", "refused"))
    return told


def _units(rows: list[Row]) -> list[Notice]:
    told = []
    for r in rows:
        meant = unit_meant(r.max_bar)
        if meant is not None:
            instead = f"; are these {meant}?" if meant else ""
            told.append(
                Notice(f"Cylinder {r.cylinder}: a maximum of {r.max_bar:.4g} bar cannot be{instead}", "refused")
            )
    return told


def _limits(c: Cylinders | None) -> tuple[float, float]:
    return (SPREAD_MAX_BAR, SPREAD_MEAN_BAR) if c is None else (c.spread_max_bar, c.spread_mean_bar)


def _spread(f: Facts, rows: list[Row]) -> list[Notice]:
    """Each cylinder against the mean of all."""
    if len(rows) < 2:
        return []
    told = []
    figures: tuple[tuple[str, list[float | None]], ...] = (
        ("maximum", [r.max_bar for r in rows]),
        ("mean indicated", [r.mean_bar for r in rows]),
    )
    for (name, values), most in zip(figures, _limits(f.engine.cylinders), strict=True):
        known = [v for v in values if v is not None]
        if len(known) < 2:
            continue
        mean = sum(known) / len(known)
        for r, v in zip(rows, values, strict=True):
            if v is not None and abs(v - mean) > most:
                told.append(
                    Notice(
                        f"Cylinder {r.cylinder}: {name} pressure {v - mean:+.1f} bar off the mean of the cylinders "
                        f"({mean:.1f} bar), beyond ±{most:g} bar."
                    )
                )
    if not told:
        told.append(Notice("All cylinders lie within the spread that is allowed.", "good"))
    return told


# -- what is shown --------------------------------------------------------------------------------------------------


def _figures(f: Facts, rows: list[Row], rpm: float | None, taken: str) -> tuple[Figure, ...]:
    c, found, power = f.engine.cylinders, [], 0.0
    earlier = {x.cylinder: x for x in _earlier(f)} if taken == "after" else {}
    means = [r.mean_bar for r in rows if r.mean_bar is not None]
    mean_max = sum(r.max_bar for r in rows) / len(rows) if rows else None
    found += [
        Figure("mean_max_bar", "Mean of the maxima", mean_max, "bar", "Mean over the cylinders.", 1, True),
        Figure(
            "mean_mi_bar",
            "Mean of the mean indicated",
            sum(means) / len(means) if means else None,
            "bar",
            "Mean over the cylinders.",
            2,
            True,
        ),
    ]
    for r in rows:
        at = "" if r.max_deg is None else f" at {r.max_deg:+.1f}° after dead centre"
        n = r.cylinder
        found.append(Figure(f"max_{n}", f"Cylinder {n} maximum", r.max_bar, "bar", f"Highest pressure{at}.", 1))
        if n in earlier:
            found.append(
                Figure(
                    f"max_change_{n}",
                    f"Cylinder {n} since before",
                    r.max_bar - earlier[n].max_bar,
                    "bar",
                    "Maximum now less maximum booked before.",
                    1,
                )
            )
        if r.mean_bar is None:
            continue
        found.append(Figure(f"mean_{n}", f"Cylinder {n} mean indicated", r.mean_bar, "bar", "(1/V_s)·∮p dV.", 2))
        if c is not None and rpm:
            kw = indicated_kw(c, r.mean_bar, rpm, f.engine.ratio)
            power += kw
            found.append(Figure(f"kw_{n}", f"Cylinder {n} indicated power", kw, "kW", f"At {rpm:.1f} rpm.", 0))
    if power:
        found.append(Figure("kw", "Indicated power", power, "kW", "Sum of the cylinders given.", 0, True))
    return tuple(found)


def _earlier(f: Facts) -> list[Row]:
    last = next((p for p in reversed(f.taken) if p.taken == "before"), None)
    return [] if last is None else [Row(x.cylinder, x.max_bar, x.mean_indicated_bar) for x in last.cylinders]


def _inputs(typed: Typed, taken: str) -> tuple[Input, ...]:
    return (
        Input("taken", "Taken", "", "before or after the work on the timing", taken),
        Input("max_bar", "Maximum pressures", "", "One a cylinder, from 1 on, with spaces.", typed.text("max_bar")),
        Input("mean_bar", "Mean indicated pressures", "", "The same; may be empty.", typed.text("mean_bar")),
        Input("unit", "Unit of both", "", "bar, MPa, kPa, Pa or psi", typed.text("unit") or "bar"),
        Input("rpm", "Speed", "rpm", "Empty: the present speed.", typed.text("rpm")),
    )


def _steps() -> tuple[Step, ...]:
    return (
        Step("Steady load and speed, indicator cocks blown through; each cylinder taken in turn.", SECOND, "steady"),
        Step("Type the figures, or give the indicator's file; see what is noticed above.", SECOND, "all cylinders"),
        Step(
            "Book them as “before”, and again as “after” at the same load; trim the pumps by the difference.",
            SECOND,
            "booked",
        ),
    )


def _cylinders(rows: list[Row]) -> list[dict[str, float | int]]:
    found = []
    for r in rows:
        row: dict[str, float | int] = {"cylinder": r.cylinder, "max_bar": round(r.max_bar, 2)}
        found.append(row if r.mean_bar is None else row | {"mean_indicated_bar": round(r.mean_bar, 3)})
    return found


def _booking(rows: list[Row], taken: str, rpm: float | None) -> dict[str, object]:
    found: dict[str, object] = {"kind": "pressures", "taken": taken, "cylinders": _cylinders(rows)}
    return found if rpm is None else found | {"rpm": round(rpm, 1)}
