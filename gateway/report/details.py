"""The pages after the first: of each engine its plots, its forecast, its work before and after, and its alarms."""

from collections.abc import Sequence

from gateway.encode.event_words import KINDS
from gateway.encode.outlook import outlook
from gateway.encode.shapes import TrendMessage
from gateway.report.alarms import AlarmCount
from gateway.report.courses import PLOTS
from gateway.report.facts import EngineFacts, Period, ShipFacts
from gateway.report.hours import Coverage, share
from gateway.report.markup import Markup, tag
from gateway.report.missing import gaps
from gateway.report.plot import drawn
from gateway.report.ranges import bars
from gateway.report.sheets import sheet_parts
from gateway.report.signed import engine_record
from gateway.report.tables import table
from gateway.report.words import (
    AGREEMENT,
    ALARMS,
    DO,
    LIMITS,
    NOT_KNOWN,
    minute,
    number,
    ranged,
    spanned,
    with_unit,
)
from gateway.report.work import Side, Work, booked


def engine_details(e: EngineFacts, s: ShipFacts) -> Markup:
    """One engine's part."""
    name = e.settings.name or e.settings.slug
    plots = [drawn(plot(e, s.period, f"{e.settings.slug}-{what}")) for what, plot in PLOTS]
    return tag(
        "section",
        tag("h2", f"{name}: details"),
        _care(e, s.period),
        tag("h3", "Courses over the period"),
        tag("p", _drawn_from(s), _marks(e)),
        plots,
        tag("h3", "Running hours and coverage"),
        _coverage(e),
        tag("h3", "Forecast and decision"),
        _forecast(e.trend, e.settings.slug),
        tag("h3", "Work, before and after"),
        _work(e.work, "trends" if s.ashore else "readings"),
        _photos(e.work),
        [sheet_parts(w.number, w.sheet) for w in e.work if w.sheet is not None],
        tag("h3", "Alarms of this engine"),
        alarm_table(e.alarms, f"Alarms of {name} that were raised or stood in the period"),
        *engine_record(e, s),
        class_="page",
    )


def _care(e: EngineFacts, p: Period) -> list[Markup]:
    remarks = gaps(e, p)
    if not remarks:
        return []
    return [tag("h3", "Limitations"), tag("ul", [tag("li", x) for x in remarks])]


def _drawn_from(s: ShipFacts) -> str:
    what = "Trends as they were received ashore" if s.ashore else "Ten-minute medians of steady running ahead"
    return f"{what}, thinned to what paper can show. "


def _marks(e: EngineFacts) -> str:
    return "Dotted lines with a number are work; the number is that of the table below." if e.work else ""


def _coverage(e: EngineFacts) -> Markup:
    c = e.coverage
    rows = [
        ("Running hours of the period", spanned(e.run_h, 1, "h"), "", "under way, ahead or astern; no turning gear")
    ]
    good = "both encoders good, and a zero taken", "the transducer's loop good"
    if c.bursts:
        rows += [
            ("Bursts heard, steady ahead", number(c.measured, 0), "", "ten-minute medians, of one burst or more each"),
            _covered("Bursts with a good lag", c, c.lag, e, good[0]),
            _covered("Bursts with a good spring length", c, c.spring, e, good[1]),
        ]
        caption = "Hours, and the share of the bursts heard; between bursts this head does not measure"
        return table(caption, ("Figure", "Hours or bursts", "Share", "What it is"), rows)
    rows += [
        _covered(
            "Steady ahead and measured",
            c,
            c.measured,
            e,
            "gave ten-minute medians; not: manoeuvring, astern",
        ),
        _covered("With good readings of the lag", c, c.lag, e, good[0]),
        _covered("With good readings of the spring", c, c.spring, e, good[1]),
    ]
    return table("Hours, and the share of the running hours", ("Figure", "Hours", "Share", "What it is"), rows)


def _covered(name: str, c: Coverage, part: float | None, e: EngineFacts, means: str) -> tuple[str, str, str, str]:
    amount = number(part, 0) if c.bursts else with_unit(part, 1, "h")
    return name, amount, spanned(share(c, part, e.run_h), 1, "%"), means


# -- forecast ------------------------------------------------------------------------------------------------------


def _forecast(t: TrendMessage | None, slug: str) -> list[Markup]:
    if t is None:
        return [tag("p", "No trend is on record up to the period's end, so neither forecast nor decision.")]
    limits = [(LIMITS[x.limit], x) for x in t.limits]
    levels = [
        ("Camshaft lag, °", ranged(t.lag_deg, 2), ranged(t.lag_deg_per_1000h, 3, sign=True)),
        ("Elongation, %", ranged(t.elongation_percent, 3), ranged(t.elongation_percent_per_1000h, 4, sign=True)),
    ]
    since = t.hours_since
    levels_now = (
        f"As of {t.ts[:16].replace('T', ' ')} UTC at {number(t.hours, 1)} running hours; middle, 5 to 95 % in brackets"
    )
    return [
        tag("p", tag("strong", f"{DO[t.decision.do]}. "), t.decision.why),
        tag(
            "p",
            f"Since retightening {number(since.retightened, 0)} h, since the camshaft was set "
            f"{number(since.camshaft_set, 0)} h. Agreement: {AGREEMENT[t.agreement]}. ",
            f"Likely causes: {'; '.join(t.causes)}." if t.causes else "",
        ),
        table(levels_now, ("Figure", "Where it stands", "Per 1,000 running hours"), levels),
        bars(t, f"{slug}-forecast") or tag("p", "No limit is in the forecast."),
        table(
            "Running hours ahead and date of each limit. The range is what the readings allow. An alarm "
            "goes by the present figure and may come before",
            ("Limit", "Reached"),
            [(name, outlook(x, t)) for name, x in limits],
        ),
        tag("p", f"The ranges rest on: {t.noise}." if t.noise else ""),
    ]


# -- work ----------------------------------------------------------------------------------------------------------


def _work(done: Sequence[Work], read: str) -> Markup:
    if not done:
        return tag("p", "No work was booked in this period.")
    rows = []
    for w in done:
        before, after = booked(w.entry)
        who = f"{minute(w.entry.utc_s)}, {w.entry.hours:,.1f} h, {w.entry.person}"
        what = (str(w.number), " ", KINDS[w.entry.kind], tag("small", who), tag("small", w.entry.note))
        rows.append((what, _lines(before), _lines(after), _side(w.before), _side(w.after)))
    heads = ("Work", "Booked before", "Booked after", f"{read.capitalize()} before", f"{read.capitalize()} after")
    caption = f"Figures as booked, and medians of the {read} over up to 24 running hours on either side"
    return table(caption, heads, rows, "work")


def _photos(done: Sequence[Work]) -> list[Markup]:
    """The photos of notes; of one that does not stand here its name in the gateway's folder."""
    found = []
    for w in done:
        for n, p in enumerate(w.photos, 1):
            words = f"Photo {n} of note {w.number}, {minute(w.entry.utc_s)}: {w.entry.note}"
            if p.data is None:
                found.append(tag("p", f"{words}. Kept aboard as photos/{p.name}; not in this report."))
            else:
                image = tag("img", src=p.data, alt=f"Photo {n} of note {w.number}")
                found.append(tag("figure", image, tag("figcaption", words), class_="photo"))
    return found


def _lines(lines: Sequence[str]) -> list[Markup] | str:
    return [tag("div", x) for x in lines] or "none"


def _side(s: Side) -> list[Markup]:
    return [
        tag("div", f"lag {with_unit(s.lag_deg, 2, '°')}"),
        tag("div", f"spring length {with_unit(s.spring_mm, 1, 'mm')}"),
    ]


# -- alarms --------------------------------------------------------------------------------------------------------


def alarm_table(counts: Sequence[AlarmCount], caption: str) -> Markup:
    """Each alarm that came or stood: how often, when last, how long, and how it stands at the end."""
    if not counts:
        return tag("p", "No alarm was raised or stood in this period.")
    rows = [
        (
            (c.tag, tag("small", ALARMS.get(c.tag, NOT_KNOWN))),
            c.priority.value.replace("-", " "),
            f"{c.raised:,}",
            NOT_KNOWN
            if c.last_s is None and c.raised
            else "before the period"
            if c.last_s is None
            else minute(c.last_s),
            f"{c.active_h:,.1f} h",
            c.state.value.replace("-", " "),
        )
        for c in counts
    ]
    heads = ("Alarm", "Priority", "Raised", "Last raised", "Active time", "At the end")
    return table(caption, heads, rows, "alarms")
