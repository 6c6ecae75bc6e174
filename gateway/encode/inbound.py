"""Requests and receipts over MQTT, read by the running daemon, in whose memory there is no room for pydantic."""

import json
from typing import Any, TypeVar

from gateway.encode.shapes import DoMessage, Message, ReceivedMessage
from gateway.model.errors import Refused
from gateway.model.plain_data import made

T = TypeVar("T", bound=Message)


def read_request(payload: bytes) -> DoMessage:
    """A request from aboard. Raises Refused with the first fault, such as `by: must be given`."""
    return _read(DoMessage, payload)


def read_receipt(payload: bytes) -> ReceivedMessage:
    """The shore's receipt. Raises Refused."""
    return _read(ReceivedMessage, payload)


def _read(shape: type[T], payload: bytes) -> T:
    return made(shape, _object(payload))


def _object(payload: bytes) -> dict[str, Any]:
    try:
        data = json.loads(payload.decode())
        # Half of a surrogate pair passes the reader and can be written nowhere.
        json.dumps(data, ensure_ascii=False).encode()
    except json.JSONDecodeError as e:
        raise Refused(f"not JSON: {e.msg} at line {e.lineno} column {e.colno}") from None
    except UnicodeError:
        raise Refused("not JSON: not UTF-8") from None
    except (ValueError, RecursionError):
        raise Refused("not JSON: a number is too long, or brackets lie too deep") from None
    if not isinstance(data, dict):
        raise Refused("not an object")
    return data
