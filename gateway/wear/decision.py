"""What to do, from the figures: one of a closed list, with the reason in one sentence.

The program only points at work. The engine's manual, its limits and the permit to work decide whether and how it is
done; every sentence that points at work defers to the manual.
"""

from dataclasses import dataclass
from typing import Literal

from gateway.model.settings import EngineSettings
from gateway.wear.agreement import Agreement
from gateway.wear.datum import Datum

Do = Literal["nothing", "compensate", "re-time", "retighten", "renew-chain", "find-fault"]

PUMP_STEP_DEG = 0.1
"""Pumps are not set, nor advice given, finer than this."""

MANUAL = "as the engine's manual sets out"


@dataclass(frozen=True, slots=True)
class Standing:
    """The figures a decision rests on. Lag from the last camshaft setting, later = +. `None` = not known.

    `order_h`: hours to the elongation limit, early end, where in sight.
    """

    lag_deg: float | None
    elongation_percent: float | None
    compression_mm: float | None
    hours: float | None
    agreement: Agreement
    order_h: float | None = None


@dataclass(frozen=True, slots=True)
class Decision:
    """`do` and `why` as in the trend message; `compensate_deg`: the pumps' whole advance, where that is advised.

    `also`: what else holds, in order, each a sentence of its own.
    """

    do: Do
    why: str
    compensate_deg: float | None = None
    also: tuple[str, ...] = ()


def decide(engine: EngineSettings, datum: Datum, standing: Standing) -> Decision:
    """The first of: take the pumps' compensation off, find the fault, renew the chain, re-time, retighten, compensate,
    nothing; the others as `also`.

    Pumps that are still advanced after re-timing come first: the engine would start with injection early. Then a fault,
    since every other figure may be its child. A worn chain is renewed before it is timed, for the
    timing would be done twice. Retightening comes before compensating: it is due at the drive, the other at the pumps.
    """
    found = [
        d
        for d in (
            _pumps_off(datum),
            _fault(datum, standing),
            _renew(engine, standing),
            _retime(engine, datum, standing),
            _retighten(engine, datum, standing),
            _compensate(engine, datum, standing),
        )
        if d is not None
    ]
    if not found:
        return Decision("nothing", _nothing(engine, standing), also=_remarks(engine, datum, standing))
    first, rest = found[0], found[1:]
    also = (*(d.why for d in rest), *_remarks(engine, datum, standing))
    return Decision(first.do, first.why, first.compensate_deg, also)


def _pumps_off(d: Datum) -> Decision | None:
    """Compensation that was booked before the camshaft was last set, and not taken off since."""
    booked = d.compensation_mean_deg()
    if booked < PUMP_STEP_DEG / 2 or d.compensated_at_h is None or d.compensated_at_h > d.camshaft_set_at_h:
        return None
    why = (
        f"The camshaft was re-timed and {booked:.1f}° are still booked at the fuel pumps. Take the pumps' compensation "
        f"off first and book 0°, {MANUAL}. Otherwise injection is early and maximum pressure too high."
    )
    return Decision("compensate", why, compensate_deg=0.0)


def _fault(datum: Datum, s: Standing) -> Decision | None:
    near = datum.engine.lag.near_deg
    if s.agreement.state == "part":
        first = s.agreement.causes[0] if s.agreement.causes else "not known"
        remarks = f"Not all of what is measured comes from wear; likely cause: {first}"
    elif s.lag_deg is not None and s.lag_deg <= -near and (datum.lag_at_set_deg or 0.0) > -near:
        remarks = (
            f"The camshaft reads {_lag(s.lag_deg)} and wear only makes it late; the zero or an encoder may have moved"
        )
    else:
        return None
    return Decision("find-fault", f"{remarks}; find it before any adjustment, {MANUAL}.")


def _renew(engine: EngineSettings, s: Standing) -> Decision | None:
    e = engine.elongation
    if s.elongation_percent is None or s.elongation_percent < e.limit_percent:
        return None
    why = (
        f"Elongation {s.elongation_percent:.2f} % has reached its limit of {e.limit_percent:g} %; "
        f"order the chain or its worn links and plan their renewal, {MANUAL}."
    )
    return Decision("renew-chain", why)


def _retime(engine: EngineSettings, d: Datum, s: Standing) -> Decision | None:
    limit = engine.lag.limit_deg
    if s.lag_deg is None or abs(s.lag_deg) < limit:
        return None
    booked = d.compensation_mean_deg()
    pumps = f"; the {booked:.1f}° booked at the pumps leave the exhaust valves as they are" if booked else ""
    return Decision(
        "re-time",
        f"The camshaft is {_lag(s.lag_deg)}, at or past its limit of {limit:g}°{pumps}; "
        f"plan to re-time the camshaft, {MANUAL}.",
    )


def _retighten(engine: EngineSettings, d: Datum, s: Standing) -> Decision | None:
    t = engine.tightener
    reasons = []
    if t.kind == "sprung" and s.compression_mm is not None:
        low, high = t.required_compression_mm - t.band_mm, t.required_compression_mm + t.band_mm
        if not low <= s.compression_mm <= high:
            reasons.append(f"the spring is compressed by {s.compression_mm:.1f} mm, outside of {low:.1f}–{high:.1f} mm")
    if s.hours is not None and s.hours >= d.due_h:
        reasons.append(f"retightening was due at {d.due_h:,.0f} h and {s.hours:,.0f} h are run")
    if not reasons:
        return None
    text = " and ".join(reasons)
    return Decision("retighten", f"{text[0].upper()}{text[1:]}; plan to retighten the chain, {MANUAL}.")


def _compensate(engine: EngineSettings, d: Datum, s: Standing) -> Decision | None:
    lag = engine.lag
    if s.lag_deg is None or not lag.near_deg <= s.lag_deg < lag.limit_deg:
        return None
    want = round(s.lag_deg / PUMP_STEP_DEG) * PUMP_STEP_DEG
    booked = d.compensation_mean_deg()
    if want - booked < 1.5 * PUMP_STEP_DEG:
        return None
    had = f" ({booked:.1f}° are booked)" if booked else ""
    return Decision(
        "compensate",
        f"The camshaft is {_lag(s.lag_deg)}, between {lag.near_deg:g}° and its limit of {lag.limit_deg:g}°; "
        f"plan to advance the fuel pumps to {want:.1f}° in all{had}, and re-timing, {MANUAL}.",
        compensate_deg=want,
    )


def _lag(lag_deg: float) -> str:
    return f"{abs(lag_deg):.2f}° {'late' if lag_deg >= 0 else 'early'}"


def _nothing(engine: EngineSettings, s: Standing) -> str:
    if s.lag_deg is None and s.elongation_percent is None and s.compression_mm is None:
        return "Neither lag nor elongation nor compression is known, so no limit can be judged."
    known = []
    if s.lag_deg is not None:
        known.append(f"lag {_lag(s.lag_deg)} of {engine.lag.limit_deg:g}°")
    if s.elongation_percent is not None:
        known.append(f"elongation {s.elongation_percent:.2f} of {engine.elongation.limit_percent:g} %")
    if s.compression_mm is not None:
        known.append(f"compression {s.compression_mm:.1f} mm")
    unknown = "" if s.lag_deg is not None else "; the lag is not known"
    return f"No limit asks for work: {', '.join(known)}{unknown}."


def _remarks(engine: EngineSettings, d: Datum, s: Standing) -> tuple[str, ...]:
    """What is no work by itself but belongs to the decision."""
    remarks = []
    lag, booked = s.lag_deg, d.compensation_mean_deg()
    if lag is not None and booked - max(lag, 0.0) > 0.5:
        remarks.append(
            f"{booked:.1f}° are booked at the pumps but the camshaft is {_lag(lag)}: injection would be early."
        )
    if lag is not None and engine.lag.near_deg <= lag < engine.lag.limit_deg and booked:
        remarks.append(
            f"With {booked:.1f}° at the pumps the exhaust valves are still {_lag(lag)}; plan re-timing, {MANUAL}."
        )
    near = engine.elongation
    if s.elongation_percent is not None and near.near_percent <= s.elongation_percent < near.limit_percent:
        remarks.append(f"Elongation {s.elongation_percent:.2f} % is near its limit: have a chain or links ordered.")
    elif s.order_h is not None and s.order_h <= engine.service.planning_horizon_h:
        remarks.append(f"The elongation limit may be reached in {s.order_h:,.0f} h: have a chain or links ordered.")
    if s.agreement.state == "unknown":
        remarks.append("Wear could not be checked against a second estimate.")
    return tuple(remarks)
