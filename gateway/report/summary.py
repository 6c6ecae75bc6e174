"""The first page: of each engine the decision, the figures at both ends of the period, and the course of the lag."""

from gateway.encode.event_words import KINDS
from gateway.encode.outlook import outlook
from gateway.encode.shapes import TrendLimit
from gateway.model.enums import Priority
from gateway.report.alarms import by_priority
from gateway.report.courses import lag_plot
from gateway.report.facts import EngineFacts, Period, ShipFacts
from gateway.report.hours import share
from gateway.report.markup import Markup, tag
from gateway.report.missing import SETS_LAG, SETS_SPRING, gaps, touched
from gateway.report.plot import drawn
from gateway.report.ranges import bars
from gateway.report.words import DO, LIMITS, NOT_KNOWN, day, number, plural, ranged, spanned, with_unit
from gateway.wear.course import band_mm

PLOTS_UP_TO = 1
"""With more engines the first page has room for their figures only."""
ALARMS_ALWAYS = (Priority.ALARM, Priority.WARNING, Priority.CAUTION)
"""Shown also where there were none; emergency alarms are not used by default."""
GAPS_SHOWN = 3


def first_page(s: ShipFacts) -> Markup:
    """The first page's part of the document."""
    one = len(s.engines) == 1
    return tag("section", [_engine(e, s, one) for e in s.engines], class_="first" if one else "first several")


def _engine(e: EngineFacts, s: ShipFacts, one: bool) -> list[Markup | None]:
    plot = drawn(lag_plot(e, s.period, f"first-{e.settings.slug}", 140.0 if one else 112.0))
    return [
        tag("h2", e.settings.name or e.settings.slug, tag("small", _kind(e))),
        _decision(e),
        ends_table(e, ashore=bool(s.ashore)),
        facts_table(e, s),
        plot if len(s.engines) <= PLOTS_UP_TO else None,
        bars(e.trend, f"first-{e.settings.slug}-forecast") if one and e.trend else None,
        _gaps(e, s.period, GAPS_SHOWN if one else 1),
    ]


def _kind(e: EngineFacts) -> str:
    x = e.settings
    kind = f"{'four' if x.ratio == 2 else 'two'}-stroke, tightener {x.tightener.kind}"
    return f"{x.type_text or 'type not set'}; no. {x.number or 'not set'}; {kind}"


def _decision(e: EngineFacts) -> Markup:
    if e.trend is None:
        return tag(
            "div",
            tag("strong", "Decision: not known."),
            " No trend is on record up to the period's end.",
            class_="decision",
        )
    d = e.trend.decision
    at = (
        tag("div", f"As of {e.trend.ts[:16].replace('T', ' ')} UTC, {e.trend.hours:,.0f} running hours.")
        if (e.trend.hours is not None)
        else None
    )
    return tag("div", tag("strong", f"{DO[d.do]}."), " ", d.why, " ", at, class_="decision")


# -- the figures at both ends --------------------------------------------------------------------------------------


def ends_table(e: EngineFacts, *, ashore: bool = False) -> Markup:
    """Lag, elongation, spring and compression over the period's first and last day of running."""
    of = "trends of the first and the last 24" if ashore else "first and the last 24 measured"
    lag, wear, (_, low, high) = e.settings.lag, e.settings.elongation, _band(e)
    rows = [
        _ends(
            ("Camshaft lag", "degrees of the crank, late is +", "°", 2),
            (e.first.lag_deg, e.last.lag_deg),
            f"warning limit {lag.near_deg:g}°, limit {lag.limit_deg:g}°",
            parted=touched(e, SETS_LAG),
        ),
        _ends(
            ("Elongation", "the chain's growth over new, by the lag", "%", 3),
            (e.first_elongation_percent, e.last_elongation_percent),
            f"warning limit {wear.near_percent:g} %, limit {wear.limit_percent:g} %",
            parted=False,
        ),
        _ends(
            ("Spring length", "of the tightener's spring", "mm", 1),
            (e.first.spring_mm, e.last.spring_mm),
            f"{low:.1f} to {high:.1f} mm",
            parted=touched(e, SETS_SPRING),
        ),
    ]
    if e.settings.tightener.kind == "sprung":
        rows.append(_compression(e))
    heads = ("Figure", "First day", "Last day", "Change", "Limit")
    return tag(
        "table",
        tag("caption", f"Medians of the {of} running hours of the period"),
        tag("thead", tag("tr", [tag("th", h, scope="col") for h in heads])),
        tag("tbody", rows),
        class_="ends",
    )


Ends = tuple[float | None, float | None]


def _ends(what: tuple[str, str, str, int], ends: Ends, limit: str, *, parted: bool) -> Markup:
    (name, means, unit, digits), (first, last) = what, ends
    change = None if first is None or last is None else last - first
    shown = "work in between" if parted and change is not None else with_unit(change, digits, unit, sign=True)
    cells = (with_unit(first, digits, unit), with_unit(last, digits, unit), shown, limit)
    return tag("tr", tag("th", name, tag("small", means), scope="row"), [tag("td", c) for c in cells])


def _compression(e: EngineFacts) -> Markup:
    t = e.settings.tightener
    ends = ((e.first_free_mm, e.first.spring_mm), (e.datum.free_length_mm, e.last.spring_mm))
    first, last = (None if spring is None else free - spring for free, spring in ends)
    return _ends(
        ("Compression", "free length less spring length", "mm", 1),
        (first, last),
        f"{t.required_compression_mm - t.band_mm:.1f} to {t.required_compression_mm + t.band_mm:.1f} mm",
        parted=touched(e, SETS_SPRING),
    )


def _band(e: EngineFacts) -> tuple[float, float, float]:
    return band_mm(e.settings, e.datum.free_length_mm, e.datum.locked_at_mm)


# -- the other figures ---------------------------------------------------------------------------------------------


def facts_table(e: EngineFacts, s: ShipFacts) -> Markup:
    """Hours, coverage, the next limit, alarms and work, a line each."""
    rows = (
        ("Running hours", "under way, ahead or astern", _run(e)),
        ("Good readings", "their share, steady ahead and read well", coverage_words(e)),
        ("Next limit", "may come first; 5 to 95 % in brackets", _next(e)),
        ("Lost motion", "lag ahead less lag astern, at the last manoeuvre", _lost_motion(e)),
        ("Alarms raised", "by priority, this engine's", _alarms(e, s)),
        ("Work booked", "numbers as in the plots", _work(e)),
    )
    body = [
        tag("tr", tag("th", name, tag("small", means), scope="row"), tag("td", shown)) for name, means, shown in rows
    ]
    return tag("table", tag("caption", "The period"), tag("tbody", body), class_="facts")


def _run(e: EngineFacts) -> str:
    if e.run_h is None:
        return NOT_KNOWN
    return f"{spanned(e.run_h, 1, 'h')}; counter at the end {spanned(e.counter_h, 0, 'h')}"


def coverage_words(e: EngineFacts) -> str:
    """Lag and spring, in per cent of the running hours, or of the bursts heard."""
    if e.run_h is not None and e.run_h.high < 0.05:
        return "the engine did not run"
    c = e.coverage
    lag, spring = (share(c, part, e.run_h) for part in (c.lag, c.spring))
    of = f" of the {number(c.measured, 0)} bursts heard" if c.bursts and c.measured is not None else ""
    return f"lag {spanned(lag, 1, '%')}, spring {spanned(spring, 1, '%')}{of}"


def _next(e: EngineFacts) -> str:
    def early(limit: TrendLimit) -> float:
        return min((h for h in (limit.hours_to.p05, limit.hours_to.p50) if h is not None), default=float("inf"))

    if e.trend is None or not e.trend.limits:
        return NOT_KNOWN
    first = min(e.trend.limits, key=early)
    return f"{LIMITS[first.limit]}: {outlook(first, e.trend)}"


def _lost_motion(e: EngineFacts) -> str:
    if e.trend is None or e.trend.lost_motion_deg.p50 is None:
        return "not measured"
    means = (
        "slack of the loop; simulated drives only so far"
        if e.settings.tightener.kind == "locked"
        else "of a sprung tightener: torque, not wear"
    )
    return f"{ranged(e.trend.lost_motion_deg, 2)}°; {means}"


def _alarms(e: EngineFacts, s: ShipFacts) -> str:
    if s.alarms_from_s is None:
        return NOT_KNOWN
    counts = by_priority(e.alarms).items()
    raised = ", ".join(plural(n, p.value.replace("-", " ")) for p, n in counts if n or p in ALARMS_ALWAYS)
    since = s.alarms_from_s > s.period.from_s
    return f"{raised}; on record only from {day(s.alarms_from_s)}" if since else raised


def _work(e: EngineFacts) -> str:
    return "; ".join(f"{w.number} {KINDS[w.entry.kind]}, {day(w.entry.utc_s)}" for w in e.work) or "none"


def _gaps(e: EngineFacts, p: Period, most: int) -> Markup | None:
    remarks = gaps(e, p)
    if not remarks:
        return None
    more = f" {plural(len(remarks) - most, 'further remark')} in the details." if len(remarks) > most else ""
    return tag("p", tag("strong", "Limitations: "), " ".join(remarks[:most]), more, class_="gaps")
