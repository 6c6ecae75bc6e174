"""An event of the record in words, for people: one line for what happened, and its details. Pure.

`event` is an event's JSON object as published; what a key lacks is left out, since older gateways knew fewer keys.
"""

from collections.abc import Mapping
from typing import Any

from gateway.alarm.wording import WORDS
from gateway.encode.times import rfc3339, utc_of

KINDS = {
    "retightened": "Chain retightened",
    "camshaft-set": "Camshaft set",
    "pumps-compensated": "Fuel pumps compensated",
    "chain-renewed": "Chain renewed",
    "links-renewed": "Links renewed",
    "spring-renewed": "Tightener spring renewed",
    "links-measured": "Links measured by hand",
    "hand-play": "Play by hand",
    "pressures": "Cylinder pressures taken",
    "loading": "Loading condition",
    "note": "Note",
    "correction": "Record corrected",
}
"""Of the maintenance records, and of the events of adjustments."""
UNITS = {
    "_n_per_mm": " N/mm", "_mm": " mm", "_m": " m", "_deg": "°", "_percent": " %", "_bar": " bar", "_kw": " kW",
    "_rpm": " rpm", "_c": " °C", "_h": " h", "_n": " N",
}  # fmt: skip
"""A figure's key ends in its unit; the longer ends first."""
DATA = "; data "
"""What follows it in the text of the event `learned` is for programs."""
_TO = {
    "acknowledged": "Acknowledged",
    "returned": "Cleared, not yet acknowledged",
    "shelved": "Shelved",
    "suppressed": "Suppressed",
    "out-of-service": "Out of service",
}
_BACK = {"shelved": "Unshelved", "suppressed": "No longer suppressed", "out-of-service": "Back in service"}


def title_of(event: Mapping[str, Any]) -> str:
    """`Alarm: chain slack`, `Cleared: chain slack`, `Chain retightened`, `Gateway started`."""
    if event.get("kind") == "alarm":
        return f"{_moved(event)}: {_low(_name(event))}"
    what = str(event.get("what", ""))
    if event.get("kind") == "adjustment":
        return KINDS.get(what, what.replace("-", " ").capitalize())
    return (
        f"Gateway {what.replace('-', ' ')}" if what in ("started", "stopped") else what.replace("-", " ").capitalize()
    )


def details_of(event: Mapping[str, Any]) -> str:
    """Figures, reason, who, and what to do, in short sentences; may be empty."""
    if event.get("kind") == "alarm":
        parts = [_text(event), _named("Reason", event.get("why")), _named("By", event.get("by")), event.get("action")]
    else:
        before, after = figures_in_words(event.get("before")), figures_in_words(event.get("after"))
        by = _named("By", event.get("by"))
        parts = [_named("Before", before), _named("After", after), by, str(event.get("text") or "").partition(DATA)[0]]
    return " ".join(_ended(str(part)) for part in parts if part)


def figures_in_words(figures: Any) -> str:
    """`spring 182.8 mm, free length 202.9 mm`; empty where there are none."""
    if not isinstance(figures, Mapping):
        return ""
    shown = {key: value for key, value in figures.items() if value is not None and key != "record_id"}
    return ", ".join(_figure(str(key), value) for key, value in shown.items())


def _figure(key: str, value: Any) -> str:
    if key == "photos" and isinstance(value, str):
        count = len(value.split())
        return "1 photo" if count == 1 else f"{count} photos"
    if key.endswith("_utc") and isinstance(value, str):
        return f"{key[:-4].replace('_', ' ')} {_minute(value)}"
    end = next((end for end in UNITS if key.endswith(end)), "")
    values = value if isinstance(value, list | tuple) else [value]
    shown = " ".join(f"{round(v, 2) + 0.0:,g}" if isinstance(v, float) else str(v) for v in values)
    return f"{key.removesuffix(end).replace('_', ' ')} {shown}{UNITS.get(end, '')}"


def _minute(stamp: str) -> str:
    try:
        return rfc3339(utc_of(stamp))[:16].replace("T", " ") + " UTC"
    except ValueError:
        return stamp


def _moved(event: Mapping[str, Any]) -> str:
    came_from, to = str(event.get("from", "")), str(event.get("to", ""))
    if came_from == to:
        return "Still not acknowledged" if to == "unacknowledged" else f"Still {_low(_TO.get(to, to))}"
    if came_from in _BACK and to not in _BACK:
        return _BACK[came_from]
    if to == "unacknowledged":
        return str(event.get("priority", "alarm")).replace("-", " ").capitalize()
    if to == "normal":
        return "Acknowledged after it cleared" if came_from == "returned" else "Cleared"
    return _TO.get(to, to)


def _name(event: Mapping[str, Any]) -> str:
    tag = str(event.get("tag", ""))
    return WORDS[tag].title if tag in WORDS else tag


def _low(text: str) -> str:
    return text[:1].lower() + text[1:]


def _text(event: Mapping[str, Any]) -> str:
    """Of one that cleared only the figures: the title has the rest."""
    text = str(event.get("text") or "")
    if event.get("to") not in ("normal", "returned"):
        return text
    _, bracket, figures = text.partition(" (")
    return figures.removesuffix(")") if bracket and text.startswith("Cleared") else ""


def _named(name: str, text: Any) -> str:
    return f"{name}: {text}" if text else ""


def _ended(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else text + "."
