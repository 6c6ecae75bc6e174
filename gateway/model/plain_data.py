"""Plain data, as JSON gives it, made into dataclasses by their fields' types and bounds, without pydantic.

For what the running daemon reads: its own record, requests and receipts. Narrower than pydantic is unless told: a text
is never taken for a number, nor true for one.
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from math import isfinite
from types import UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from gateway.model.errors import Refused
from gateway.model.marks import ByKind, kind_of

T = TypeVar("T")
TABLE_NEEDED = "a table is needed"
NEEDED = {
    float: "a number is needed",
    int: "a whole number is needed",
    str: "a text is needed",
    list: "a list is needed",
}
_HOLDS: dict[str, tuple[Callable[[Any, Any], bool], str]] = {
    "gt": (lambda value, bound: value > bound, "more than {} is needed"),
    "ge": (lambda value, least: value >= least, "at least {} is needed"),
    "le": (lambda value, most: value <= most, "{} at most"),
    "allow_inf_nan": (lambda value, allowed: allowed or isfinite(value), "it must be finite"),
    "pattern": (lambda value, pattern: re.fullmatch(pattern, value) is not None, "it must match {}"),
    "min_length": (lambda value, least: len(value) >= least, "a length of at least {} is needed"),
    "max_length": (lambda value, most: len(value) <= most, "a length of {} at most"),
}
_NUMBER_MAX = 1e300
"""Beyond, a whole number is no float; NaN and infinity are beyond, too."""
_SHOWN_MAX = 40


def made(shape: type[T], data: Mapping[str, object], where: str = "", unknown: str = "is not known here") -> T:
    """A dataclass from a mapping. Raises Refused with the first thing that is wrong, `key: what is wrong`.

    `where`: key of the whole, put before its own keys; `unknown`: what is said of a key that is no field.
    """
    known = {f.name: f for f in fields(shape)}  # type: ignore[arg-type]
    before = f"{where}." if where else ""
    for name in data:
        if name not in known:
            raise Refused(f"{before}{name[:_SHOWN_MAX]}: {unknown}")
    for name, f in known.items():
        if name not in data and f.default is MISSING and f.default_factory is MISSING:
            raise Refused(f"{before}{name}: must be given")
    return shape(**{name: _value(known[name].type, x, before + name, unknown) for name, x in data.items()})


def one_of(shapes: tuple[type[T], ...], data: object, where: str = "", unknown: str = "is not known here") -> T:
    """The one among the dataclasses whose `kind` the data, a mapping, name. Raises Refused."""
    if not isinstance(data, Mapping):
        raise cannot_be(data, where, TABLE_NEEDED)
    by_kind = {kind_of(shape): shape for shape in shapes}
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in by_kind:
        raise Refused(f"kind: give one of {', '.join(by_kind)}")
    return made(by_kind[kind], data, where, unknown)


def _value(hint: Any, x: object, where: str, unknown: str) -> object:
    """`x` as a field of this type has it. Raises Refused where it does not fit."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        return None if x is None else _value(parts[0], x, where, unknown)
    if origin is Annotated and isinstance(parts[1], ByKind):
        return one_of(get_args(parts[0]), x, where, unknown)
    if origin is Annotated:
        return _bounded(parts[1].keys, _value(parts[0], x, where, unknown), where)
    if origin is list and isinstance(x, list):
        return [_value(parts[0], each, f"{where}.{n}", unknown) for n, each in enumerate(x)]
    if is_dataclass(hint):
        shape: Any = hint
        if isinstance(x, Mapping):
            return made(shape, x, where, unknown)
        raise cannot_be(x, where, TABLE_NEEDED)
    if hint is float and isinstance(x, float | int) and not isinstance(x, bool) and abs(x) < _NUMBER_MAX:
        return float(x)
    if type(x) is hint and hint is not float:
        return x
    if origin is Literal and x in parts and not isinstance(x, bool):
        return parts[parts.index(x)]
    one_of_these = f"one of {', '.join(map(str, parts))}"
    raise cannot_be(x, where, one_of_these if origin is Literal else NEEDED.get(origin or hint, ""))


def _bounded(bounds: Mapping[str, Any], value: object, where: str) -> object:
    for name, bound in bounds.items():
        holds, words = _HOLDS[name]
        if not holds(value, bound):
            raise cannot_be(value, where, words.format(bound))
    return value


def cannot_be(x: object, where: str, why: str) -> Refused:
    """The refusal of a value: `key: value cannot be, why`."""
    return Refused(f"{where or 'the whole'}: {repr(x)[:_SHOWN_MAX]} cannot be{', ' if why else ''}{why}")
