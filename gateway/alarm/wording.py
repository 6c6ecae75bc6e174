"""The alarms' words: what each one is called, what to do, and its text of at most 42 characters for sentences.

One row for each alarm of the table, in its order. The long texts with their figures are still written where the alarm
is judged, in `judge.py` and in the gateway's watch over itself.
"""

import math
from dataclasses import dataclass

SHORT_CHARS_MAX = 42
"""Of the text of an ALF sentence (interface, section 4)."""
FIGURE_MAX = 9_999.0


@dataclass(frozen=True, slots=True)
class Words:
    """`title`: on screens and prints. `action`: one sentence, verb first. `short`: for sentences, with the places
    `{value}`, `{size}` (the value without its sign), `{side}` (late or early) and `{limit}`; `digits`: behind the
    point; `plain`: the same without figures, where they are not known."""

    title: str
    action: str
    short: str
    plain: str
    digits: int = 2


WORDS: dict[str, Words] = {
    "lag-near": Words(
        "Camshaft lag near its limit",
        "Plan re-timing of the camshaft and check the maximum pressures.",
        "Cam {size} deg {side}, warning limit {limit}",
        "Cam lag above its warning limit",
    ),
    "lag-limit": Words(
        "Camshaft lag limit exceeded",
        "Check the maximum pressures and re-time the camshaft at the next stop.",
        "Cam {size} deg {side}, limit {limit}",
        "Cam lag above its limit",
    ),
    "lag-step": Words(
        "Camshaft lag stepped",
        "Stop the engine when it is safe and inspect chain, wheels and couplings.",
        "Cam phase step {value} deg, limit {limit}",
        "Cam phase has stepped",
    ),
    "tension-low": Words(
        "Chain slack",
        "Retighten the chain at the next stop.",
        "Chain slack: {value} mm, limit {limit}",
        "Chain slack",
        1,
    ),
    "tension-high": Words(
        "Chain tight",
        "Check the tightener and the last booked free length of its spring.",
        "Chain tight: {value} mm, limit {limit}",
        "Chain tight",
        1,
    ),
    "tightener-moved": Words(
        "Locked tightener moved",
        "Stop the engine when it is safe and inspect the tightener's lock.",
        "Tightener at {value} mm, locked at {limit}",
        "Locked tightener has moved",
    ),
    "tension-step": Words(
        "Chain tension stepped",
        "Stop the engine when it is safe and inspect chain, guides and tightener.",
        "Spring step {value} mm, limit {limit}",
        "Spring length has stepped",
    ),
    "slap-high": Words(
        "Chain slap high",
        "Check the chain's tension and its guides.",
        "Chain slap {value} mm, limit {limit}",
        "Chain slap above its limit",
        1,
    ),
    "elongation-near": Words(
        "Chain elongation near its limit",
        "Measure the chain by hand and order a new one.",
        "Chain {value} % longer, warning at {limit}",
        "Chain elongation above warning limit",
    ),
    "elongation-limit": Words(
        "Chain elongation limit exceeded",
        "Renew the chain.",
        "Chain {value} % longer, limit {limit}",
        "Chain elongation above its limit",
    ),
    "wear-disagree": Words(
        "Lag and tightener do not agree",
        "Look at the causes that the page lists, the most likely first.",
        "Lag and tightener do not agree",
        "Lag and tightener do not agree",
    ),
    "limit-in-sight": Words(
        "A limit expected within the planning horizon",
        "Plan the work that the page's decision names.",
        "Limit may come in {value} h, plan for {limit}",
        "A limit may come within the horizon",
        0,
    ),
    "retighten-due": Words(
        "Retightening due",
        "Retighten the chain at the next stop and book it.",
        "{value} h since retightening, due {limit}",
        "Retightening is due",
        0,
    ),
    "transducer-fault": Words(
        "Tightener sensor fault",
        "Check the transducer, its supply and its cable.",
        "Tightener sensor: no valid length",
        "Tightener sensor: no valid length",
    ),
    "crank-encoder-fault": Words(
        "Crank angle sensor fault",
        "Check the crank's encoder, its coupling and its cable.",
        "Crank sensor: no valid angle",
        "Crank sensor: no valid angle",
    ),
    "cam-encoder-fault": Words(
        "Cam angle sensor fault",
        "Check the camshaft's encoder, its coupling and its cable.",
        "Cam sensor: no valid angle",
        "Cam sensor: no valid angle",
    ),
    "head-silent": Words(
        "No valid data from the sensor head",
        "Check the sensor head's supply and its cable.",
        "No data from sensor head for {value} s",
        "No data from sensor head",
        0,
    ),
    "link-poor": Words(
        "Sensor link poor",
        "Check the cable, its screen and the baud rate.",
        "Link loses {value} % of frames, limit {limit}",
        "Sensor link loses frames",
        1,
    ),
    "clock-doubtful": Words(
        "System clock doubtful",
        "Check the time server of this computer.",
        "System clock not synchronised or stepped",
        "System clock not synchronised or stepped",
    ),
    "delivery-stalled": Words(
        "Events not delivered",
        "Check the link and the broker.",
        "Event waits {value} min, limit {limit}",
        "Events are not delivered",
        0,
    ),
    "storage-fault": Words(
        "Storage fault",
        "Check the disk of this computer and free space on it.",
        "Cannot store: disk full or failed",
        "Cannot store: disk full or failed",
    ),
    "certificate-expiry": Words(
        "Certificate ends soon",
        "Renew the certificate that the text names.",
        "Certificate ends in {value} d, limit {limit}",
        "A certificate ends or cannot be read",
        0,
    ),
    "head-timing": Words(
        "Sensor head's timing or identity wrong",
        "Check the head's name, its clock and its sample interval.",
        "Sensor head: no turn used for {value} min",
        "Sensor head: wrong head or wrong timing",
        0,
    ),
    "trial": Words(
        "Trial alarm",
        "Check that panel, relay, page and shore show it, and do nothing at the engine.",
        "TRIAL ALARM: do nothing at the engine",
        "TRIAL ALARM: do nothing at the engine",
    ),
    "shape-changed": Words(
        "Camshaft load differs from its own past",
        "Compare the pressures of the cylinder that the text names.",
        "Cam load changed by {value} %, limit {limit}",
        "Cam load differs from its own past",
        0,
    ),
}


def short_text(tag: str, value: float | None, limit: float | None) -> str:
    """At most SHORT_CHARS_MAX characters with figure and limit; a figure beyond ±9,999 is shown as that."""
    words = WORDS[tag]
    wanted = {name for name, figure in (("value", value), ("size", value), ("limit", limit)) if figure is None}
    if any(f"{{{name}}}" in words.short for name in wanted):
        return words.plain
    shown = words.short.format(
        value=_figure(value, words.digits),
        size=_figure(None if value is None else abs(value), words.digits),
        side="early" if (value or 0.0) < 0 else "late",
        limit=_figure(limit, words.digits),
    )
    return shown if len(shown) <= SHORT_CHARS_MAX else words.plain


def _figure(value: float | None, digits: int) -> str:
    if value is None or not math.isfinite(value):
        return "?"
    held = max(-FIGURE_MAX, min(FIGURE_MAX, value))
    # Never "-0.00", and no more digits than a large figure has room for.
    return f"{round(held, digits) + 0.0:.{digits if abs(held) < 1_000 else 0}f}"
