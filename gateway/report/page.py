"""The report as one HTML file that needs nothing beside it and runs nothing: the first page, then the details."""

from gateway.encode.times import rfc3339
from gateway.report.details import alarm_table, engine_details
from gateway.report.facts import ShipFacts
from gateway.report.markup import Markup, document, style, tag
from gateway.report.missing import ship_gaps
from gateway.report.signed import identity, people_acts, signatures
from gateway.report.style import RULES, each_page
from gateway.report.summary import first_page
from gateway.report.survey import survey_parts
from gateway.report.tables import table
from gateway.report.words import NOTICE, minute
from gateway.worksheet.cautions import stopped_cautions
from gateway.worksheet.retime_steps import coupling_caution

MEANS = (
    ("Camshaft lag, ° of the crank", "The angle by which the camshaft is later than when it was last set. A worn chain "
     "makes it late. Early (−) is not wear."),
    ("Elongation, %", "Growth of the chain over its length when new. On the first page by the lag alone, in the "
     "forecast by all independent estimates."),
    ("Spring length, compression, mm", "The tightener spring grows longer as the chain grows. Compression is its "
     "measured free length less its present length."),
    ("Good readings, %", "Share of the running hours (of the bursts heard, where the head sends bursts) with good "
     "readings, steady ahead. The rest was not judged."),
    ("Range, 5 to 95 %", "In nine cases of ten the figure lies inside. An open end: the readings do not show yet "
     "whether the limit is reached."),
    ("Alarms", "Raised: announced, repeats not counted. Active time: also while the engine was stopped."),
)  # fmt: skip


def page(s: ShipFacts) -> str:
    """The whole document."""
    what = "camshaft chain drive, survey file" if s.survey else "camshaft chain drive"
    title = f"{s.vessel.name}: {what}, {s.period.name}"
    return document(
        "en",
        tag(
            "head",
            tag("meta", charset="utf-8"),
            # A report is opened on any machine, by anybody: it may fetch nothing and run nothing.
            tag(
                "meta",
                http_equiv="Content-Security-Policy",
                content="default-src 'none'; style-src 'unsafe-inline'; img-src data:",
            ),
            tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
            tag("meta", name="generator", content=f"camdrift {s.version}"),
            tag("title", title),
            tag("meta", name="author", content=f"camdrift {s.version}, {s.vessel.name}"),
            tag("meta", name="keywords", content=s.reference()),
            style(each_page(f"{s.vessel.name}, {s.period.name}", s.reference()) + RULES),
        ),
        tag(
            "body", _header(s), tag("main", identity(s), _ashore(s), first_page(s), _notice(), _details(s)), _footer(s)
        ),
    )


def _header(s: ShipFacts) -> Markup:
    span = f"{minute(s.period.from_s)} to {minute(s.period.to_s)}"
    return tag(
        "header",
        tag("h1", s.vessel.name, tag("small", f"Camshaft chain drive{': survey file' if s.survey else ''}")),
        tag("p", tag("strong", s.period.name), tag("br"), span),
    )


def _ashore(s: ShipFacts) -> Markup | None:
    if not s.ashore:
        return None
    return tag("p", tag("strong", "Made ashore: "), " ".join(s.ashore), class_="gaps")


def _notice() -> Markup:
    return tag("p", NOTICE, class_="notice")


def _details(s: ShipFacts) -> list[Markup]:
    survey = survey_parts(s) if s.survey else []
    return [*(engine_details(e, s) for e in s.engines), _people(s), *survey, _last(s)]


def _people(s: ShipFacts) -> Markup:
    load = [] if s.load is None else s.load.lines()
    facts = (
        table("Announcements to people, from the whole gateway", ("Figure", "In the period"), load)
        if load
        else tag("p", "Not known: no events are on record.")
    )
    return tag(
        "section",
        tag("h2", "Alarms and people"),
        tag("ul", [tag("li", x) for x in ship_gaps(s)]) if ship_gaps(s) else None,
        tag("h3", "What people did to alarms"),
        *people_acts(s),
        tag("h3", "Alarm load"),
        tag(
            "p",
            "Aim: at most one announcement a day on average, never more than three in ten minutes, none chattering.",
        ),
        facts,
        tag("h3", "The gateway's own alarms", class_="" if s.alarms else "tail"),
        alarm_table(s.alarms, "Alarms of the gateway itself that were raised or stood in the period"),
    )


def _last(s: ShipFacts) -> Markup:
    # Of several engines the longest waits, so that none is shown too short.
    engines = [e.settings for e in s.engines]
    cautions = stopped_cautions(max(engines, key=lambda e: e.service.open_after_min))[1:]
    coupling = coupling_caution(max(engines, key=lambda e: e.service.plugs_after_min))
    return tag(
        "section",
        tag("h2", "Cautions"),
        tag("ul", [tag("li", c) for c in (NOTICE, *cautions, coupling)]),
        tag("h2", "What the figures mean"),
        tag("dl", [tag("div", tag("dt", name), tag("dd", means)) for name, means in MEANS]),
        signatures(s),
    )


def _footer(s: ShipFacts) -> Markup:
    at, source = rfc3339(s.made_s)[:16].replace("T", " "), "what is kept ashore" if s.ashore else "the record aboard"
    return tag("footer", f"Made by camdrift {s.version} at {at} UTC from {source}.")
