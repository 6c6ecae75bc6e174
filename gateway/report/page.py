"""The report as one HTML file that needs nothing beside it and runs nothing: the first page, then the details."""

from gateway.encode.times import rfc3339
from gateway.report.details import alarm_table, engine_details, table
from gateway.report.facts import ShipFacts
from gateway.report.markup import Markup, document, style, tag
from gateway.report.missing import ship_gaps
from gateway.report.style import RULES
from gateway.report.summary import first_page
from gateway.report.words import NOTICE, minute
from gateway.worksheet.cautions import stopped_cautions
from gateway.worksheet.retime_steps import coupling_caution

MEANS = (
    ("Camshaft lag, ° of the crank", "How far the camshaft is behind where it stood when it was last set. A worn chain "
     "is longer on the taut side, so the camshaft runs late. Early (−) is not wear."),
    ("Elongation, %", "Growth of the chain over its length when new. Here by the lag alone, through the geometry of "
     "the wheels; in the forecast from all independent estimates together."),
    ("Spring length, mm", "Length of the tightener's spring. As the chain grows, the spring relaxes and grows longer."),
    ("Compression, mm", "Measured free length of the spring less its present length. The engine's manual fixes this "
     "figure; below its band the chain is slack, above it tight."),
    ("Running hours, h", "Hours under way ahead or astern, by the crank's own turns; the turning gear does not count."),
    ("Good readings, %", "Share of the running hours with steady running ahead in which both encoders, or the "
     "transducer, read well. What is not covered was not judged."),
    ("Range, 5 to 95 %", "In nine cases of ten the figure lies inside. An open end means that the readings do not yet "
     "show when, or whether, the limit is reached."),
    ("Alarms", "Raised: announced; a repeated announcement is not counted. Active time: also while the engine "
     "was stopped. Priorities after IEC 62923."),
)  # fmt: skip


def page(s: ShipFacts) -> str:
    """The whole document."""
    title = f"{s.vessel}: camshaft chain drive, {s.period.name}"
    return document(
        "en",
        tag(
            "head",
            tag("meta", charset="utf-8"),
            # A report is opened on any machine, by anybody: it may fetch nothing and run nothing.
            tag("meta", http_equiv="Content-Security-Policy", content="default-src 'none'; style-src 'unsafe-inline'"),
            tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
            tag("meta", name="generator", content=f"camdrift {s.version}"),
            tag("title", title),
            style(RULES),
        ),
        tag("body", _header(s), tag("main", first_page(s), _notice(), _details(s)), _footer(s)),
    )


def _header(s: ShipFacts) -> Markup:
    span = f"{minute(s.period.from_s)} to {minute(s.period.to_s)}"
    return tag(
        "header",
        tag("h1", s.vessel, tag("small", "Camshaft chain drive")),
        tag("p", tag("strong", s.period.name), tag("br"), span),
    )


def _notice() -> Markup:
    return tag("p", NOTICE, class_="notice")


def _details(s: ShipFacts) -> list[Markup]:
    return [*(engine_details(e, s) for e in s.engines), _people(s), _last(s)]


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
        tag("h3", "Alarm load"),
        tag(
            "p",
            "Aim: at most one announcement a day on average, never more than three in ten minutes, none chattering.",
        ),
        facts,
        tag("h3", "The gateway's own alarms"),
        alarm_table(s.alarms, "Alarms of the gateway itself that came or stood in the period"),
        class_="page",
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
        tag("dl", [(tag("dt", name), tag("dd", means)) for name, means in MEANS]),
    )


def _footer(s: ShipFacts) -> Markup:
    return tag(
        "footer",
        f"Made by camdrift {s.version} at {rfc3339(s.made_s)[:16].replace('T', ' ')} UTC from the record aboard.",
    )
