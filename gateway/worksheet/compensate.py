"""Compensate at the fuel pumps: degrees for each pump, what stays late, what remains to the limit."""

from gateway.wear.decision import PUMP_STEP_DEG
from gateway.worksheet import sums
from gateway.worksheet.cautions import SECOND, isolating, restoring, stopped_cautions
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Step, Typed
from gateway.worksheet.titles import TITLES

NAME = "compensate"
FUEL = (
    "Fuel under pressure cuts through skin and burns on hot surfaces. Shut off the fuel, release its pressure at every "
    "pump, and check that it is released before you open or adjust a pump."
)
ONE_PLACE = (
    "This lag is read at one standing place of the crank: it is off by the encoders' own mounting. Type the lag at "
    "sea, or take it after a whole turn on the turning gear."
)
ZERO_DEG = 0.1
"""So little early is zero: what is left after the camshaft was set is a reading's own uncertainty (our judgement)."""
UNISOLATED = ("open", "ventilate", "propeller", "immobilise")
"""Steps of isolating that belong to an open casing: at the pumps nothing is opened at the drive."""


def compensate(facts: Facts, typed: Typed) -> Sheet:
    """The sheet, from what is known and what has been typed."""
    limits = facts.engine.lag
    lag = typed.number("lag_deg", "Lag")
    notices = []
    if lag is None:
        lag = facts.sea_lag_deg[1] if facts.sea_lag_deg[1] is not None else facts.lag_deg
        if facts.sea_lag_deg[1] is None and lag is not None and facts.standing and not facts.whole_turn:
            notices.append(Notice(ONE_PLACE))
    in_force = facts.datum.compensation_mean_deg()
    number = _pumps(facts, typed)
    notices += typed.notices()
    want = add = None
    if lag is None:
        notices.append(Notice("The lag is not known. Type it, or run the engine until it is known."))
    else:
        want, add = sums.pump_steps(lag, in_force, PUMP_STEP_DEG)
        notices += _advice(lag, want, in_force, limits.near_deg, limits.limit_deg)
    refused = any(n.level == "refused" for n in notices)
    want, add = (None, None) if refused else (want, add)
    before = list(facts.datum.compensation_deg)
    after = None if want is None else [round(want, 2)] * number
    return Sheet(
        NAME,
        TITLES[NAME],
        stopped_cautions(facts.engine),
        _figures(lag, want, add, in_force, limits.limit_deg),
        _steps(facts),
        (),
        (
            Input("lag_deg", "Lag, if not the one shown", "° (crank)", "Late is +.", typed.text("lag_deg")),
            Input("pumps", "Number of pumps", "", "One a cylinder.", typed.text("pumps") or str(number)),
        ),
        tuple(notices),
        booking=None if after is None else {"kind": "pumps-compensated", "after_deg": after, "before_deg": before},
        booking_wants="" if after is not None else "a lag that the pumps can make up",
    )


def _figures(
    lag: float | None, want: float | None, add: float | None, in_force: float, limit: float
) -> tuple[Figure, ...]:
    late = None if lag is None else max(lag, 0.0)
    remains = None if lag is None else limit - lag
    return (
        Figure("lag_deg", "Lag", lag, "° (crank)", "From the last camshaft setting. Late is +.", 2, True),
        Figure("advance_deg", "Advance in all, each pump", want, "° (crank)",
               f"What each pump is to be advanced by; set in steps of {PUMP_STEP_DEG:g}°.", 1, True),
        Figure("add_deg", "To add to what is set", add, "° (crank)", "Negative: take off.", 1),
        Figure("in_force_deg", "Set now", in_force, "° (crank)", "As booked; all of it, mean of the pumps.", 1),
        Figure("stays_late_deg", "Exhaust valves stay late by", late, "° (crank)",
               "The pumps correct injection only: valves and indicator drive stay with the camshaft.", 2),
        Figure("remains_deg", "Remains to the limit", remains, "° (crank)",
               f"The limit of {limit:g}° still counts from the camshaft's setting.", 2),
    )  # fmt: skip


def _steps(f: Facts) -> tuple[Step, ...]:
    isolated = tuple(s for s in isolating(f.engine) if s.key not in UNISOLATED)
    restored = tuple(s for s in restoring() if s.key not in ("inspect", "door"))
    running = "The engine runs: use the cautions of that sheet."
    return (
        Step("Take the pressures of all cylinders at steady load, by the sheet “Pressures”. Book them.", SECOND,
             "pressures before booked", "pressures-before", "Under load", running),
        *isolated,
        Step("Shut off the fuel. Release its pressure at every pump.", SECOND, "fuel off, pressure released",
             "fuel-off", "At the pumps", FUEL),
        Step("Advance each pump by the figure above, as the manual requires. Write down what each is set to.", SECOND,
             "all pumps set", "set", "At the pumps", FUEL),
        Step("Check the stop and the free movement of every fuel rack.", SECOND, "racks free, stop proved", "racks",
             "At the pumps", "A stuck rack can let the engine overspeed."),
        Step("Restore the fuel. Look for leaks from a distance.", SECOND, "fuel on, no leak", "fuel-on",
             "At the pumps", FUEL),
        *restored,
        Step("At the same load take the pressures again, by the sheet “Pressures”. Trim each pump by them.", SECOND,
             "pressures after booked", "pressures-after", "Under way", running),
    )  # fmt: skip


def _pumps(f: Facts, typed: Typed) -> int:
    number = typed.number("pumps", "Number of pumps")
    if number is None:
        return 1 if f.engine.cylinders is None else f.engine.cylinders.number
    if not 1 <= number <= 32 or number != int(number):
        typed.faults.append("Number of pumps: give 1 to 32")
        return 1
    return int(number)


def _advice(lag: float, want: float, in_force: float, near: float, limit: float) -> list[Notice]:
    if lag >= limit:
        return [
            Notice(
                f"{lag:.2f}° is at or past the limit of {limit:g}°: the pumps do not correct it. Re-time the camshaft.",
                "refused",
            )
        ]
    if lag < -ZERO_DEG:
        return [Notice(f"The camshaft is {-lag:.2f}° early: that is not wear. Find the cause first.", "refused")]
    if lag < near:
        off = f" Take off the {in_force:.1f}° that are set at the pumps, and book it." if in_force and not want else ""
        return [Notice(f"{abs(lag):.2f}° is below the warning limit of {near:g}°: no compensation is needed.{off}")]
    return [Notice(f"With {want:.1f}° at the pumps injection is right. Plan re-timing: the valves stay late.")]
