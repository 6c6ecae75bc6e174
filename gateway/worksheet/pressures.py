"""Pressures: each cylinder's maximum and mean indicated pressure, spread against their mean, before and after."""

from dataclasses import dataclass, replace

from gateway.model.errors import Refused
from gateway.model.settings import Cylinders
from gateway.wear.bookings import CylinderPressures, Pressures
from gateway.worksheet import cam_load
from gateway.worksheet.cautions import SCOPE, SECOND
from gateway.worksheet.indicator import indicated, indicated_kw
from gateway.worksheet.like_load import PERCENT, compare
from gateway.worksheet.pressure_file import BAR, UNIT_NAMES, read_pressures, unit_meant
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Step, Typed, cannot_be
from gateway.worksheet.titles import TITLES

NAME = "pressures"
CAUTIONS = (
    SCOPE,
    "Pressures are taken with the engine running. The cautions of the stopped engine do not cover this work.",
    "An indicator cock blows a jet of hot gas and sparks. Stand to the side, keep your face and "
    "other people out of the "
    "line of the cock, wear eye protection, gloves and hearing protection. Open it slowly.",
    "Hot pipes and covers burn. Turning and moving parts catch loose clothing. Leaking high-pressure "
    "fuel cuts through "
    "skin: stay away from a leak and report it.",
    "Inform the bridge before you begin. Stop the work if load or speed must change.",
)
SPREAD_MAX_BAR, SPREAD_MEAN_BAR = 3.0, 0.5
"""Where the settings have no cylinders: defaults from memory."""


@dataclass(frozen=True, slots=True)
class Row:
    """One cylinder, in bar. `max_deg`: angle of the maximum; `None` = not known."""

    cylinder: int
    max_bar: float
    mean_bar: float | None = None
    max_deg: float | None = None
    compression_bar: float | None = None


@dataclass(frozen=True, slots=True)
class Conditions:
    """At what the pressures were taken: a fair comparison needs the same. `load`: per cent; pressures in bar."""

    rpm: float | None
    load: float | None
    scavenge_bar: float | None
    compression_bar: list[float]


def pressures(facts: Facts, typed: Typed, file: str | None = None) -> Sheet:
    """The sheet from typed figures or from the text of a pressure/crank-angle file."""
    notices: list[Notice] = []
    rows = _from_file(facts, file, notices) if file else _from_typed(typed, notices)
    rpm = typed.number("rpm", "Speed")
    rpm = facts.rpm if rpm is None else rpm
    at = Conditions(
        rpm,
        typed.number("load", "Load"),
        typed.number("scavenge_bar", "Scavenge pressure"),
        typed.numbers("compression_bar", "Compression pressures"),
    )
    taken = typed.text("taken") or "before"
    if taken not in ("before", "after"):
        typed.faults.append("Taken: give before or after")
        taken = "before"
    notices += typed.notices()
    rows = _with_compression(rows, at.compression_bar, notices)
    notices += _alike(facts, rows, at) if taken == "after" else []
    if rows:
        notices += _whole(facts, rows) + (_units(rows) or _spread(facts, rows))
        book = [Notice(x, "refused") for x in cannot_be(facts, **_booking(rows, taken, at))]
        notices += [] if any(n.level == "refused" for n in notices) else book
    notices += cam_load.questions(facts, _off_mean(rows))
    refused = any(n.level == "refused" for n in notices)
    booking = None if refused or not rows else _booking(rows, taken, at)
    return Sheet(
        NAME,
        TITLES[NAME],
        CAUTIONS,
        _figures(facts, rows, rpm, taken),
        _steps(),
        (),
        _inputs(typed, taken),
        tuple(notices),
        booking=booking,
        booking_wants="" if booking else "a maximum pressure for each cylinder",
    )


# -- where the figures come from ------------------------------------------------------------------------------------


def _from_file(f: Facts, text: str, notices: list[Notice]) -> list[Row]:
    c = f.engine.cylinders
    if c is None:
        notices.append(
            Notice(
                "A pressure file needs the cylinders' bore, stroke and ratios: give "
                "[engine.cylinders] in the settings,"
                " or type maximum and mean pressures.",
                "refused",
            )
        )
        return []
    try:
        found = read_pressures(text, 360.0 * f.engine.ratio)
    except Refused as e:
        notices.append(Notice(str(e), "refused"))
        return []
    rows = []
    for number, bar in sorted(found.bar.items()):
        if float(bar.max() - bar.min()) < 1.0:
            notices.append(
                Notice(f"Cylinder {number}: the pressure does not move; is its sensor dead, or its cock shut?")
            )
        seen = indicated(c, found.angle_deg, bar)
        rows.append(Row(number, seen.max_bar, seen.mean_bar, seen.max_deg))
        notices += _dead_centre(number, seen.shift_deg, seen.max_deg, seen.peak_odd)
    return rows


def _dead_centre(number: int, shift: float, peak: float, odd: bool) -> list[Notice]:
    if odd:
        return [
            Notice(
                f"Cylinder {number}: its maximum is at {peak:+.1f}° from the file's dead centre; no engine fires "
                "there. Is zero the firing dead centre of this cylinder?"
            )
        ]
    if shift:
        return [
            Notice(
                f"Cylinder {number}: dead centre seems to be off by {abs(shift):.1f}° (the file's angles are "
                f"{'ahead' if shift > 0 else 'behind'}): its mean indicated pressure is wrong until "
                "that is set right."
            )
        ]
    return []


def _from_typed(typed: Typed, notices: list[Notice]) -> list[Row]:
    high, mean = typed.numbers("max_bar", "Maximum pressures"), typed.numbers("mean_bar", "Mean indicated pressures")
    unit = (typed.text("unit") or "bar").lower()
    if unit not in BAR:
        notices.append(Notice(f"Unit {unit[:20]!r}: give one of {', '.join(UNIT_NAMES.values())}", "refused"))
        return []
    if mean and len(mean) != len(high):
        notices.append(
            Notice(f"{len(high)} maximum and {len(mean)} mean pressures; give one of each a cylinder", "refused")
        )
        return []
    scale = BAR[unit]
    return [Row(n + 1, p * scale, mean[n] * scale if mean else None) for n, p in enumerate(high[:32])]


def _with_compression(rows: list[Row], bar: list[float], notices: list[Notice]) -> list[Row]:
    if not rows or not bar:
        return rows
    if len(bar) != len(rows):
        notices.append(
            Notice(
                f"{len(bar)} compression pressures for {len(rows)} cylinders; give one of each a cylinder", "refused"
            )
        )
        return rows
    return [replace(r, compression_bar=p) for r, p in zip(rows, bar, strict=True)]


# -- what is noticed ------------------------------------------------------------------------------------------------


def _whole(f: Facts, rows: list[Row]) -> list[Notice]:
    if f.engine.cylinders is None:
        return []
    number = f.engine.cylinders.number
    missing = sorted(set(range(1, number + 1)) - {r.cylinder for r in rows})
    over = sorted(r.cylinder for r in rows if r.cylinder > number)
    notices = []
    if missing:
        notices.append(Notice(f"Missing: cylinder {', '.join(map(str, missing))} of {number}. Take all at one load."))
    if over:
        notices.append(Notice(f"Cylinder {', '.join(map(str, over))}: the engine has {number}", "refused"))
    return notices


def _units(rows: list[Row]) -> list[Notice]:
    notices = []
    for r in rows:
        meant = unit_meant(r.max_bar)
        if meant is not None:
            instead = f"; are these {meant}?" if meant else ""
            notices.append(
                Notice(f"Cylinder {r.cylinder}: a maximum of {r.max_bar:.4g} bar cannot be{instead}", "refused")
            )
    return notices


def _limits(c: Cylinders | None) -> tuple[float, float]:
    return (SPREAD_MAX_BAR, SPREAD_MEAN_BAR) if c is None else (c.spread_max_bar, c.spread_mean_bar)


def _spread(f: Facts, rows: list[Row]) -> list[Notice]:
    """Each cylinder against the mean of all."""
    if len(rows) < 2:
        return []
    notices = []
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
                notices.append(
                    Notice(
                        f"Cylinder {r.cylinder}: {name} pressure {v - mean:+.1f} bar off the mean of the cylinders "
                        f"({mean:.1f} bar), beyond ±{most:g} bar."
                    )
                )
    if not notices:
        notices.append(Notice("All cylinders lie within the spread that is allowed.", "good"))
    return notices


def _off_mean(rows: list[Row]) -> list[cam_load.Off]:
    """How far each cylinder's maximum and mean indicated pressure are off the mean of all."""
    if len(rows) < 2:
        return []
    known = [r.mean_bar for r in rows if r.mean_bar is not None]
    most, mean = sum(r.max_bar for r in rows) / len(rows), sum(known) / len(known) if known else 0.0
    return [(r.cylinder, r.max_bar - most, None if r.mean_bar is None else r.mean_bar - mean) for r in rows]


def _alike(f: Facts, rows: list[Row], at: Conditions) -> list[Notice]:
    """Before and after are compared at like conditions; what differs is shown."""
    last = next((p for p in reversed(f.taken) if p.taken == "before"), None)
    if last is None:
        return [Notice("No pressures before the work are booked: there is nothing to compare with.")]
    if not rows:
        return []
    found = compare(last, _as_pressures(rows, at))
    if found.unlike:
        again = "" if last.load is None else f" Take the pressures again at {last.load * PERCENT:g} %."
        return [Notice(f"{text}{again}") for text in found.unlike] + [Notice(text) for text in found.unknown]
    if found.unknown:
        return [Notice(text) for text in found.unknown]
    return [Notice("Load, speed and scavenge pressure are alike before and after: the maxima can be compared.", "good")]


def _as_pressures(rows: list[Row], at: Conditions) -> Pressures:
    return Pressures(
        id="sheet", utc_s=0.0, hours=0.0, person="sheet", taken="after", rpm=at.rpm, load=_share(at.load),
        scavenge_bar=at.scavenge_bar,
        cylinders=[CylinderPressures(cylinder=r.cylinder, max_bar=r.max_bar, compression_bar=r.compression_bar)
                   for r in rows],
    )  # fmt: skip


def _share(percent: float | None) -> float | None:
    """Load as it is booked: a share of full load."""
    return None if percent is None else round(percent / PERCENT, 4)


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
        was = earlier[n].compression_bar if n in earlier else None
        if r.compression_bar is not None and was is not None:
            found.append(
                Figure(
                    f"compression_change_{n}",
                    f"Cylinder {n} compression since before",
                    r.compression_bar - was,
                    "bar",
                    "Compression pressure now less that booked before.",
                    1,
                )
            )
        found += cam_load.figure(f, n)
        if r.mean_bar is None:
            continue
        found.append(Figure(f"mean_{n}", f"Cylinder {n} mean indicated", r.mean_bar, "bar", "(1/V_s)·∮p dV.", 2))
        if c is not None and rpm:
            kw = indicated_kw(c, r.mean_bar, rpm, f.engine.ratio)
            power += kw
            found.append(Figure(f"kw_{n}", f"Cylinder {n} indicated power", kw, "kW", f"At {rpm:.1f} rpm.", 0))
    if not rows and f.engine.cams is not None:
        for n in range(1, len(f.engine.cams.angle_deg) + 1):
            found += cam_load.figure(f, n)
    if power:
        found.append(Figure("kw", "Indicated power", power, "kW", "Sum of the cylinders given.", 0, True))
    return tuple(found)


def _earlier(f: Facts) -> list[Row]:
    last = next((p for p in reversed(f.taken) if p.taken == "before"), None)
    return (
        []
        if last is None
        else [
            Row(x.cylinder, x.max_bar, x.mean_indicated_bar, compression_bar=x.compression_bar) for x in last.cylinders
        ]
    )


def _inputs(typed: Typed, taken: str) -> tuple[Input, ...]:
    return (
        Input("taken", "Taken", "", "before or after the work on the timing", taken, step="conditions"),
        Input("max_bar", "Maximum pressures", "", "One a cylinder, from 1 on, with spaces.", typed.text("max_bar"),
              step="type"),
        Input("mean_bar", "Mean indicated pressures", "", "The same; may be empty.", typed.text("mean_bar")),
        Input("unit", "Unit of these two", "", "bar, MPa, kPa, Pa or psi", typed.text("unit") or "bar"),
        Input("rpm", "Speed", "rpm", "Empty: the present speed.", typed.text("rpm")),
        Input("load", "Load", "%", "Of the engine's full load, from its load indicator.", typed.text("load"),
              step="conditions"),
        Input("scavenge_bar", "Scavenge pressure", "bar", "In the receiver, gauge.", typed.text("scavenge_bar"),
              step="conditions"),
        Input("compression_bar", "Compression pressures", "bar", "One a cylinder; may be empty.",
              typed.text("compression_bar")),
    )  # fmt: skip


def _steps() -> tuple[Step, ...]:
    cock = CAUTIONS[2]
    return (
        Step("Inform the bridge. Keep load and speed steady for the whole time.", SECOND, "steady", "steady", "Take"),
        Step("Note load, speed and scavenge pressure. Type them.", SECOND, "typed", "conditions", "Take"),
        Step("Blow each indicator cock through before the indicator is fitted.", SECOND, "blown", "blow", "Take",
             cock),
        Step("Take each cylinder in turn. Shut the cock before the indicator is removed.", SECOND, "all cylinders",
             "take", "Take", cock),
        Step("Type the figures, or give the indicator's file. Read the notices.", SECOND, "typed", "type", "Book"),
        Step("Book them as “before” or “after”. After the work take them at the same load, and trim the pumps by the "
             "difference.", SECOND, "booked", "book", "Book"),
    )  # fmt: skip


def _cylinders(rows: list[Row]) -> list[dict[str, float | int]]:
    found = []
    for r in rows:
        row: dict[str, float | int] = {"cylinder": r.cylinder, "max_bar": round(r.max_bar, 2)}
        row |= {} if r.mean_bar is None else {"mean_indicated_bar": round(r.mean_bar, 3)}
        found.append(row | ({} if r.compression_bar is None else {"compression_bar": round(r.compression_bar, 2)}))
    return found


def _booking(rows: list[Row], taken: str, at: Conditions) -> dict[str, object]:
    found: dict[str, object] = {"kind": "pressures", "taken": taken, "cylinders": _cylinders(rows)}
    found |= {} if at.rpm is None else {"rpm": round(at.rpm, 1)}
    found |= {} if at.load is None else {"load": _share(at.load)}
    return found | ({} if at.scavenge_bar is None else {"scavenge_bar": round(at.scavenge_bar, 3)})
