"""What comes from ships is checked before anything else sees it: topic, size, schema, range. Pure.

A message passes or is refused with one of a closed list of reasons; a refused one is reported, counted, and never kept
as if it were true. What passes is encoded again from the checked message: nothing of the sender's spelling is stored.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Any

from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json

from gateway.encode.checked import adapter
from gateway.encode.shapes import Message
from gateway.encode.times import utc_of
from gateway.model.fields import Slug

MESSAGE_BYTES_MAX = 8_192
"""The longest trend has about 2 kB; more is no message of ours."""
SEQ_MAX = 2**53
"""Beyond this, JSON readers lose whole numbers; a gateway never gets there."""
FIGURE_MAX = 1e16
"""No figure of an engine is larger; databases refuse what a float can still hold."""
TOPIC_BYTES_MAX = 200
DETAIL_CHARS_MAX = 300


class Reason(StrEnum):
    """Why a message was not taken."""

    TOPIC = "topic"
    SIZE = "size"
    SCHEMA = "schema"
    RANGE = "range"
    RATE = "rate"
    GATEWAY = "gateway-of-another-vessel"
    STORE = "store"


@dataclass(frozen=True, slots=True)
class Address:
    """Whose message it is. `klass`: presence, reading, trend, alarm or event; `engine`: '' for the gateway's own."""

    vessel: str
    engine: str
    klass: str
    tag: str = ""


@dataclass(frozen=True, slots=True)
class Checked:
    """A message that may be kept."""

    topic: str
    address: Address
    message: Any


@dataclass(frozen=True, slots=True)
class NotTaken:
    """A message that may not. `vessel`: '' where even that is not known."""

    topic: str
    vessel: str
    reason: Reason
    detail: str
    payload: bytes


_USUAL = b'{"v":1,'
"""How every gateway of ours begins a message: it need not be read a second time to know that it names its version."""
_ODD = re.compile(rb"[0-9](?:[eE]|[0-9]{16})|\\u0000|NaN|Infinity")
"""Bytes without which no text holds a NUL and no figure is beyond FIGURE_MAX: only where they stand are all fields of a
message looked at, which takes longer than its schema."""
_SLUG: TypeAdapter[str] = TypeAdapter(Slug)
_WORDS = {"unexpected_keyword_argument": "Extra inputs are not permitted"}
"""Where pydantic writes of calling a class, and a sender only knows keys."""


def address_of(topic: str, prefix: str) -> Address | None:
    """Read a topic of the interface, or None. `prefix`: without a slash at its end."""
    if not topic.startswith(prefix + "/") or len(topic.encode()) > TOPIC_BYTES_MAX:
        return None
    parts = topic[len(prefix) + 1 :].split("/")
    if not all(_is_slug(part) for part in parts):
        return None
    match parts:
        case [vessel, "presence"]:
            return Address(vessel, "", "presence")
        case [vessel, "event"]:
            return Address(vessel, "", "event")
        case [vessel, engine, "reading" | "trend" | "event" as klass]:
            return Address(vessel, engine, klass)
        case [vessel, "alarm", tag]:
            return Address(vessel, "", "alarm", tag)
        case [vessel, engine, "alarm", tag]:
            return Address(vessel, engine, "alarm", tag)
    return None


STANDS, RECORD = ("+/presence", "+/alarm/+", "+/+/alarm/+"), ("+/event", "+/+/event", "+/+/trend")
"""Ends of topics: of what stands now, of what has been. No message falls under two, and our own receipts under none."""


def filters(prefix: str, *, readings: bool, tails: Sequence[str] = (*STANDS, *RECORD)) -> tuple[str, ...]:
    """What to subscribe to."""
    return tuple(f"{prefix}/{tail}" for tail in (*tails, *(["+/+/reading"] if readings else [])))


def check(topic: str, payload: bytes, prefix: str) -> Checked | NotTaken:
    """Judge one message. Never raises for anything that a sender can send."""
    address = address_of(topic, prefix)
    if address is None:
        return NotTaken(topic, "", Reason.TOPIC, "not a topic of the interface", payload)

    def refuse(reason: Reason, detail: str) -> NotTaken:
        return NotTaken(topic, address.vessel, reason, detail[:DETAIL_CHARS_MAX], payload)

    if len(payload) > MESSAGE_BYTES_MAX:
        return refuse(Reason.SIZE, f"{len(payload)} bytes, at most {MESSAGE_BYTES_MAX}")
    try:
        message: Message = adapter(address.klass).validate_json(payload, strict=True)
    except ValidationError as e:
        return refuse(Reason.SCHEMA, _faults(e))
    if not payload.startswith(_USUAL) and "v" not in from_json(payload):
        return refuse(Reason.SCHEMA, "v: Field required")
    fault = _fault(address, message, odd=_ODD.search(payload) is not None)
    return refuse(*fault) if fault else Checked(topic, address, message)


def _fault(address: Address, message: Message, *, odd: bool) -> tuple[Reason, str] | None:
    if address.klass == "alarm" and getattr(message, "tag", "") != address.tag:
        return Reason.SCHEMA, "the topic's tag is not the message's"
    kind = getattr(message, "kind", "")
    if (kind == "gateway" and address.engine) or (kind == "adjustment" and not address.engine):
        return Reason.SCHEMA, f"an event of kind {kind} on this topic"
    if getattr(message, "seq", 0) > SEQ_MAX:
        return Reason.RANGE, f"seq above {SEQ_MAX}"
    # An adjustment's figures have names of their own, which may be those of times.
    return _range_fault(message) if odd or kind == "adjustment" else _time_fault(message)


def _time_fault(message: Message) -> tuple[Reason, str] | None:
    """The only faults that are left to a message without odd bytes: in its own times."""
    for key in ("ts", "since"):
        at = getattr(message, key, None)
        if isinstance(at, str) and (why := _no_time(at)):
            return Reason.RANGE, f"{key}: {why}"
    return None


def _range_fault(value: object) -> tuple[Reason, str] | None:
    """Times that are none, figures beyond any engine, characters that no database keeps."""
    if isinstance(value, Message):
        value = vars(value)
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in ("ts", "since") and isinstance(inner, str) and (why := _no_time(inner)):
                return Reason.RANGE, f"{key}: {why}"
            if fault := _range_fault(key) or _range_fault(inner):
                return fault
        return None
    if isinstance(value, tuple | list):
        return next((fault for inner in value if (fault := _range_fault(inner))), None)
    if isinstance(value, str) and "\0" in value:
        return Reason.RANGE, "a text with a NUL character"
    if isinstance(value, int | float) and not abs(value) <= FIGURE_MAX:
        return Reason.RANGE, f"a figure beyond {FIGURE_MAX:g}"
    return None


def _no_time(text: str) -> str:
    try:
        utc_of(text)
    except ValueError as e:
        return str(e)
    return ""


@lru_cache(maxsize=10_000)
def _is_slug(text: str) -> bool:
    try:
        _SLUG.validate_python(text)
    except ValidationError:
        return False
    return True


def _faults(e: ValidationError) -> str:
    first = e.errors(include_url=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"]) or "(whole message)"
    more = f" (and {e.error_count() - 1} more)" if e.error_count() > 1 else ""
    return f"{where}: {_WORDS.get(first['type'], first['msg'])}{more}"
