"""Requests and receipts over MQTT, read by the running daemon, in whose memory there is no room for pydantic.

The shapes and their bounds are those of `gateway.encode.shapes`, and what is taken and what is refused is what pydantic
takes and refuses in JSON (a test compares the two): a figure may come as text, `true` is 1, of a key that comes twice
the last stands.
"""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from gateway.encode.shapes import DoMessage, Message, ReceivedMessage
from gateway.model.errors import Refused
from gateway.model.marks import Bound

T = TypeVar("T", bound=Message)
WHOLE_MAX = 2.0**63
"""A whole number that is written with a point or an exponent is taken up to here."""
_SPACES = "\t\n\v\f\r \x85\xa0\u1680\u2028\u2029\u202f\u205f\u3000" + "".join(map(chr, range(0x2000, 0x200B)))
"""Unicode's white space; `str.strip` alone takes four control characters more."""
_WHOLE = re.compile(r"([+-]?\d+(?:_\d+)*)(?:\.0+)?", re.ASCII)
_FIGURE = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?|[+-]?(?:inf|infinity|nan)", re.ASCII | re.IGNORECASE)


def read_request(payload: bytes) -> DoMessage:
    """A request from aboard. Raises Refused with the first fault, such as `by: Field required`."""
    return _read(DoMessage, payload)


def read_receipt(payload: bytes) -> ReceivedMessage:
    """The shore's receipt. Raises Refused."""
    return _read(ReceivedMessage, payload)


def _read(shape: type[T], payload: bytes) -> T:
    data = _object(payload)
    given: dict[str, Any] = {}
    hints = get_type_hints(shape, include_extras=True)
    for f in fields(shape):
        if f.name in data:
            try:
                given[f.name] = _value(hints[f.name], data[f.name])
            except ValueError as e:
                raise Refused(f"{f.name}: {e}") from None
        elif f.default is MISSING:
            raise Refused(f"{f.name}: Field required")
    for key in data:
        if key not in hints:
            raise Refused(f"{key}: Extra inputs are not permitted")
    return shape(**given)


def _object(payload: bytes) -> dict[str, Any]:
    try:
        data = json.loads(payload.decode())
        # Half of a surrogate pair passes the reader and can be written nowhere.
        json.dumps(data, ensure_ascii=False).encode()
    except json.JSONDecodeError as e:
        raise Refused(f"Invalid JSON: {e.msg} at line {e.lineno} column {e.colno}") from None
    except UnicodeError:
        raise Refused("Invalid JSON: not UTF-8") from None
    except (ValueError, RecursionError):
        raise Refused("Invalid JSON: a number is too long, or brackets lie too deep") from None
    if not isinstance(data, dict):
        raise Refused("Input should be an object")
    return data


def _value(hint: Any, x: object) -> Any:
    """`x` as its field has it. Raises ValueError with what it should be."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return None if x is None else _value(next(h for h in inner if h is not NoneType), x)
    if origin is Annotated:
        value = _value(inner[0], x)
        for mark in inner[1:]:
            if isinstance(mark, Bound):
                _within(mark.keys, value)
        return value
    if origin is Literal:
        if x not in inner:
            raise ValueError(f"Input should be {_listed(inner)}")
        return inner[inner.index(x)]
    return _READERS[hint](x)


def _text(x: object) -> str:
    if not isinstance(x, str):
        raise ValueError("Input should be a valid string")
    return x


def _whole(x: object) -> int:
    if isinstance(x, str):
        found = _WHOLE.fullmatch(x.strip(_SPACES))
        if found is None:
            raise ValueError("Input should be a valid integer, unable to parse string as an integer")
        return int(found[1])
    if isinstance(x, float):
        if not math.isfinite(x):
            raise ValueError("Input should be a finite number")
        if x % 1:
            raise ValueError("Input should be a valid integer, got a number with a fractional part")
        if abs(x) >= WHOLE_MAX:
            raise ValueError("Unable to parse input string as an integer, exceeded maximum size")
    elif not isinstance(x, int):
        raise ValueError("Input should be a valid integer")
    return int(x)


def _figure(x: object) -> float:
    if isinstance(x, str):
        if not _FIGURE.fullmatch(_bare(x)):
            raise ValueError("Input should be a valid number, unable to parse string as a number")
        return float(_bare(x))
    if not isinstance(x, int | float):
        raise ValueError("Input should be a valid number")
    try:
        return float(x)
    except OverflowError:
        return math.inf


def _bare(text: str) -> str:
    """A figure's text without the spaces around it, or without the underscores between its digits."""
    if "_" not in text:
        return text.strip(_SPACES)
    return text if text.startswith("_") or text.endswith("_") or "__" in text else text.replace("_", "")


_READERS: dict[Any, Callable[[object], Any]] = {str: _text, int: _whole, float: _figure}


def _within(bounds: Mapping[str, Any], x: Any) -> None:
    """Raises ValueError where a bound is not kept."""
    for name, (kept, words) in _BOUNDS.items():
        if name in bounds and not kept(x, bounds[name]):
            raise ValueError(words.format(bounds[name], "" if bounds[name] == 1 else "s"))


_BOUNDS: dict[str, tuple[Callable[[Any, Any], bool], str]] = {
    "min_length": (lambda x, least: len(x) >= least, "String should have at least {} character{}"),
    "max_length": (lambda x, most: len(x) <= most, "String should have at most {} character{}"),
    "pattern": (lambda x, pattern: re.fullmatch(pattern, x) is not None, "String should match pattern '{}'"),
    "allow_inf_nan": (lambda x, allowed: allowed or math.isfinite(x), "Input should be a finite number"),
    "gt": (lambda x, bound: x > bound, "Input should be greater than {:g}"),
    "ge": (lambda x, bound: x >= bound, "Input should be greater than or equal to {:g}"),
    "le": (lambda x, bound: x <= bound, "Input should be less than or equal to {:g}"),
}


def _listed(words: tuple[object, ...]) -> str:
    """`'a', 'b' or 'c'`."""
    told = [repr(word) for word in words]
    return " or ".join([", ".join(told[:-1]), told[-1]]) if len(told) > 1 else told[0]
