"""What makes the report a document: ship and number, limits, calibration, zero, pressures, acts, signatures."""

from collections.abc import Iterable, Sequence

from gateway.encode.times import rfc3339
from gateway.report.facts import EngineFacts, Raised, ShipFacts
from gateway.report.markup import Child, Markup, tag
from gateway.report.tables import table
from gateway.report.words import ALARMS, NOT_KNOWN, minute, number, with_unit
from gateway.wear.bookings import CamshaftSet, CylinderPressures, Pressures
from gateway.worksheet.like_load import PERCENT, compare

ROWS_MAX = 150
"""Of a table; what is more stands in the record, and in the survey's CSV files."""
PRESSURES_MAX = 40
"""Times that they were taken; ten sets of six cylinders fill some three pages."""
SIGNERS = ("Second engineer", "Chief engineer", "Superintendent")
UNSET = "not set"


def identity(s: ShipFacts) -> Markup:
    """Ship and number of the document."""
    v = s.vessel
    parts = (
        f"Report no. {s.reference()}",
        f"IMO number {v.imo_number or UNSET}",
        f"Class {v.class_society or UNSET}",
        f"Settings {s.fingerprint}",
    )
    return tag("p", [(tag("span", x), " ") for x in parts], class_="identity")


def engine_record(e: EngineFacts, s: ShipFacts) -> list[Markup]:
    """One engine's limits, calibration, zero and pressures."""
    return [
        tag("h3", "Limits and settings"),
        _limits(e, s),
        tag("h3", "Calibration of the sensors"),
        _calibration(e),
        tag("h3", "Zero and pin gauge"),
        *_zero(e),
        tag("h3", "Cylinder pressures before and after"),
        *_pressures(e),
    ]


def _limits(e: EngineFacts, s: ShipFacts) -> Markup:
    x, t = e.settings, e.settings.tightener
    low, high = e.bands[-1][1:] if e.bands else (None, None)
    rows = [
        ("Camshaft lag, late or early", with_unit(x.lag.near_deg, 2, "°"), with_unit(x.lag.limit_deg, 2, "°")),
        ("Step of the lag", "", with_unit(x.lag.step_deg, 2, "°")),
        ("Elongation", with_unit(x.elongation.near_percent, 2, "%"), with_unit(x.elongation.limit_percent, 2, "%")),
        ("Spring length, least and most", "", f"{number(low, 1)} to {with_unit(high, 1, 'mm')}"),
        ("Variation of the spring length per turn", "", with_unit(t.slap_limit_mm, 1, "mm")),
        ("Retightening interval", "", with_unit(x.service.retighten_every_h, 0, "h")),
    ]
    return table(_settings_then(s), ("Figure", "Warning limit", "Limit"), rows)


def _settings_then(s: ShipFacts) -> str:
    then = s.starts[-1].fingerprint if s.starts else ""
    if not then:
        return f"Limits as in the settings {s.fingerprint}; the settings at the period's end are not on record"
    if then == s.fingerprint:
        return f"Limits as in the settings {s.fingerprint}, which were in force at the period's end"
    return f"Limits as in the settings {s.fingerprint}; at the period's end the settings {then} were in force: compare"


def _calibration(e: EngineFacts) -> Markup:
    x = e.settings.transducer
    points = x.table or [(4.0, x.at_4ma_mm), (20.0, x.at_20ma_mm)]
    rows: list[tuple[Child, ...]] = [(f"{ma:g} mA", with_unit(mm, 2, "mm")) for ma, mm in points]
    caption = "Transducer of the tightener: current and length, as in the settings"
    return table(caption, ("Current", "Length"), rows)


def _zero(e: EngineFacts) -> list[Markup]:
    d = e.datum
    if d.zero_deg is None:
        return [tag("p", "The zero was never taken.")]
    stood = f"Zero in force at the period's end: {with_unit(d.zero_deg, 3, '°')} (crank less cam as the encoders read)."
    rows = [
        (
            f"{minute(x.utc_s)}, {x.hours:,.1f} h",
            with_unit(x.raw_deg, 3, "°"),
            with_unit(x.gauge_mm, 2, "mm", sign=True),
            with_unit(x.lag_before_deg, 2, "°"),
            with_unit(x.lost_motion_deg, 2, "°"),
            x.person,
        )
        for x in e.log
        if isinstance(x, CamshaftSet)
    ][-ROWS_MAX:]
    if not rows:
        return [tag("p", stood, " It is that of the settings; no setting of the camshaft was booked.")]
    heads = ("When", "Encoders", "Pin gauge, late is +", "Lag before", "Lost motion", "By")
    return [tag("p", stood), table("Settings of the camshaft, all that were booked", heads, rows)]


# -- pressures -----------------------------------------------------------------------------------------------------


def _pressures(e: EngineFacts) -> list[Markup]:
    """Each time that they were taken; what was taken before work beside what was taken next, after it."""
    taken = [w.entry for w in e.work if isinstance(w.entry, Pressures)][-PRESSURES_MAX:]
    if not taken:
        return [tag("p", "No pressures were booked in this period.")]
    made, n = [], 0
    while n < len(taken):
        a, b = taken[n], taken[n + 1] if n + 1 < len(taken) else None
        if b is not None and (a.taken, b.taken) == ("before", "after"):
            made.append(_pressure_table(f"{_taken(a)}; {_taken(b)}; bar. {_alike(a, b)}", a, b))
            n += 2
        else:
            made.append(_pressure_table(f"{_taken(a)}; bar", *((a, None) if a.taken == "before" else (None, a))))
            n += 1
    return made


def _pressure_table(caption: str, a: Pressures | None, b: Pressures | None) -> Markup:
    """A side on which none were taken stays empty; compression pressures only where some were taken."""
    first, second = ({} if x is None else {c.cylinder: c for c in x.cylinders} for x in (a, b))
    compressed = any(c.compression_bar is not None for c in (*first.values(), *second.values()))
    rows = []
    for n in sorted(first.keys() | second.keys()):
        (max_a, mean_a, low_a), (max_b, mean_b, low_b) = _bars(first.get(n)), _bars(second.get(n))
        change = ""
        if n in first and n in second:
            change = number(second[n].max_bar - first[n].max_bar, 1, sign=True)
        row = (f"Cylinder {n}", max_a, max_b, change, mean_a, mean_b)
        rows.append((*row, low_a, low_b) if compressed else row)
    heads = ("Cylinder", "Maximum before", "after", "Change", "Mean indicated before", "after")
    return table(caption, (*heads, "Compression before", "after") if compressed else heads, rows)


def _bars(c: CylinderPressures | None) -> tuple[str, str, str]:
    if c is None:
        return "", "", ""
    low = "" if c.compression_bar is None else number(c.compression_bar, 1)
    return number(c.max_bar, 1), number(c.mean_indicated_bar, 2), low


def _taken(p: Pressures) -> str:
    load = "not booked" if p.load is None else f"{p.load * PERCENT:.0f} %"
    scavenge = "" if p.scavenge_bar is None else f", scavenge {with_unit(p.scavenge_bar, 2, 'bar')}"
    return f"{p.taken.capitalize()} {minute(p.utc_s)}, {with_unit(p.rpm, 1, 'rpm')}, load {load}{scavenge}"


def _alike(a: Pressures, b: Pressures) -> str:
    found = compare(a, b)
    return " ".join((*found.unlike, *found.unknown)) or "Load, speed and scavenge pressure were alike."


# -- people --------------------------------------------------------------------------------------------------------


def people_acts(s: ShipFacts) -> list[Markup]:
    """Who did what to which alarm."""
    if not s.acts:
        return [tag("p", "No person did anything to an alarm in this period.")]
    rows = [(minute(a.utc_s), _alarm(a.engine, a.tag), a.act, a.by, a.text) for a in s.acts[-ROWS_MAX:]]
    made = table(
        "Alarms acknowledged, shelved or taken out of service", ("When", "Alarm", "Act", "By", "Text"), rows, "acts"
    )
    return [made, *_more(len(s.acts))]


def raised_table(s: ShipFacts) -> list[Markup]:
    """The announcements of priority alarm and above."""
    if not s.raised:
        return [tag("p", "No alarm of priority alarm was raised in this period.")]
    rows = [(minute(r.utc_s), _alarm(r.engine, r.tag), _until(r), r.text) for r in s.raised[-ROWS_MAX:]]
    made = table(
        "Announcements of priority alarm and above in the period", ("Raised", "Alarm", "Cleared", "Text"), rows, "acts"
    )
    return [made, *_more(len(s.raised))]


def _until(r: Raised) -> str:
    return "stands" if r.until_s is None else minute(r.until_s)


def _alarm(engine: str | None, name: str) -> list[Child]:
    return [name, tag("small", f"{engine or 'gateway'}: {ALARMS.get(name, NOT_KNOWN)}")]


def _more(count: int) -> Iterable[Markup]:
    if count > ROWS_MAX:
        yield tag("p", f"{count - ROWS_MAX:,} earlier ones are not shown here; the record holds them.", class_="after")


# -- signatures ----------------------------------------------------------------------------------------------------


def signatures(s: ShipFacts) -> Markup:
    """Lines to sign, kept together."""
    signers: Sequence[str] = (*SIGNERS, "Class surveyor") if s.survey else SIGNERS
    rows = [(who, "", "", "") for who in signers]
    return tag(
        "div",
        tag("h2", "Signatures"),
        tag("p", f"Report no. {s.reference()}, made at {rfc3339(s.made_s)[:16].replace('T', ' ')} UTC."),
        table("Names in block letters", ("Role", "Name", "Date and place", "Signature"), rows, "sign"),
        class_="together",
    )
