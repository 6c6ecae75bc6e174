"""Commissioning: dead centre, zero by the pin gauge, eccentric mounting, skew between the two latches."""

import math

from gateway.worksheet import each_way
from gateway.worksheet.commission import Finding, Work

APPROACH_TURNS = 30 / 360
ECCENTRIC_DEG = 1.0
"""A larger first order is no mounting that stays as it is (our judgement)."""
SKEW_ALLOWED_US = 15.0
SPEEDS_APART_RPM = 10.0
DEG_PER_RPM_US = 6e-6
"""A shaft at one rpm turns so many degrees in a microsecond."""
SKEW_MAX_US = 2_000.0
"""What the settings take. No two latches of one head are so far apart."""
ZERO_TURNS = 1.02
LOST_MOTION_LEAST_DEG = -0.2
"""Two means of a turn each differ by less where no slack shows (our judgement)."""
DEAD_CENTRE_DEG = 1.0
"""So near a person stops at the mark of the turning wheel (common practice, no source)."""


def judge_dead_centre(work: Work) -> Finding:
    """The reference cylinder stands at its dead centre, approached ahead: the crank encoder's angle there."""
    crank, _ = work.travel
    if crank < APPROACH_TURNS:
        text = (
            f"Turned {crank * 360:+.1f}° since the task began. Go back 30° and approach AHEAD: the taut strand is taut."
        )
        return Finding(False, (text,))
    assert work.now.head is not None
    angle, gauge_mm = work.now.head["crank_deg"], work.number("gauge_mm")
    if angle is None:
        return Finding(
            False, ("The crank's angle is not known: stop the engine, and turn until the index has passed.",)
        )
    values = {"dead_centre_deg": angle, "gauge_mm": gauge_mm}
    lines = [f"Cylinder {work.engine.lag.reference_cylinder} at dead centre: crank encoder at {angle:.1f}°."]
    if work.engine.lag.pin_gauge_radius_mm is None and gauge_mm:
        return Finding(False, ("A gap at the gauge needs pin_gauge_radius_mm in [engine.lag] to become an angle.",))
    lines.append(f"Pin gauge {gauge_mm:+.2f} mm on the arc, {gauge_deg(work, gauge_mm):+.2f}° of the crank; late is +.")
    known = work.engine.lag.dead_centre_deg
    if known is not None:
        off = math.remainder(angle - known, 360.0)
        lines.append(f"The settings have {known:.1f}°: {off:+.1f}° from it.")
        if abs(off) > DEAD_CENTRE_DEG:
            lines.append("The crank encoder sits otherwise than when that was taken, or another mark was used: the "
                         "line below takes its place.")  # fmt: skip
    changed = known is None or abs(math.remainder(angle - known, 360.0)) > DEAD_CENTRE_DEG
    proposed = (f"[engine.lag] dead_centre_deg = {angle:.1f}",) if changed else ()
    return Finding(True, tuple(lines), proposed, values)


def gauge_deg(work: Work, gauge_mm: float) -> float:
    """Crank degrees of a gap on the gauge's arc: mm = r·(θ/ratio)·π/180 (handbook sum 15)."""
    radius = work.engine.lag.pin_gauge_radius_mm
    return 0.0 if not gauge_mm or radius is None else math.degrees(gauge_mm / radius) * work.engine.ratio


def judge_zero(work: Work) -> Finding:
    """One whole turn ahead from the dead centre: the mean of raw crank − ratio·cam, less what the gauge shows."""
    crank, _ = work.travel
    gauge_mm = work.value("gauge_mm", "dead-centre")
    turned, before = work.now.turned, work.before.turned
    if crank < ZERO_TURNS * work.engine.ratio or turned is None or turned == before:
        need = f"{work.engine.ratio} whole {'turn' if work.engine.ratio == 1 else 'turns'}"
        return Finding(False, (f"Turned {crank:+.2f} turns. Turn {need} and a little more, ahead, without a stop.",))
    zero = (turned[0] - gauge_deg(work, gauge_mm)) % 360
    lines = (f"Mean over the turn {turned[0] % 360:.2f}°, gauge {gauge_deg(work, gauge_mm):+.2f}°: zero {zero:.2f}°.",
             "It is a zero of the turning gear. The skew at two speeds shows whether it is right at sea.")  # fmt: skip
    return Finding(True, lines, (f"[engine.lag] zero_deg = {zero:.2f}",), {"zero_deg": zero})


def judge_eccentricity(work: Work) -> Finding:
    """The first order of the lag over the last whole turn on the turning gear."""
    amplitude = None if work.now.head is None else work.now.head["mounting_deg"]
    if amplitude is None:
        return Finding(False, ("Not known yet: turn once round on the turning gear, without a stop.",))
    text = f"Eccentric mounting of both encoders together: {amplitude:.2f}° once a turn (allowed {ECCENTRIC_DEG:g}°)."
    values = {"mounting_deg": amplitude}
    if amplitude > ECCENTRIC_DEG:
        return Finding(False, (text, "Centre the encoder whose disc wobbles, and repeat."), (), values)
    return Finding(True, (text, "It cancels over whole turns."), (), values)


def judge_lost_motion(work: Work) -> Finding:
    """A whole turn each way since the task began: lag ahead less lag astern."""
    found, before = work.now.turned_lost, work.before.turned
    if found is None or found == work.before.turned_lost or (before is not None and found[1] <= before[1]):
        turns = "one whole turn" if work.engine.ratio == 1 else "two whole turns"
        text = f"Not measured yet. Turn {turns} and a little more ASTERN, then as much AHEAD, without a stop in either."
        return Finding(False, (text,))
    deg = found[0]
    lines = [f"Lost motion {deg:.2f}°: the lag ahead less the lag astern."]
    if deg < LOST_MOTION_LEAST_DEG:
        lines.append("Less than none cannot be. Check that both encoders count up when the engine is turned AHEAD.")
        return Finding(False, tuple(lines))
    if work.engine.tightener.kind == "locked":
        lines.append("Its growth from here on shows the growth of the chain, beside the lag.")
    else:
        lines.append("With a sprung tightener it shows torque and not wear.")
    return Finding(True, tuple(lines), (), {each_way.NAME: deg})


def judge_slow(work: Work) -> Finding:
    """First steady speed: the averaged raw angle."""
    return _steady(work, "slow")


def _steady(work: Work, which: str) -> Finding:
    now = work.now
    if now.running != "ahead" or now.raw_deg is None or now.rpm is None:
        return Finding(False, (f"The engine is {now.running}. Wait for a steady speed ahead.",))
    values = {f"{which}_deg": now.raw_deg, f"{which}_rpm": now.rpm}
    return Finding(True, (f"{now.rpm:.1f} rpm: crank − cam {now.raw_deg % 360:.3f}°.",), (), values)


def judge_fast(work: Work) -> Finding:
    """Second steady speed: lag error = 6°/s per rpm × skew, so the change of the lag shows what skew is left."""
    found = _steady(work, "fast")
    if not found.ok:
        return found
    rpm, slow_rpm = found.values["fast_rpm"], work.value("slow_rpm", "skew-slow")
    if abs(rpm - slow_rpm) < SPEEDS_APART_RPM:
        text = f"{slow_rpm:.1f} and {rpm:.1f} rpm: the speeds must be {SPEEDS_APART_RPM:g} rpm apart or more."
        return Finding(False, (text,), (), found.values)
    change = math.remainder(found.values["fast_deg"] - work.value("slow_deg", "skew-slow"), 360.0)
    left_us = change / (DEG_PER_RPM_US * (rpm - slow_rpm))
    set_us = work.engine.lag.skew_us
    lines = [
        *found.lines,
        f"The lag changed by {change:+.3f}°: skew {left_us:+.0f} µs (allowed {SKEW_ALLOWED_US:g} µs)"
        + (f", with {set_us:+.0f} µs in the settings taken off." if set_us else "."),
    ]
    self_test = None if work.now.head is None else work.now.head["skew_ns"]
    if self_test is not None:
        lines.append(f"The head's own test of its latches: {abs(self_test) / 1000:.2f} µs apart.")
    values = {**found.values, "skew_us": left_us}
    if abs(left_us) <= SKEW_ALLOWED_US:
        return Finding(True, tuple(lines), (), values)
    if abs(set_us + left_us) > SKEW_MAX_US:
        lines.append(
            "So much is no skew: look for a loose encoder coupling, a wrong number of lines or a slipped chain."
        )
        return Finding(False, tuple(lines), (), values)
    error = DEG_PER_RPM_US * left_us * rpm
    lines.append(f"Without correction a zero of the turning gear is wrong by {error:+.3f}° at {rpm:.0f} rpm. With "
                 "the line below it is right at any speed. The drive's wind-up with speed is in it too.")  # fmt: skip
    return Finding(True, tuple(lines), (f"[engine.lag] skew_us = {set_us + left_us:.0f}",), values)
