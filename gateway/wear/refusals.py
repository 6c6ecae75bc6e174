"""Why a booking is refused: each reason names what is wrong and what would be right."""

from gateway.wear import bookings as b
from gateway.wear import geometry
from gateway.wear.datum import Datum, gauge_lag_deg

CLOCK_SLACK_S = 60.0
"""A typed time and the gateway's clock may differ by a minute."""

HOURS_SLACK_H = 1.0
"""Running hours read off another counter may differ by so much."""

FREE_LENGTH_SLACK_MM = 1.0
"""Two measurements of one free spring by rule may differ by so much; more would be a spring that grew."""

RAW_DEG_MAX = 1_440.0
GAUGE_MM_MAX = 50.0
LOST_MOTION_LEAST_DEG, LOST_MOTION_MOST_DEG = -1.0, 30.0
PUMP_DEG_MAX = 10.0
PLAY_LINKS_MAX = 5.0
DRAUGHT_M_MIN, DRAUGHT_M_MAX = 0.5, 40.0
MAX_BAR = 400.0
MEAN_BAR = 60.0
SCAVENGE_BAR = 10.0
RPM_MAX = 1_500.0
GROWTH_PERCENT_LOW, GROWTH_PERCENT_HIGH = -0.5, 5.0
RATE_SHARE = 3.0
"""Bounds far outside of what any engine shows: they catch a slipped decimal point, not an odd engine."""


def check(entry: b.Entry, datum: Datum, now_utc: float, now_hours: float | None) -> list[str]:
    """Reasons to refuse a new booking; none: it may stand. `now_utc`: seconds since 1970; hours `None`: not known."""
    found = []
    if not entry.person.strip():
        found.append("no person; give who did the work")
    if entry.id in datum.known:
        found.append(f"the id {entry.id} was booked before; take a new one")
    if entry.utc_s > now_utc + CLOCK_SLACK_S:
        found.append("its date is in the future; give when the work was done")
    if now_hours is not None and entry.hours > now_hours + HOURS_SLACK_H:
        found.append(f"{entry.hours:,.1f} running hours are beyond the present {now_hours:,.1f} h")
    if not isinstance(entry, b.Correction):
        return found + _order(entry, datum) + refusals(entry, datum)
    return found + _correction(entry, datum, now_utc, now_hours)


def _correction(e: b.Correction, datum: Datum, now_utc: float, now_hours: float | None) -> list[str]:
    if e.replaces not in datum.known:
        return [f"there is no booking {e.replaces} to correct"]
    if e.entry is None:
        return []
    kind = datum.known[e.replaces]
    found = (
        [] if e.entry.kind == kind else [f"booking {e.replaces} is {kind}; strike it out and book {e.entry.kind} again"]
    )
    if e.entry.id in datum.known and e.entry.id != e.replaces:
        found.append(f"the id {e.entry.id} belongs to another booking")
    if not e.entry.person.strip():
        found.append("no person; give who did the work")
    if e.entry.utc_s > now_utc + CLOCK_SLACK_S:
        found.append("the corrected date is in the future; give when the work was done")
    if now_hours is not None and e.entry.hours > now_hours + HOURS_SLACK_H:
        found.append(f"{e.entry.hours:,.1f} running hours are beyond the present {now_hours:,.1f} h")
    return found + refusals(e.entry, datum, correcting=True)


def _order(e: b.Entry, datum: Datum) -> list[str]:
    found = []
    # A loading condition or a remark of the past changes nothing that was booked after it.
    last = None if isinstance(e, b.Loading | b.Note) else datum.last_h.get(e.kind)
    if last is not None and e.hours < last:
        found.append(
            f"{e.hours:,.1f} running hours are before the last {e.kind} at {last:,.1f} h; correct that one instead"
        )
    for utc_s, hours in datum.marks:
        if (e.utc_s - utc_s) * (e.hours - hours) < 0 and abs(e.hours - hours) > HOURS_SLACK_H:
            found.append(
                f"running hours would run backwards against the booking at {hours:,.1f} h; check date and hours"
            )
            break
    return found


def refusals(entry: b.Entry, datum: Datum, correcting: bool = False) -> list[str]:
    """Figures that cannot be, against the settings and (unless `correcting`) against the bookings before."""
    if entry.hours < 0:
        return [f"{entry.hours:,.1f} running hours; give 0 or more"]
    match entry:
        case b.Retightened():
            return _start_of(entry, datum.engine.service.retightened_at_h) + _retightened(entry, datum, correcting)
        case b.CamshaftSet():
            return _start_of(entry, datum.engine.service.camshaft_set_at_h) + _camshaft_set(entry, datum)
        case b.PumpsCompensated():
            pumps = [*entry.before_deg, *entry.after_deg]
            return _between("advance at a pump", "°", max(pumps, key=abs), -PUMP_DEG_MAX, PUMP_DEG_MAX)
        case b.ChainRenewed() | b.LinksRenewed():
            return _chain(entry, datum)
        case b.SpringRenewed():
            return _spring(entry, datum)
        case b.LinksMeasured():
            return _length(entry.links, entry.length_mm, datum)
        case b.HandPlay():
            return _play(entry, datum)
        case b.Pressures():
            return _pressures(entry)
        case b.Loading():
            return _loading(entry)
        case b.Note():
            return [] if entry.note.strip() else ["the note is empty; give its text with note"]
        case b.Correction():
            return []


def _between(what: str, unit: str, value: float | None, low: float, high: float) -> list[str]:
    if value is None or low <= value <= high:
        return []
    return [f"{what} {value:g} {unit} cannot be; give {low:g} to {high:g} {unit}"]


def _start_of(e: b.Entry, settings_h: float) -> list[str]:
    if e.hours >= settings_h:
        return []
    return [f"{e.hours:,.1f} running hours are before the settings' last one at {settings_h:,.1f} h"]


def _retightened(e: b.Retightened, d: Datum, correcting: bool) -> list[str]:
    free, new = e.free_length_mm, d.free_length_new_mm
    found = _between("elongation", "%", e.elongation_percent, GROWTH_PERCENT_LOW, GROWTH_PERCENT_HIGH)
    found += _between("uncertainty of the elongation", "%", e.elongation_se_percent, 0, GROWTH_PERCENT_HIGH)
    found += _lost_motion(e)
    if free > new:
        found.append(f"free length {free:.1f} mm is longer than new ({new:.1f} mm); a spring does not grow")
    elif not correcting and free > d.free_length_mm + FREE_LENGTH_SLACK_MM:
        found.append(
            f"free length {free:.1f} mm is longer than last measured ({d.free_length_mm:.1f} mm); "
            "a spring does not grow: measure again, or book spring-renewed"
        )
    required = d.engine.tightener.required_compression_mm
    found += _between("free length", "mm", min(free, new), max(required, new - 2 * required), new)
    for name, length in (("before", e.spring_before_mm), ("after", e.spring_after_mm)):
        found += _between(f"spring length {name}", "mm", length, max(free, 0.0) * 0.3, max(free, 0.0))
    return found


def _camshaft_set(e: b.CamshaftSet, d: Datum) -> list[str]:
    found = _between("raw crank − cam", "°", e.raw_deg, -RAW_DEG_MAX, RAW_DEG_MAX)
    found += _between("pin gauge", "mm", e.gauge_mm, -GAUGE_MM_MAX, GAUGE_MM_MAX)
    found += _between("elongation", "%", e.elongation_percent, GROWTH_PERCENT_LOW, GROWTH_PERCENT_HIGH)
    found += _between("uncertainty of the elongation", "%", e.elongation_se_percent, 0, GROWTH_PERCENT_HIGH)
    found += _lost_motion(e)
    if gauge_lag_deg(d.engine, e.gauge_mm) is None:
        found.append(
            "a reading of the pin gauge needs its radius; set lag.pin_gauge_radius_mm, or book it when it fits"
        )
    return found


def _lost_motion(e: b.Retightened | b.CamshaftSet) -> list[str]:
    return _between("lost motion", "°", e.lost_motion_deg, LOST_MOTION_LEAST_DEG, LOST_MOTION_MOST_DEG)


def _chain(e: b.ChainRenewed | b.LinksRenewed, d: Datum) -> list[str]:
    found = _between("spring length after", "mm", e.spring_after_mm, d.free_length_mm * 0.3, d.free_length_mm)
    found += _between("lag after", "°", e.lag_after_deg, -RAW_DEG_MAX, RAW_DEG_MAX)
    if isinstance(e, b.LinksRenewed):
        found += _between("renewed links", "", e.renewed, 1, _loop_links(d))
    if (e.links is None) != (e.length_mm is None):
        return [*found, "links and their length go together; give both or neither"]
    if e.links is None or e.length_mm is None:
        return found
    return found + _length(e.links, e.length_mm, d)


def can_be_growth(percent: float) -> bool:
    """Can a chain be so much longer than new?"""
    return GROWTH_PERCENT_LOW <= percent <= GROWTH_PERCENT_HIGH


def _loop_links(d: Datum) -> int:
    return geometry.stages(d.engine)[d.engine.chain.tightener_stage - 1].loop_links


def _length(links: int, length_mm: float, d: Datum) -> list[str]:
    found = _between("count of links", "", links, 1, _loop_links(d))
    if found:
        return found
    new_mm = links * geometry.stages(d.engine)[d.engine.chain.tightener_stage - 1].pitch_mm
    percent = (length_mm / new_mm - 1) * 100
    if can_be_growth(percent):
        return []
    return [
        f"{length_mm:.1f} mm over {links} links would be {percent:.1f} % of growth (new: {new_mm:.1f} mm); count again"
    ]


def _spring(e: b.SpringRenewed, d: Datum) -> list[str]:
    new = d.engine.tightener.free_length_new_mm
    found = _between("free length", "mm", e.free_length_mm, 0.5 * new, 1.5 * new)
    found += _between("spring length after", "mm", e.spring_after_mm, 0.3 * e.free_length_mm, e.free_length_mm)
    rate = d.engine.tightener.rate
    return found + _between("spring rate", "N/mm", e.rate_n_per_mm, rate / RATE_SHARE, rate * RATE_SHARE)


def _play(e: b.HandPlay, d: Datum) -> list[str]:
    if e.play_links is None and e.play_mm is None:
        return ["no play; give play_links or play_mm"]
    pitch = geometry.stages(d.engine)[d.engine.chain.tightener_stage - 1].pitch_mm
    found = _between("play", "links", e.play_links, 0, PLAY_LINKS_MAX)
    return found + _between("play", "mm", e.play_mm, 0, PLAY_LINKS_MAX * pitch)


def _loading(e: b.Loading) -> list[str]:
    if e.condition is None and e.draught_m is None:
        return ["no loading; give condition (laden or ballast) or draught_m"]
    return _between("mean draught", "m", e.draught_m, DRAUGHT_M_MIN, DRAUGHT_M_MAX)


def _pressures(e: b.Pressures) -> list[str]:
    found = _between("rpm", "rpm", e.rpm, 0, RPM_MAX) + _between("load", "", e.load, 0, 1.2)
    found += _between("scavenge pressure", "bar", e.scavenge_bar, 0, SCAVENGE_BAR)
    numbers = [c.cylinder for c in e.cylinders]
    if len(set(numbers)) < len(numbers):
        found.append("a cylinder is given twice")
    for c in e.cylinders:
        found += _between(f"cylinder {c.cylinder}: maximum pressure", "bar", c.max_bar, 1, MAX_BAR)
        found += _between(f"cylinder {c.cylinder}: mean indicated pressure", "bar", c.mean_indicated_bar, 0, MEAN_BAR)
        if c.mean_indicated_bar is not None and c.mean_indicated_bar >= c.max_bar:
            found.append(f"cylinder {c.cylinder}: mean indicated pressure is not below its maximum; are they swapped")
        found += _between(f"cylinder {c.cylinder}: compression pressure", "bar", c.compression_bar, 1, MAX_BAR)
        if c.compression_bar is not None and c.max_bar < c.compression_bar <= MAX_BAR:
            found.append(f"cylinder {c.cylinder}: compression pressure is above its maximum; are they swapped")
    return found
