"""Print the present trend: wear, when which limit is reached, and the decision."""

import argparse

from pydantic import ValidationError

from gateway.cli.text import note, out
from gateway.encode.checked import parse_trend
from gateway.encode.outlook import outlook
from gateway.encode.shapes import Range, TrendMessage
from gateway.encode.topics import Topics
from gateway.model.errors import Refused
from gateway.model.settings_file import load_settings
from gateway.report.words import DO, LIMITS, number, ranged
from gateway.store.reader import StateReader

CAUTION = (
    "Figures to plan by, not permission to work: "
    "the engine's manual, class and local rules and the permit to work decide."
)


def main(args: argparse.Namespace) -> int:
    """Print what was published last, whether the daemon runs or not. 1 where nothing was published yet."""
    settings = load_settings(args.config)
    topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
    slugs = [e.slug for e in settings.engine]
    if args.engine is not None and args.engine not in slugs:
        raise Refused(f"--engine {args.engine}: not among the engines: {', '.join(slugs)}")
    reader = StateReader(args.data_dir or settings.gateway.data_dir)
    kept = {row.topic: row.payload for row in reader.retained()}
    reader.close()
    shown = 0
    for slug in [args.engine] if args.engine else slugs:
        payload = kept.get(topics.trend(slug))
        if payload is None:
            note(f"{slug}: no trend yet; it comes with the first whole hour of running")
            continue
        shown += 1
        out(payload.decode() if args.json else text_of(slug, _parsed(payload)))
    if shown and not args.json:
        out(CAUTION)
    return 0 if shown else 1


def _parsed(payload: bytes) -> TrendMessage:
    try:
        return parse_trend(payload)
    except ValidationError:
        raise Refused("the stored trend is of another version; wait for the next whole hour of running") from None


def text_of(slug: str, t: TrendMessage) -> str:
    """A trend as text for people."""
    h = t.hours_since
    lines = [
        f"{slug}: trend at {number(t.hours, 1)} running hours, {t.ts[:16].replace('T', ' ')} UTC; "
        "medians, and 5 to 95 % in brackets",
        _row("camshaft", _both(t.lag_deg, 2, "deg late", t.lag_deg_per_1000h, 3, t.why_unknown)),
        _row("chain", _both(t.elongation_percent, 3, "% longer than new", t.elongation_percent_per_1000h, 4)),
        _row("lost motion", "not measured" if t.lost_motion_deg.p50 is None else f"{ranged(t.lost_motion_deg, 2)} deg"),
        _row(
            "since retightening",
            f"{number(h.retightened, 0)} h; since the camshaft was set {number(h.camshaft_set, 0)} h",
        ),
        "  limits, as the trend reaches them; an alarm goes by the present figure and may come before",
    ]
    lines += [_row(f"  {LIMITS[x.limit]}", outlook(x, t)) for x in t.limits]
    if t.noise:
        lines.append(_row("ranges rest on", t.noise))
    agreement = {
        "agree": "lag and tightener agree",
        "part": "lag and tightener do not agree",
        "unknown": "not known",
    }
    lines.append(_row("agreement", agreement[t.agreement]))
    if t.causes:
        lines.append(_row("likely causes", "; ".join(t.causes)))
    lines.append(_row("decision", f"{DO[t.decision.do]}. {t.decision.why}"))
    return "\n".join(lines)


def _both(level: Range, digits: int, unit: str, slope: Range, slope_digits: int, why: str | None = None) -> str:
    """Where it stands and how fast it goes; `why`: the reason where that is not known."""
    if level.p50 is None:
        return why or "not known yet"
    rate = "rate not known yet" if slope.p50 is None else f"{ranged(slope, slope_digits, sign=True)} per 1,000 h"
    return f"{ranged(level, digits)} {unit}, {rate}"


def _row(name: str, text: str) -> str:
    return f"  {name:<34}{text}"
