"""Re-time: which way and how far the camshaft turns, the lag live while it is turned, and what to book after."""

from gateway.wear.refusals import GAUGE_MM_MAX
from gateway.worksheet import sums
from gateway.worksheet.cautions import (
    CAUTIONS,
    CHIEF,
    COUPLING_CAUTION,
    SECOND,
    after_closing,
    before_opening,
    opening_wait,
    plugs_wait,
)
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Step, Typed

NAME, TITLE = "retime", "Re-time the camshaft"
SECTIONS_MAX = 4
SET_DEG = 0.05
"""So near is set: the pin gauge's feelers show no less."""


def retime(facts: Facts, typed: Typed) -> Sheet:
    """The sheet, from what is known and what has been typed."""
    gauges = typed.numbers("gauge_mm", "Pin gauge")[:SECTIONS_MAX]
    after = typed.numbers("gauge_after_mm", "Pin gauge after")[:SECTIONS_MAX]
    before = typed.number("before_deg", "Lag before")
    off_utc_s = typed.number("oil_off", "Oil pressure off")
    for mm in (*gauges, *after):
        if abs(mm) > GAUGE_MM_MAX:
            typed.faults.append(f"Pin gauge: {mm:g} mm cannot be; give −{GAUGE_MM_MAX:g} to {GAUGE_MM_MAX:g} mm")
    lag = facts.lag_deg
    booking, wants = _booking(facts, before, after, typed)
    return Sheet(
        NAME,
        TITLE,
        (*CAUTIONS, COUPLING_CAUTION),
        _figures(facts, gauges, before),
        _steps(facts),
        (opening_wait(facts), plugs_wait(facts.engine, facts.utc_s, off_utc_s)),
        _inputs(facts, typed),
        (*typed.notices(), *_doubt(facts, gauges), *_live(facts, lag, before)),
        live=True,
        booking=booking,
        booking_wants=wants,
    )


def lag_se_deg(facts: Facts) -> float:
    """Standard uncertainty of the present lag, in crank degrees."""
    return sums.TURNED_SE_DEG if facts.whole_turn else sums.SINGLE_SE_DEG


def _figures(f: Facts, gauges: list[float], before: float | None) -> tuple[Figure, ...]:
    lag, radius, ratio = f.lag_deg, f.engine.lag.pin_gauge_radius_mm, f.engine.ratio
    expected = None if lag is None or radius is None else sums.gauge_mm(radius, lag, ratio)
    sea = f.sea_lag_deg
    at_sea = None if sea[1] is None else f"{sea[1]:.2f} ({_end(sea[0])} to {_end(sea[2])})"
    found = [
        Figure(
            "lag_deg", "Lag now", lag, "° crank", "How far the camshaft is behind where it was set; late is +.", 3, True
        ),
        Figure(
            "lag_se_deg",
            "Its uncertainty",
            lag_se_deg(f) if lag is not None else None,
            "°",
            "Standard uncertainty: small once a whole turn on the turning gear has been read.",
            2,
        ),
        Figure(
            "cam_deg",
            "Camshaft to turn",
            None if lag is None else abs(lag) / ratio,
            "° cam",
            f"{_way(lag)} Degrees of the camshaft itself.",
            3,
            True,
        ),
        Figure(
            "turned_lag_deg",
            "Mean of the last whole turn",
            f.lag_of(f.turned_raw_deg),
            "°",
            "Mean over one turn on the turning gear in which nothing moved; the best figure there is.",
            3,
        ),
        Figure(
            "at_sea_deg", "Lag at sea", at_sea, "°", "From the trend, with its 5 to 95 % range: under load and warm."
        ),
        Figure(
            "gauge_expected_mm",
            "Pin gauge should read",
            expected,
            "mm",
            "The lag now as an arc at the pin gauge's radius; late is +.",
            2,
        ),
        Figure("before_deg", "Lag before", before, "°", "As taken before the couplings were touched; it is booked.", 3),
    ]
    for n, mm in enumerate(gauges, 1):
        found += _section(n, mm, radius, ratio, len(gauges))
    return tuple(found)


def _section(n: int, mm: float, radius: float | None, ratio: int, sections: int) -> list[Figure]:
    name = f"Section {n}" if sections > 1 else "Pin gauge"
    if radius is None:
        return [Figure(f"gauge_deg_{n}", f"{name}, as an angle", None, "°", "Set lag.pin_gauge_radius_mm to know it.")]
    lag = sums.gauge_deg(radius, mm, ratio)
    return [
        Figure(f"gauge_deg_{n}", f"{name}, as an angle", lag, "°", f"{mm:g} mm on {radius:g} mm radius; crank.", 3),
        Figure(f"section_deg_{n}", f"{name} turns by", abs(lag) / ratio, "° cam", f"{_way(lag)} By its own gauge.", 3),
    ]


def _way(lag: float | None) -> str:
    if lag is None:
        return ""
    if abs(lag) <= SET_DEG:
        return "It stands right."
    return f"It is {'late' if lag > 0 else 'early'}: {'ahead' if lag > 0 else 'astern'}, as she turns running ahead."


def _doubt(f: Facts, gauges: list[float]) -> list[Notice]:
    """Gauge and encoders beside each other; where they differ, which to doubt first."""
    radius, lag = f.engine.lag.pin_gauge_radius_mm, f.lag_deg
    if not gauges or radius is None or lag is None:
        return []
    gauge_se = sums.gauge_deg(radius, sums.GAUGE_SE_MM, f.engine.ratio)
    found = sums.apart(lag, lag_se_deg(f), sums.gauge_deg(radius, gauges[0], f.engine.ratio), gauge_se)
    if not found.differ:
        return [Notice(f"Gauge and encoders agree within their uncertainty ({found.deg:+.2f}°).", "good")]
    if not f.whole_turn:
        which = "Doubt the encoders' figure first: no whole turn on the turning gear has been read. Turn once round."
    elif f.agreement == "part":
        which = (
            "Doubt the encoders: the tightener does not tell of the same wear either. See whether one has moved on its "
            "shaft. The gauge decides."
        )
    elif f.agreement == "agree":
        which = (
            "Doubt the gauge's reading first: lag and tightener agree. Clean holes and points, let a second person "
            "read it. If it repeats, the gauge decides."
        )
    else:
        which = (
            "Read the gauge again, by a second person. If it repeats, the gauge decides, and the encoders' zero moves."
        )
    return [Notice(f"Encoders and gauge differ by {found.deg:+.2f}°, beyond their uncertainty. {which}")]


def _live(f: Facts, lag: float | None, before: float | None) -> list[Notice]:
    told = []
    if f.running not in ("stopped", "turning", "unknown"):
        told.append(Notice("The engine is not stopped: nothing is done at the couplings while it runs."))
    if lag is None:
        return [*told, Notice(f"No live lag: {f.lag.reason}. Work by the pin gauge.")]
    if f.standing and not f.whole_turn:
        told.append(
            Notice(
                "Turn once round on the turning gear, and a little more, before the couplings are loosed: until then "
                "the lag shown is off by the encoders' own mounting."
            )
        )
    elif abs(lag) <= SET_DEG:
        told.append(Notice("By the encoders it stands right. The pin gauge decides.", "good"))
    elif before is not None and lag * before < 0:
        told.append(Notice(f"Passed it by {abs(lag):.2f}°: turn back."))
    return told


def _inputs(f: Facts, typed: Typed) -> tuple[Input, ...]:
    lag = None if f.lag_deg is None or not f.whole_turn else round(f.lag_deg, 3)
    utc_s = None if f.utc_s is None else round(f.utc_s)
    return (
        Input(
            "before_deg", "Lag before", "°", "After one whole turn, couplings untouched.", typed.text("before_deg"), lag
        ),
        Input(
            "gauge_mm",
            "Pin gauge before, each section",
            "mm",
            "Late is +; where there are several sections, with spaces, the one with the encoder first.",
            typed.text("gauge_mm"),
        ),
        Input(
            "oil_off",
            "Oil pressure taken off",
            "",
            "Press it when the pressure is off the couplings.",
            typed.text("oil_off"),
            utc_s,
            moment=True,
        ),
        Input(
            "gauge_after_mm",
            "Pin gauge after",
            "mm",
            "0 where it fits. Without it no zero is booked.",
            typed.text("gauge_after_mm"),
        ),
    )


def _steps(f: Facts) -> tuple[Step, ...]:
    plugs = f.engine.service.plugs_after_min
    return (
        Step("Pressures of all cylinders taken before stopping, and booked.", SECOND, "pressures before"),
        *before_opening(f.engine),
        Step(
            "Turn one whole turn and a little more on the turning gear; nobody in the casing. Take “lag before”.",
            SECOND,
            "lag before taken",
        ),
        Step(
            "Read the pin gauge at each section and type it; see above which to doubt where it differs.",
            SECOND,
            "gauge read by two people",
        ),
        Step(
            "Mark the coupling; fit the pumps; raise the pressure slowly as the manual says.", SECOND, "pressure as set"
        ),
        Step(
            "Turn slowly until the lag is nought; watch it live. Nobody in the casing while the gear moves.",
            SECOND,
            "lag at nought, gauge fits",
        ),
        Step("Take the pressure off and press “oil pressure taken off”.", SECOND, "pressure off"),
        Step(
            f"Refit the plugs only when the manual's waiting time has passed: {plugs:g} minutes at the very least.",
            SECOND,
            "waited; plugs in",
        ),
        Step("Turn one whole turn and a little more; see that lag and pin gauge have stayed.", SECOND, "stayed"),
        Step(
            "Read the pin gauge, type it, and book: the new zero is booked only with its reading.", CHIEF, "gauge read"
        ),
        *after_closing(),
        Step(
            "Under way again: pressures of all cylinders taken, compared with those before, pumps trimmed.",
            SECOND,
            "pressures after",
        ),
    )


def _booking(f: Facts, before: float | None, after: list[float], typed: Typed) -> tuple[dict[str, object] | None, str]:
    if not after:
        return None, "the pin gauge's reading after the work"
    if not f.whole_turn or f.raw_deg is None:
        return None, "a whole turn on the turning gear, so that the new zero is free of the encoders' mounting"
    if typed.faults:
        return None, "figures that can be"
    found: dict[str, object] = {"kind": "camshaft-set", "raw_deg": round(f.raw_deg, 3), "gauge_mm": after[0]}
    return (found if before is None else found | {"lag_before_deg": before}), ""


def _end(value: float | None) -> str:
    return "?" if value is None else f"{value:.2f}"
