"""The alarms' words: title, action, text of at most 42 characters for sentences, cleared text, four lines of help.

One row for each alarm of the table, in its order. The long texts with their figures are written where the alarm is
judged, in `judge.py` and in the gateway's watch over itself.
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


LIMIT_NAMES = {
    "lag-near": "Camshaft lag warning limit",
    "lag-limit": "Camshaft lag limit",
    "tension-low": "Chain slack",
    "elongation-near": "Chain elongation warning limit",
    "elongation-limit": "Chain elongation limit",
    "retighten-due": "Retightening due",
}
"""The limits of a forecast as nouns: what is expected, not yet there."""


@dataclass(frozen=True, slots=True)
class Help:
    """Four lines for a person in front of the alarm, in sentences."""

    meaning: str
    causes: str
    first: str
    ashore: str


_SECURED = "Before work inside the casing, secure the engine as the manual and the permit to work require."
_LINK_ASHORE = "Call ashore if the sensor stays out of order: the alarms that need it are not judged."

HELP: dict[str, Help] = {
    "lag-near": Help(
        "The camshaft is late or early by more than the warning limit. Late comes from a longer chain. "
        "Early is not wear.",
        "Chain wear since the camshaft was last set. A coupling that slipped. An encoder that moved.",
        "Look at Trends: a slow rise is wear, a step is not. Compare the maximum pressures of all cylinders.",
        "Call ashore to plan re-timing. Call at once if the lag stepped.",
    ),
    "lag-limit": Help(
        "The camshaft is late or early by more than the limit. All timing that the cams give is off by this angle.",
        "Chain wear. A chain that jumped a tooth. A coupling that slipped. An encoder that moved.",
        "Check the maximum pressures and the exhaust temperatures. Check whether the lag rose slowly or stepped.",
        "Call ashore the same day. Call at once if pressures or exhaust temperatures are outside the manual's limits.",
    ),
    "lag-step": Help(
        "The camshaft changed its angle at once, not slowly. Wear cannot do this.",
        "A chain that jumped a tooth. A coupling or a wheel that slipped. An encoder that moved.",
        "Check pressures and sounds at the chain casing. Look at both encoders and their couplings. " + _SECURED,
        "Call ashore at once, unless an encoder is found loose.",
    ),
    "tension-low": Help(
        "The spring is compressed less than its band. The chain is slack.",
        "Chain wear since the last retightening. A tightener nut that backed off. A spring that set or broke.",
        "Check slap and spring length in Trends. Check when the chain was last retightened. " + _SECURED,
        "Call ashore if the chain is slack again within weeks of a retightening, or if the slap rises.",
    ),
    "tension-high": Help(
        "The spring is compressed more than its band. The chain is tight.",
        "Retightening beyond the required compression. A wrong free length in the log book. A transducer that moved.",
        "Compare the last booked free length with the spring's own. Measure the spring's length by hand.",
        "Call ashore if the chain is tight and no work was done at the tightener.",
    ),
    "tightener-moved": Help(
        "The locked tightener left its locked length. A locked tightener must not move.",
        "A loose lock or bolt. A broken part. A transducer that moved.",
        "Check slap and sounds at the chain casing. Compare the transducer with a rule. " + _SECURED,
        "Call ashore at once if a loose or broken part is found.",
    ),
    "tension-step": Help(
        "The spring's length changed at once, not slowly.",
        "A spring that broke. A damaged link or pin. A nut that backed off. A transducer that moved.",
        "Check slap and lag for a step at the same time. Check the transducer and its bracket. " + _SECURED,
        "Call ashore at once, unless the transducer is found loose.",
    ),
    "slap-high": Help(
        "The spring's length varies more within one turn than the limit. The slack strand moves too much.",
        "A slack chain. Worn guides. Torsional vibration at this speed. A spring that set.",
        "Check the compression. Check whether another speed lowers the slap. " + _SECURED,
        "Call ashore if the slap stays high with the compression inside its band.",
    ),
    "elongation-near": Help(
        "The chain is longer than new by more than the warning limit.",
        "Wear of pins and bushings over the running hours. Poor lubrication makes it faster.",
        "Measure the links by hand and book the figures. Check the chain's lubrication.",
        "Call ashore to order a chain or links: delivery takes long.",
    ),
    "elongation-limit": Help(
        "The chain is longer than new by more than the limit. It has to be renewed.",
        "Wear of pins and bushings over the running hours. Poor lubrication makes it faster.",
        "Measure the links by hand and book the figures. Check the wheels' teeth. " + _SECURED,
        "Call ashore the same day to plan the renewal.",
    ),
    "wear-disagree": Help(
        "Lag and tightener give different wear. One of them is not only wear.",
        "The page lists the causes that fit, the most likely first.",
        "Compare the spring's length with a rule. Look for work that was not booked. Measure the links by hand.",
        "Call ashore if no cause is found within a week.",
    ),
    "limit-in-sight": Help(
        "A limit is expected within the planning horizon. Its hours are the earliest (1 in 20) at the present wear.",
        "Normal wear. Faster wear than before.",
        "Look at the forecast in Trends. Compare its rate with the months before.",
        "Call ashore to plan the work that the decision names.",
    ),
    "retighten-due": Help(
        "The hours since the last retightening have reached the interval.",
        "The interval is over. Or the last retightening was not booked.",
        "Check the log book for the last retightening. Plan the work for the next stop.",
        "Call ashore if the work cannot be done within the manual's interval.",
    ),
    "transducer-fault": Help(
        "The tightener's transducer gives no valid length. Slack, tight and slap are not judged.",
        "A broken cable. No supply. A transducer that is stuck or damaged by water.",
        "Measure the loop current at the head. Check plug, cable and bracket from outside the casing.",
        _LINK_ASHORE,
    ),
    "crank-encoder-fault": Help(
        "The crank's encoder gives no valid angle. The lag is not judged.",
        "A loose coupling. A damaged cable. A wrong setting of sense or counts.",
        "Read the text: it names the fault. Check coupling, plug and cable. Keep clear of turning parts.",
        _LINK_ASHORE,
    ),
    "cam-encoder-fault": Help(
        "The camshaft's encoder gives no valid angle. The lag is not judged.",
        "A loose coupling. A damaged cable. A wrong setting of sense or counts.",
        "Read the text: it names the fault. Check coupling, plug and cable. Keep clear of turning parts.",
        _LINK_ASHORE,
    ),
    "head-silent": Help(
        "No valid data come from the sensor head. Nothing of this engine is judged.",
        "No supply at the head. A broken or unplugged cable. A wrong port in the settings.",
        "Check the head's supply and its lamp. Check the cable at both ends. Run `camdrift doctor`.",
        _LINK_ASHORE,
    ),
    "link-poor": Help(
        "More than 1 % of the frames from the sensor head are lost or refused.",
        "A damaged cable. A screen that is not earthed. A wrong baud rate. Interference from a drive.",
        "Check the cable's route and its screen. Compare the baud rates of head and settings.",
        "Call ashore if the loss goes on for days.",
    ),
    "clock-doubtful": Help(
        "The clock of this computer is not synchronised, or it stepped. Times in the record may be wrong.",
        "No connection to the ship's time server. A time server that fails.",
        "Check the ship's time server and the network. Compare the page's UTC with the bridge.",
        "Call ashore if the time stays wrong: dates in the record are then not to be relied on.",
    ),
    "delivery-stalled": Help(
        "Events wait longer than their limit for a broker or for the shore. They are kept aboard.",
        "No link ashore. A broker that is down or refuses. No keeper running ashore.",
        "Read the text: it names the broker. Check the network and the broker's access list.",
        "Call ashore if the link is up and events still wait.",
    ),
    "storage-fault": Help(
        "The disk of this computer does not take what is written, or is nearly full.",
        "A full disk. A worn or failing disk. Wrong permissions.",
        "Read the text: it names the cause. Free space or replace the disk. Keep a copy of the data first.",
        "Call ashore if the disk has to be replaced.",
    ),
    "certificate-expiry": Help(
        "A certificate of a broker's link ends soon, has ended or cannot be read.",
        "Its time is over. A file that was moved or damaged.",
        "Read the text: it names the file and the day.",
        "Call ashore for a new certificate before that day.",
    ),
    "head-timing": Help(
        "The sensor head is not the configured one, or its time stamps do not join. No turn could be used.",
        "Heads that were exchanged. A failing clock in the head. A wrong sample interval.",
        "Read the text: it names the fault. Compare the head's name and serial number with the settings.",
        _LINK_ASHORE,
    ),
    "trial": Help(
        "A person tries the alarm path. Nothing is wrong with the engine.",
        "The command `camdrift try-alarm` or a commissioning.",
        "Check that panel, relay, page, ship and shore show it. It ends by itself after 2 min.",
        "Call ashore if the shore does not know of the trial.",
    ),
    "shape-changed": Help(
        "The load of one cylinder's cam differs from the engine's own reference.",
        "A fuel pump or valve that works differently. Combustion. Torsional vibration. A timing setting.",
        "Compare the pressures of the cylinder that the text names with the others.",
        "Call ashore if pressures and the text name the same cylinder.",
    ),
}


def cleared_text(tag: str, value: float | None, limit: float | None, unit: str) -> str:
    """`Cleared: chain slack (21.4 mm, limit 20.5 mm)`; without figures where they are not known."""
    words = WORDS.get(tag)
    if words is None:
        return "Cleared"
    title = words.title if words.title[1:2].isupper() else words.title[0].lower() + words.title[1:]
    if value is None or limit is None or not math.isfinite(value):
        return f"Cleared: {title}"
    gap = {"deg": "°", "": ""}.get(unit, f" {unit}")
    now, bound = (_rounded(x, words.digits, thousands=",") for x in (value, limit))
    return f"Cleared: {title} ({now}{gap}, limit {bound}{gap})"


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
    return _rounded(max(-FIGURE_MAX, min(FIGURE_MAX, value)), digits)


def _rounded(value: float, digits: int, thousands: str = "") -> str:
    # Never "-0.00", and no more digits than a large figure has room for.
    return f"{round(value, digits) + 0.0:{thousands}.{digits if abs(value) < 1_000 else 0}f}"
