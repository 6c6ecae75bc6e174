"""A booking read back from what camdrift itself has written: by its fields' types and bounds, without pydantic.

Narrower than the check of what comes from outside: a text is never taken for a number.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from math import isfinite
from types import UnionType
from typing import Annotated, Any, Literal, Union, cast, get_args, get_origin

from gateway.model.errors import Refused
from gateway.model.marks import Bound
from gateway.wear.bookings import KINDS, ByKind, Entry

_HOLDS: dict[str, Callable[[Any, Any], bool]] = {
    "ge": lambda value, least: value >= least,
    "le": lambda value, most: value <= most,
    "allow_inf_nan": lambda value, allowed: allowed or isfinite(value),
    "pattern": lambda value, pattern: re.fullmatch(pattern, value) is not None,
    "min_length": lambda value, least: len(value) >= least,
    "max_length": lambda value, most: len(value) <= most,
}
_NUMBER_MAX = 1e300
"""Beyond, a whole number is no float; NaN and infinity are beyond, too."""
_SHOWN_MAX = 40


def read_entry(data: object) -> Entry:
    """A booking from plain data (a mapping with `kind`). Raises Refused with the first thing that is wrong."""
    return cast(Entry, _by_kind(data, get_args(Entry), ""))


def _by_kind(data: object, among: tuple[type, ...], where: str) -> object:
    if not isinstance(data, Mapping):
        raise _cannot_be(data, where or "a booking")
    kind = data.get("kind")
    cls = KINDS.get(kind) if isinstance(kind, str) else None
    if cls is None or cls not in among:
        raise Refused(f"kind: give one of {', '.join(KINDS)}")
    return _made(cls, data, where)


def _made(cls: type, data: Mapping[str, object], where: str) -> object:
    known = {f.name: f for f in fields(cls)}
    before = f"{where}." if where else ""
    for name in data:
        if name not in known:
            raise Refused(f"{before}{name}: is no figure of this booking")
    for name, f in known.items():
        if name not in data and f.default is MISSING and f.default_factory is MISSING:
            raise Refused(f"{before}{name}: must be given")
    return cls(**{name: _value(known[name].type, x, before + name) for name, x in data.items()})


def _value(hint: Any, x: object, where: str) -> object:
    """`x` as a field of this type has it. Raises Refused where it does not fit."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return None if x is None else _value(parts[0], x, where)
    if origin is Annotated:
        return _by_kind(x, get_args(parts[0]), where) if isinstance(parts[1], ByKind) else _bounded(parts, x, where)
    if origin is list and isinstance(x, list):
        return [_value(parts[0], each, f"{where}.{n}") for n, each in enumerate(x)]
    if is_dataclass(hint) and isinstance(x, Mapping):
        return _made(cast(type, hint), x, where)
    if hint is float and isinstance(x, float | int) and not isinstance(x, bool) and abs(x) < _NUMBER_MAX:
        return float(x)
    if (type(x) is hint and hint is not float) or (origin is Literal and x in parts):
        return x
    raise _cannot_be(x, where)


def _bounded(parts: tuple[Any, Bound], x: object, where: str) -> object:
    found = _value(parts[0], x, where)
    if not all(_HOLDS[key](found, bound) for key, bound in parts[1].keys.items()):
        raise _cannot_be(x, where)
    return found


def _cannot_be(x: object, where: str) -> Refused:
    return Refused(f"{where}: {repr(x)[:_SHOWN_MAX]} cannot be")
