"""Re-time: which way and how far the camshaft turns, the lag live while it is turned, and what to book after.

Order of steps after the handbook's "Work at the drive" (common practice, no source; the engine's manual comes first).
"""

from gateway.model.enums import STANDING, Quality, Running
from gateway.wear.refusals import GAUGE_MM_MAX
from gateway.worksheet import each_way, retime_steps, sums
from gateway.worksheet.cautions import LOOSE, TURNING, opening_wait, plugs_wait, stopped_cautions
from gateway.worksheet.retime_steps import RUNNING_ZERO_DEG, SET_DEG
from gateway.worksheet.sheet import Facts, Figure, Input, Notice, Sheet, Typed, age, signed
from gateway.worksheet.titles import TITLES

NAME = "retime"
DEAD_CENTRE_DEG = 1.0
"""So near the mark of the turning wheel a person stops (common practice, no source)."""


def retime(facts: Facts, typed: Typed) -> Sheet:
    """The sheet, from what is known and what has been typed."""
    gauges, after = _gauges(facts, typed, "gauge_mm"), _gauges(facts, typed, "gauge_after_mm")
    before = typed.number("before_deg", "Lag before")
    running = typed.number("running_deg", "Lag under way")
    off_utc_s = _last_oil_off(facts, typed)
    lost = typed.number(each_way.NAME, "Lost motion")
    booking, needs = _booking(facts, before, after, lost, typed)
    return Sheet(
        NAME,
        TITLES[NAME],
        (*stopped_cautions(facts.engine), retime_steps.coupling_caution(facts.engine)),
        _figures(facts, gauges, after, before),
        retime_steps.steps(facts),
        (opening_wait(facts), plugs_wait(facts.engine, facts.utc_s, off_utc_s)),
        _inputs(facts, typed, after, off_utc_s),
        (
            *typed.notices(),
            *_pumps(facts),
            *_centre(facts, gauges, after),
            *_doubt(facts, *_compared(facts, gauges, after, before)),
            *_live(facts, before),
            *_sections(facts, after),
            *_running_zero(running),
        ),
        live=True,
        booking=booking,
        booking_wants=needs,
        phase="after" if after else "turn" if before is not None else "before",
    )


def lag_se_deg(facts: Facts) -> float:
    """Standard uncertainty of the present lag, in crank degrees."""
    return sums.TURNED_SE_DEG if facts.whole_turn else sums.SINGLE_SE_DEG


def _gauges(f: Facts, typed: Typed, name: str) -> list[float]:
    """Readings of the pin gauge, one a section."""
    sections = f.engine.lag.camshaft_sections
    found = typed.numbers(name, "Pin gauge")
    if len(found) > sections:
        typed.faults.append(f"Pin gauge: {len(found)} readings for {sections} section(s); give one a section")
    for mm in found:
        if abs(mm) > GAUGE_MM_MAX:
            typed.faults.append(f"Pin gauge: {mm:g} mm cannot be; give −{GAUGE_MM_MAX:g} to {GAUGE_MM_MAX:g} mm")
    return found[:sections]


# -- what is shown --------------------------------------------------------------------------------------------------


def _figures(f: Facts, gauges: list[float], after: list[float], before: float | None) -> tuple[Figure, ...]:
    lag, radius, ratio = f.lag_deg, f.engine.lag.pin_gauge_radius_mm, f.engine.ratio
    expected = None if lag is None or radius is None else sums.gauge_mm(radius, lag, ratio)
    sea, runs = f.sea_lag_deg, _runs(f)
    at_sea = None if sea[1] is None else f"{sea[1]:.2f} ({_end(sea[0])} to {_end(sea[2])})"
    found = [
        Figure("lag_deg", "Lag now", lag, "° (crank)", "How far the camshaft is behind where it was set. Late is +.", 3,
               True),
        Figure("cam_deg", "Turn the camshaft", None if lag is None or runs else abs(lag) / ratio, "° (camshaft)",
               "" if runs else _way(lag), 2, True),
        Figure("lag_se_deg", "Uncertainty of the lag", lag_se_deg(f) if lag is not None else None, "° (crank)",
               "Small after a whole turn on the turning gear has been read.", 2),
        Figure("turned_lag_deg", "Mean of the last whole turn", f.lag_of(f.turned_raw_deg), "° (crank)",
               "Mean over one turn on the turning gear in which nothing moved: the best figure there is.", 3),
        Figure("from_dead_centre_deg", f"Crank from dead centre of cylinder {f.engine.lag.reference_cylinder}",
               f.from_dead_centre_deg, "° (crank)", "By the crank encoder. Before it is −. The mark decides.", 1),
        Figure("at_sea_deg", "Lag at sea", at_sea, "° (crank)", "From the trend, with its 5 to 95 % range."),
        Figure("gauge_expected_mm", "Pin gauge should read", expected, "mm",
               "The lag now as an arc at the pin gauge's radius. Late is +.", 2),
        Figure("before_deg", "Lag before", before, "° (crank)",
               "Taken before the couplings were touched; it is booked.", 3),
        Figure("pumps_deg", "Set at the fuel pumps", f.datum.compensation_mean_deg(), "° (crank)",
               "As booked, mean of the pumps. Take it off before the engine starts.", 1),
    ]  # fmt: skip
    if each_way.applies(f.engine):
        found.append(each_way.figure(f))
    for stage, readings in (("", gauges), ("after_", after)):
        for n, mm in enumerate(readings, 1):
            found += _section(stage, n, mm, radius, ratio)
    return tuple(found)


def _section(stage: str, n: int, mm: float, radius: float | None, ratio: int) -> list[Figure]:
    name = f"Section {n}{' after' if stage else ''}"
    if radius is None:
        words = "Set lag.pin_gauge_radius_mm to know it."
        return [Figure(f"gauge_{stage}deg_{n}", f"{name}, as an angle", None, "° (crank)", words)]
    lag = sums.gauge_deg(radius, mm, ratio)
    words = f"{mm:g} mm on {radius:g} mm radius."
    return [
        Figure(f"gauge_{stage}deg_{n}", f"{name}, as an angle", lag, "° (crank)", words, 3),
        Figure(f"section_{stage}deg_{n}", f"{name}: turn it by", abs(lag) / ratio, "° (camshaft)", _way(lag), 2),
    ]


def _way(lag: float | None) -> str:
    if lag is None:
        return ""
    if abs(lag) <= SET_DEG:
        return "It is set."
    late = lag > 0
    return f"The camshaft is {'late' if late else 'early'}. Turn it {'AHEAD' if late else 'ASTERN'}."


def _runs(f: Facts) -> bool:
    """Does the engine run by itself?"""
    return f.running not in (*STANDING, Running.UNKNOWN)


def _end(value: float | None) -> str:
    return "?" if value is None else f"{value:.2f}"


# -- what is noticed ------------------------------------------------------------------------------------------------


def _pumps(f: Facts) -> list[Notice]:
    advance = f.datum.compensation_mean_deg()
    if not advance:
        return []
    return [
        Notice(
            f"{advance:.1f}° are set at the fuel pumps. Take them off before the engine starts, and "
            "book it: otherwise "
            "injection is early and maximum pressure too high."
        )
    ]


def _centre(f: Facts, gauges: list[float], after: list[float]) -> list[Notice]:
    """A gauge was read before the work while the crank stood elsewhere than at the dead centre."""
    off = f.from_dead_centre_deg
    if off is None or not gauges or after or abs(off) <= DEAD_CENTRE_DEG:
        return []
    side = "before" if off < 0 else "after"
    return [
        Notice(
            f"By its encoder the crank stands {abs(off):.1f}° {side} the dead centre of cylinder "
            f"{f.engine.lag.reference_cylinder}. Compare the mark of the turning wheel. Approach it AHEAD."
        )
    ]


def _compared(
    f: Facts, gauges: list[float], after: list[float], before: float | None
) -> tuple[list[float], float | None]:
    """The gauge and the lag that belong together: what was read before the camshaft was turned beside the lag of then,
    what was read after it beside the lag now."""
    if after:
        return (after, f.lag_deg) if f.standing else ([], None)
    return gauges, f.lag_deg if before is None else before


def _doubt(f: Facts, gauges: list[float], lag: float | None) -> list[Notice]:
    """Gauge and encoders compared; where they differ, trust neither, and what to look at first."""
    radius = f.engine.lag.pin_gauge_radius_mm
    if not gauges or radius is None or lag is None:
        return []
    gauge_se = sums.gauge_deg(radius, sums.GAUGE_SE_MM, f.engine.ratio)
    found = sums.apart(lag, lag_se_deg(f), sums.gauge_deg(radius, gauges[0], f.engine.ratio), gauge_se)
    if not found.differ:
        return [Notice(f"Gauge and encoders agree within their uncertainty ({signed(found.deg)}°).", "good")]
    if not f.whole_turn:
        first = "No whole turn on the turning gear has been read yet: turn once round first."
    elif f.agreement == "part":
        first = "Check the encoders first: the tightener does not agree with them either."
    else:
        first = "Clean holes and points, and let a second person read the gauge."
    return [
        Notice(
            f"Encoders and gauge differ by {signed(found.deg)}°, beyond their uncertainty. Trust "
            "neither. Stop and find out "
            f"why. {first}"
        )
    ]


def _live(f: Facts, before: float | None) -> list[Notice]:
    lag, notices = f.lag_deg, []
    if _runs(f):
        notices.append(Notice("The engine is not stopped. Do nothing at the couplings while it runs."))
    if f.burst_age_s is not None:
        notices.append(Notice(f"The sensor head sends in bursts: the reading is {age(f.burst_age_s)}. Use the gauge."))
    if lag is None:
        return [*notices, Notice(f"No live lag: {f.lag.reason}. Work by the pin gauge.")]
    if f.standing and not f.whole_turn:
        notices.append(
            Notice(
                "Turn once round on the turning gear, and a little more, before the couplings are "
                "released. Until then "
                f"the lag is off by the encoders' own mounting. {TURNING} {LOOSE}"
            )
        )
    elif abs(lag) <= SET_DEG:
        notices.append(Notice("By the encoders the camshaft is set. The pin gauge decides.", "good"))
    elif before is not None and lag * before < 0:
        back = "AHEAD" if lag > 0 else "ASTERN"
        notices.append(
            Notice(f"Passed zero by {abs(lag):.2f}° (crank). Turn the camshaft back {back}. {TURNING} {LOOSE}")
        )
    return notices


def _sections(f: Facts, after: list[float]) -> list[Notice]:
    """What the gauges after the work show of each section."""
    radius = f.engine.lag.pin_gauge_radius_mm
    if not after or radius is None:
        return []
    notices = []
    for n, mm in enumerate(after, 1):
        lag = sums.gauge_deg(radius, mm, f.engine.ratio)
        if abs(lag) > SET_DEG + sums.gauge_deg(radius, sums.GAUGE_SE_MM, f.engine.ratio):
            side = "late" if lag > 0 else "early"
            notices.append(
                Notice(
                    f"Section {n} is still {abs(lag):.2f}° (crank) {side}. Set it, or book it so: it is in the record."
                )
            )
    return notices


def _running_zero(running: float | None) -> list[Notice]:
    """Does the zero that was booked standing hold under way?"""
    if running is None:
        return []
    if abs(running) <= RUNNING_ZERO_DEG:
        text = f"The running zero holds: lag {signed(running)}°, within ±{RUNNING_ZERO_DEG:g}° of the zero booked."
        return [Notice(text, "good")]
    return [
        Notice(
            f"The running zero does not hold: lag {signed(running)}°, beyond ±{RUNNING_ZERO_DEG:g}° of the one "
            "booked. Check maximum pressures. At the next stop read the pin gauge. Look for a coupling that slipped."
        )
    ]


# -- what is typed and booked ---------------------------------------------------------------------------------------


def _inputs(f: Facts, typed: Typed, after: list[float], off_utc_s: float | None) -> tuple[Input, ...]:
    lag = None if f.lag_deg is None or not f.whole_turn or f.burst_age_s is not None else round(f.lag_deg, 3)
    utc_s = None if f.utc_s is None else round(f.utc_s)
    released = any(typed.text(_oil(n)) for n in _sections_of(f)) or bool(after)
    moved_since = "The couplings have been released since. Give a reason to change it."

    def locked(name: str) -> str:
        return moved_since if released and typed.text(name) and not typed.text(f"unlock_{name}") else ""

    # One tap must not write over the lag before: once taken it is typed, or changed with a reason.
    fresh = not typed.text("before_deg") or bool(typed.text("unlock_before_deg"))
    each = "Late is +. With several sections, one reading each with spaces between; the encoder's section first."
    oil = [
        Input(_oil(n), f"Oil pressure released{'' if n == 1 else f', section {n}'}", "",
              "Press when the pressure is off the couplings.", typed.text(_oil(n)), utc_s, moment=True,
              press="PRESSURE OFF", step="pressure-off" if n == 1 else f"section-{n}")
        for n in _sections_of(f)
    ]  # fmt: skip
    return (
        Input("gauge_mm", "Pin gauge before, each section", "mm", each, typed.text("gauge_mm"),
              locked=locked("gauge_mm"), step="gauge-before"),
        Input("before_deg", "Lag before", "° (crank)", "After one whole turn, couplings untouched.",
              typed.text("before_deg"), lag if fresh and not locked("before_deg") else None,
              locked=locked("before_deg"), step="gauge-before"),
        *oil,
        *((each_way.figure_input(f, typed, off_utc_s),) if each_way.applies(f.engine) else ()),
        Input("gauge_after_mm", "Pin gauge after, each section", "mm", f"0 where it fits. {each}",
              typed.text("gauge_after_mm"), step="gauge-after"),
        Input("running_deg", "Lag under way", "° (crank)", "At the first steady load. It shows whether the zero holds.",
              typed.text("running_deg"), _under_way_lag(f), press=_running_press(f), step="running-zero"),
    )  # fmt: skip


def _under_way_lag(f: Facts) -> float | None:
    """The lag that may be taken for the running zero: steady ahead, good, and not old."""
    good = f.running is Running.AHEAD and f.lag.quality is Quality.GOOD and f.burst_age_s is None
    return round(f.lag.value, 2) if good and f.lag.value is not None else None


def _running_press(f: Facts) -> str:
    lag = _under_way_lag(f)
    return "" if lag is None else "ZERO HOLDS" if abs(lag) <= RUNNING_ZERO_DEG else "ZERO DOES NOT HOLD"


def _oil(section: int) -> str:
    """The name of the time at which the oil pressure of this section was released."""
    return "oil_off" if section == 1 else f"oil_off_{section}"


def _sections_of(f: Facts) -> range:
    return range(1, f.engine.lag.camshaft_sections + 1)


def _last_oil_off(f: Facts, typed: Typed) -> float | None:
    """UTC of the last release of pressure, of all sections."""
    found = [typed.number(_oil(n), "Oil pressure released") for n in _sections_of(f)]
    return max((x for x in found if x is not None), default=None)


def _booking(
    f: Facts, before: float | None, after: list[float], lost: float | None, typed: Typed
) -> tuple[dict[str, object] | None, str]:
    sections = f.engine.lag.camshaft_sections
    if len(after) < sections:
        return None, f"the pin gauge's reading after the work, of each of the {sections} section(s)"
    if not f.whole_turn or f.raw_deg is None:
        return None, "a whole turn on the turning gear, so that the new zero is free of the encoders' mounting"
    if typed.faults:
        return None, "figures that can be right"
    found: dict[str, object] = {"kind": "camshaft-set", "raw_deg": round(f.raw_deg, 3), "gauge_mm": after[0]}
    if sections > 1:
        found["note"] = "; ".join(f"section {n}: gauge {mm:g} mm" for n, mm in enumerate(after, 1))
    found |= {} if lost is None else {each_way.NAME: lost}
    return (found if before is None else found | {"lag_before_deg": before}), ""
