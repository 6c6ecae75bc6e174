"""Messages as plain JSON values: keys in the order of the fields, figures rounded by the marks in their types.

How a class is converted is worked out once, from its types; nothing is checked here.
"""

import json
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from operator import attrgetter
from types import NoneType, UnionType
from typing import Annotated, Any, Union, cast, get_args, get_origin, get_type_hints

from gateway.encode.figures import Mark
from gateway.encode.shapes import Message, json_key

Convert = Callable[[Any], Any]
_JSON = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def plain(message: Message) -> dict[str, Any]:
    """The message as `json.dumps` takes it."""
    shape: Any = type(message)
    return _encoder(shape)(message)


def compact(value: object) -> bytes:
    """JSON without spaces, in UTF-8. Raises ValueError for what is not finite."""
    return _JSON.encode(value).encode()


@cache
def _encoder(shape: Any) -> Callable[[Message], dict[str, Any]]:
    hints = get_type_hints(shape, include_extras=True)
    plan = tuple((json_key(f.name), f.name, _conversion(hints[f.name])) for f in fields(shape))

    def encoded(message: Message) -> dict[str, Any]:
        held = vars(message)
        return {key: held[name] if to is None else to(held[name]) for key, name, to in plan}

    return encoded


def _conversion(hint: Any) -> Convert | None:
    origin, inner = get_origin(hint), get_args(hint)
    if origin is Annotated:
        mark = next((x for x in hint.__metadata__ if isinstance(x, Mark)), None)
        return mark.rounded if mark else _conversion(inner[0])
    if origin in (Union, UnionType):
        (other,) = (x for x in inner if x is not NoneType)
        return _or_none(_conversion(other))
    if origin is tuple:
        return _each(_conversion(inner[0]))
    if isinstance(hint, type) and issubclass(hint, Enum):
        return attrgetter("value")
    if is_dataclass(hint):
        return _encoder(cast(Any, hint))
    return float if hint is float else None


def _or_none(to: Convert | None) -> Convert | None:
    return None if to is None else lambda x: None if x is None else to(x)


def _each(to: Convert | None) -> Convert:
    return list if to is None else lambda xs: [to(x) for x in xs]
