"""Messages that come from outside or from the record, checked by pydantic, and the published schemas.

Not for the running daemon, in whose memory there is no room for pydantic: see `gateway.encode.inbound`.
"""

from typing import Annotated, Any, Literal

from pydantic import Field, TypeAdapter

from gateway.encode.shapes import (
    AlarmMessage,
    DoMessage,
    DoneMessage,
    Event,
    PresenceMessage,
    ReadingMessage,
    ReceivedMessage,
    TrendMessage,
)
from gateway.model.settings import Settings

_EVENT: TypeAdapter[Event] = TypeAdapter(Annotated[Event, Field(discriminator="kind")])
_TREND: TypeAdapter[TrendMessage] = TypeAdapter(TrendMessage)
ADAPTERS: dict[str, TypeAdapter[Any]] = {
    "presence": TypeAdapter(PresenceMessage),
    "reading": TypeAdapter(ReadingMessage),
    "alarm": TypeAdapter(AlarmMessage),
    "event": _EVENT,
    "trend": _TREND,
    "do": TypeAdapter(DoMessage),
    "done": TypeAdapter(DoneMessage),
    "received": TypeAdapter(ReceivedMessage),
    "settings": TypeAdapter(Settings),
}
SCHEMAS: tuple[str, ...] = tuple(ADAPTERS)
_TAKEN = ("do", "received", "settings")
"""What is read and not written: a key with a default may be left out."""


def parse_event(payload: bytes) -> Event:
    """Read an event back. Raises pydantic's ValidationError for anything else."""
    return _EVENT.validate_json(payload)


def parse_trend(payload: bytes) -> TrendMessage:
    """Read a trend back. Raises pydantic's ValidationError for anything else."""
    return _TREND.validate_json(payload)


def trend_of(data: object) -> TrendMessage:
    """The same from JSON that is read already."""
    return _TREND.validate_python(data)


def schema(name: str) -> dict[str, Any]:
    """JSON Schema (2020-12) of a message or of the settings. Raises KeyError for a name that is not in SCHEMAS."""
    mode: Literal["validation", "serialization"] = "validation" if name in _TAKEN else "serialization"
    made = ADAPTERS[name].json_schema(by_alias=True, mode=mode)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": f"urn:camdrift:schema:1:{name}"}
    return head | made
