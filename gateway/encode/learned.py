"""Learned figures as an event of the gateway: `what` is `learned`, and the text is for people up to `DATA`.

An event, since every keeper takes it, old ones too, and asks for it again until it has it; another topic would be
refused by the access list of a shore that was set up before. What follows `DATA` is JSON, squeezed (zlib), in Base64.
"""

import base64
import binascii
import zlib
from collections.abc import Iterable
from typing import Any

from pydantic import ValidationError

from gateway.encode.checked import adapter
from gateway.encode.event_words import DATA
from gateway.encode.plain import plain
from gateway.encode.shapes import GatewayBody
from gateway.encode.times import rfc3339
from gateway.model.errors import Refused
from gateway.model.learned import Learned

WHAT = "learned"
TEXT_CHARS_MAX = 6_000
"""A keeper takes messages of 8,192 bytes."""
JSON_BYTES_MAX = 65_536
"""Eight times the largest that is sent."""


def learned_text(message: Learned) -> str:
    """The event's text."""
    packed = zlib.compress(adapter(WHAT).dump_json(message), 9)
    data = base64.b64encode(packed).decode()
    return f"{message.engine}: learned figures up to {message.hours:,.0f} h, kept ashore for a spare box{DATA}{data}"


def learned_event_body(message: Learned, version: str) -> dict[str, Any]:
    """Everything of the event but `v`, `gateway` and `seq`."""
    text = learned_text(message)
    return plain(GatewayBody(ts=rfc3339(message.utc_s), hours=None, what=WHAT, version=version, text=text))


def learned_in(text: str) -> Learned:
    """Read the data back. Raises Refused for any text that holds none, or holds what cannot be."""
    _, _, data = text.partition(DATA)
    if not data or len(text) > TEXT_CHARS_MAX:
        raise Refused("it holds no learned figures")
    try:
        squeezed = zlib.decompressobj()
        data_json = squeezed.decompress(base64.b64decode(data, validate=True), JSON_BYTES_MAX)
        if not squeezed.eof:
            raise Refused("its data is cut off, or too long")
        message: Learned = adapter(WHAT).validate_json(data_json)
    except (binascii.Error, zlib.error):
        raise Refused("its data is damaged") from None
    except ValidationError as e:
        first = e.errors(include_url=False, include_input=False)[0]
        key = ".".join(map(str, first["loc"])) or "the whole"
        raise Refused(f"{key} is not as this release knows it; it may be of a newer one") from None
    return message


def learned_texts(texts: Iterable[object]) -> tuple[list[Learned], int]:
    """Those of an engine that can be read, in their order, and how many cannot."""
    found, unread = [], 0
    for text in texts:
        try:
            found.append(learned_in(str(text)))
        except Refused:
            unread += 1
    return found, unread
