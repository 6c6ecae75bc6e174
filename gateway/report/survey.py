"""What the survey file has beside the report: commissioning, alarms of priority alarm, software, open limitations."""

from collections.abc import Sequence
from itertools import pairwise

from gateway.report.facts import ShipFacts, Start
from gateway.report.markup import Markup, tag
from gateway.report.missing import gaps, ship_gaps
from gateway.report.signed import ROWS_MAX, raised_table
from gateway.report.tables import table
from gateway.report.words import day, minute

TEXT_LINES_MAX = 400
UNVERIFIED = (
    "This file is written as PDF/A-2b. Its conformity is not verified by camdrift: have it checked before it is "
    "archived as such."
)


def survey_parts(s: ShipFacts) -> list[Markup]:
    """The sections of the survey file."""
    return [
        tag(
            "section",
            tag("h2", "Survey file"),
            tag("p", UNVERIFIED),
            tag("h3", "Alarms of priority alarm"),
            *raised_table(s),
            tag("h3", "Software and settings"),
            _software(s),
            tag("h3", "Open limitations"),
            tag("ul", [tag("li", x) for x in open_points(s)] or [tag("li", "None is known.")]),
            class_="page",
        ),
        tag("section", tag("h2", "Commissioning"), _commissionings(s), class_="page"),
    ]


def versions(starts: Sequence[Start]) -> list[Start]:
    """The starts with another version, or other settings, than the one before."""
    firsts = [None, *starts]
    return [
        b
        for a, b in pairwise(firsts)
        if b is not None and (a is None or (a.version, a.fingerprint) != (b.version, b.fingerprint))
    ]


def _software(s: ShipFacts) -> Markup:
    changed = versions(s.starts)
    if not changed:
        return tag("p", f"This file was made by camdrift {s.version}. No start of the gateway is on record.")
    rows = [(minute(x.utc_s), f"camdrift {x.version}", x.fingerprint or "not recorded") for x in changed[-ROWS_MAX:]]
    caption = f"Each version, and each change of the settings, from its first start; {len(s.starts):,} starts in all"
    return table(caption, ("First start", "Software", "Settings"), rows)


def open_points(s: ShipFacts) -> list[str]:
    """All that is open or not known at the period's end, in sentences."""
    found = [f"{e.settings.name or e.settings.slug}: {x}" for e in s.engines for x in gaps(e, s.period)]
    found += ship_gaps(s)
    found += [
        f"{r.engine or 'Gateway'}: the alarm {r.tag} stands since {minute(r.utc_s)}: {r.text}"
        for r in s.raised
        if r.until_s is None
    ]
    missing = set() if s.ashore else {e.settings.slug for e in s.engines} - {c.engine for c in s.commissionings}
    found += [*s.ashore]
    found += [f"{slug}: no commissioning record is kept." for slug in sorted(missing)]
    found += [f"{c.engine}: commissioning, not complete: {x}." for c in s.commissionings for x in c.open]
    if s.starts and s.starts[0].utc_s > s.period.from_s:
        found.append(f"Versions of the software before {day(s.starts[0].utc_s)} are not on record.")
    return found


def _commissionings(s: ShipFacts) -> list[Markup]:
    if s.ashore:
        return [tag("p", "Commissioning records are kept aboard: make the survey file there to have them in it.")]
    if not s.commissionings:
        return [tag("p", "No commissioning record is kept in the data folder.")]
    parts: list[Markup] = []
    for c in s.commissionings:
        lines = c.text.splitlines()
        parts.append(tag("h3", f"{c.engine}: {c.title}"))
        if lines:
            parts.append(tag("pre", "\n".join(lines[:TEXT_LINES_MAX])))
    return parts
