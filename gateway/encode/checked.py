"""Messages that come from outside or from the record, validated, and the published schemas."""

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
from gateway.model.learned import Learned
from gateway.model.settings import Settings
from gateway.model.validate import adapter_of

_EVENT: Any = Annotated[Event, Field(discriminator="kind")]
_SHAPES: dict[str, Any] = {
    "presence": PresenceMessage,
    "reading": ReadingMessage,
    "alarm": AlarmMessage,
    "event": _EVENT,
    "trend": TrendMessage,
    "do": DoMessage,
    "done": DoneMessage,
    "received": ReceivedMessage,
    "learned": Learned,
    "settings": Settings,
}
SCHEMAS: tuple[str, ...] = tuple(_SHAPES)
_TAKEN = ("do", "received", "settings")
"""What is read and not written: a key with a default may be left out."""


def adapter(name: str) -> TypeAdapter[Any]:
    """The validator of a message or of the settings, built when first needed. Raises KeyError for another name."""
    return adapter_of(_SHAPES[name])


def dump_checked(name: str, message: Any) -> bytes:
    """The same bytes as `dump` of a message that this module has validated, in a fifth of the time: its figures are
    rounded already."""
    return adapter(name).dump_json(message, by_alias=True)


def parse_event(payload: bytes) -> Event:
    """Read an event back. Raises pydantic's ValidationError for anything else."""
    event: Event = adapter("event").validate_json(payload)
    return event


def parse_trend(payload: bytes) -> TrendMessage:
    """Read a trend back. Raises pydantic's ValidationError for anything else."""
    return adapter_of(TrendMessage).validate_json(payload)


def trend_of(data: object) -> TrendMessage:
    """The same from JSON that is read already."""
    return adapter_of(TrendMessage).validate_python(data)


def schema(name: str) -> dict[str, Any]:
    """JSON Schema (2020-12) of a message or of the settings. Raises KeyError for a name that is not in SCHEMAS.

    A message of a gateway of the interface's first edition passes too: keys added since may be absent.
    """
    mode: Literal["validation", "serialization"] = "validation" if name in _TAKEN else "serialization"
    made = adapter(name).json_schema(by_alias=True, mode=mode)
    if mode == "serialization":
        for shape in (made, *made.get("$defs", {}).values()):
            _free_added(shape)
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": f"urn:camdrift:schema:1:{name}"}
    return head | made


def _free_added(shape: dict[str, Any]) -> None:
    """What has a default and is no constant was added to a shape after it was published."""
    properties = shape.get("properties", {})
    added = {key for key, p in properties.items() if "default" in p and "const" not in p}
    if added:
        shape["required"] = [key for key in shape["required"] if key not in added]
