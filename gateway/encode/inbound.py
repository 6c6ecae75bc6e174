"""Requests and receipts over MQTT, validated; a refusal names the key and what is allowed."""

from typing import TypeVar

from pydantic import ValidationError

from gateway.encode.shapes import DoMessage, Message, ReceivedMessage
from gateway.model.errors import Refused
from gateway.model.validate import adapter_of, faults

T = TypeVar("T", bound=Message)


def read_request(payload: bytes) -> DoMessage:
    """A request from aboard. Raises Refused with the first fault, such as `by: must be given`."""
    return _read(DoMessage, payload)


def read_receipt(payload: bytes) -> ReceivedMessage:
    """The shore's receipt. Raises Refused."""
    return _read(ReceivedMessage, payload)


def _read(shape: type[T], payload: bytes) -> T:
    try:
        return adapter_of(shape).validate_json(payload)
    except ValidationError as e:
        raise Refused(faults(e, whole="message")[0]) from None
