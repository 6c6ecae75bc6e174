"""Warnings for `camdrift check`: settings that are allowed but look like a slip. Each names what to look at."""

from gateway.model.settings import EngineSettings, slack_tension_n
from gateway.wear import geometry

SIXTEENTH_INCH_MM = 25.4 / 16
"""Pitches of ISO 606 chains are whole sixteenths of an inch."""

LOOP_M_MAX = 60.0
"""No camshaft drive is so tall; a longer loop is a wrong pitch or a wrong count."""

WRAP_DEG_LOW, WRAP_DEG_HIGH = 20.0, 190.0
"""A tightener wheel outside of this hardly presses on the strand, or is wrapped like a drive wheel."""

STRENGTH_N_PER_MM2 = 107.0
"""Tensile strength of one strand over its pitch squared, from memory of the large ISO 606 B sizes."""

TENSION_SHARE_MIN = 0.0002
"""Share of the strength below which a decimal point has slipped in the spring's settings; our judgement."""
TENSION_SHARE_MAX = 0.05
"""A slack side pulled by more than this share of the strength would wear the chain out by itself."""

RATIO_TOLERANCE = 0.002
"""Wheels have whole teeth: the ratio either fits or it does not."""


def plausibility(engine: EngineSettings) -> list[str]:
    """Plain sentences, one per odd figure, empty when nothing is odd. Nothing here refuses the settings."""
    parts = (_wheels, _loops, _strands, _tooth, _limits, _wrap_and_tension, _transducer, _spring, _zero)
    return [text for part in parts for text in part(engine)]


def _wheels(engine: EngineSettings) -> list[str]:
    ratio = geometry.wheel_ratio(engine)
    if abs(ratio / engine.ratio - 1) > RATIO_TOLERANCE:
        return [
            f"the wheels turn the crank {ratio:.3f} times for one cam turn, but ratio is {engine.ratio}; check teeth"
        ]
    return []


def _loops(engine: EngineSettings) -> list[str]:
    found = []
    for n, s in enumerate(geometry.stages(engine), start=1):
        if s.loop_mm > LOOP_M_MAX * 1000:
            found.append(f"chain {n} is {s.loop_mm / 1000:.1f} m long, more than any engine's; check pitch and links")
        sixteenths = s.pitch_mm / SIXTEENTH_INCH_MM
        if abs(sixteenths - round(sixteenths)) > 0.02:
            found.append(f"chain {n}: pitch {s.pitch_mm:g} mm is no pitch of ISO 606 (whole sixteenths of an inch)")
        if s.loop_links % 2:
            found.append(f"chain {n} has an odd number of links, {s.loop_links}; it would need a cranked link")
    return found


def _strands(engine: EngineSettings) -> list[str]:
    found = []
    for n, s in enumerate(geometry.stages(engine), start=1):
        centre = geometry.centre_distance_links(s.loop_links, s.driver_teeth, s.driven_teeth)
        radii = (
            geometry.pitch_radius_mm(s.pitch_mm, s.driver_teeth) + geometry.pitch_radius_mm(s.pitch_mm, s.driven_teeth)
        ) / s.pitch_mm
        if centre is None or centre < radii:
            found.append(f"chain {n}: {s.loop_links} links do not go round its wheels; check loop_links and teeth")
        elif s.taut_links > 1.1 * centre:
            found.append(
                f"chain {n}: a taut strand of {s.taut_links:g} links does not fit a loop of {s.loop_links} "
                f"(at most about {centre:.0f}); check taut_links"
            )
        elif s.taut_links < 0.4 * centre:
            found.append(
                f"chain {n}: a taut strand of {s.taut_links:g} links is short for a loop of {s.loop_links} "
                f"(about {centre:.0f} without guides); check taut_links"
            )
    return found


def _tooth(engine: EngineSettings) -> list[str]:
    tooth = geometry.tooth_pitches_deg(engine)[0]
    found = []
    if engine.lag.limit_deg >= tooth / 2:
        found.append(
            f"the lag limit {engine.lag.limit_deg:g}° is half a tooth ({tooth:.2f}°) or more; check lag.limit_deg"
        )
    if engine.lag.step_deg >= tooth / 2:
        found.append(
            f"a jump of one tooth is {tooth:.2f}°: lag.step_deg {engine.lag.step_deg:g}° is too wide to see it"
        )
    return found


def _limits(engine: EngineSettings) -> list[str]:
    at = {limit.tag: limit.growth_percent for limit in geometry.limits_in_order(engine)}
    found = []
    if at["lag-limit"] >= at["elongation-limit"] > 0:
        found.append(
            f"the chain reaches its elongation limit before the lag limit of {engine.lag.limit_deg:g}° "
            f"({at['lag-limit']:.2f} % of growth); check taut_links and lag.limit_deg"
        )
    if at["lag-limit"] < 0.1:
        found.append(f"only {at['lag-limit']:.2f} % of growth makes the lag limit; check taut_links and wheel sizes")
    if at["elongation-near"] <= 0:
        found.append("the elongation at the last camshaft setting is already at its near limit; renewal comes first")
    return found


def _wrap_and_tension(engine: EngineSettings) -> list[str]:
    t, found = engine.tightener, []
    if not WRAP_DEG_LOW <= t.wrap_deg <= WRAP_DEG_HIGH:
        found.append(f"the chain wraps the tightener wheel by {t.wrap_deg:g}°, which is odd; check wrap_deg")
    if not 0.05 <= t.lever_ratio <= 20:
        found.append(f"lever_ratio {t.lever_ratio:g} is odd; it is wheel force over spring force")
    tension = slack_tension_n(t, t.required_compression_mm)
    s = geometry.stages(engine)[engine.chain.tightener_stage - 1]
    strength = STRENGTH_N_PER_MM2 * s.pitch_mm**2 * s.strands
    if tension > TENSION_SHARE_MAX * strength:
        found.append(
            f"the slack side would be pulled by {tension / 1000:.1f} kN, {100 * tension / strength:.0f} % of the "
            "chain's strength; check the spring rate and lever_ratio"
        )
    elif tension < TENSION_SHARE_MIN * strength:
        found.append(
            f"the tightener's share of the slack strand's force is only {tension:.0f} N, too small for this chain. "
            "Check rate, lever_ratio (wheel force over spring force) and wrap_deg"
        )
    if t.wire is not None and not 3 <= t.wire.coil_diameter_mm / t.wire.diameter_mm <= 20:
        found.append("coil diameter over wire diameter is outside of 3 to 20; check the wire table")
    return found


def _transducer(engine: EngineSettings) -> list[str]:
    t, d = engine.tightener, engine.transducer
    low, high = sorted((d.at_4ma_mm, d.at_20ma_mm))
    ends = (t.target_length_mm - t.band_mm, t.target_length_mm + t.band_mm)
    if ends[0] < low or ends[1] > high:
        return [
            f"the spring's band {ends[0]:.1f}–{ends[1]:.1f} mm is not all within the transducer's {low:g}–{high:g} mm"
        ]
    return []


def _spring(engine: EngineSettings) -> list[str]:
    t, found = engine.tightener, []
    lost = t.free_length_new_mm - t.free_length_mm
    if lost > 0.2 * t.required_compression_mm:
        found.append(f"the spring has lost {lost:.1f} mm of free length, much for its compression; check or renew it")
    if t.kind == "locked" and t.locked_at_mm is not None and abs(t.locked_at_mm - t.target_length_mm) > t.band_mm:
        found.append(
            f"locked at {t.locked_at_mm:.1f} mm, but the target length is {t.target_length_mm:.1f} mm; "
            "check locked_at_mm"
        )
    return found


def _zero(engine: EngineSettings) -> list[str]:
    if engine.lag.zero_deg is None:
        return ["the zero of the lag was never taken: the lag is not known until camshaft-set is booked"]
    return []
