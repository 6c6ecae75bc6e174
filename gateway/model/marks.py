"""Bounds on fields, written so that plain dataclasses carry them and pydantic, where it is brought in, keeps them.

The running daemon holds settings, messages and bookings as plain dataclasses and never brings pydantic in: that alone
is ten megabytes on a small box. Whatever comes from outside is checked by pydantic against these same dataclasses, in
the commands that end, or in an interpreter of its own (`gateway.engine.apart`).
"""

from collections.abc import Callable
from dataclasses import fields
from typing import Annotated, Any, get_args

STRICT = {"extra": "forbid"}
"""`__pydantic_config__` of every dataclass that is checked: an unknown key is refused."""


class Bound:
    """A bound by the names of pydantic's core schema: gt, ge, lt, le, pattern, min_length, max_length, …"""

    __slots__ = ("keys",)

    def __init__(self, **keys: object) -> None:
        self.keys = keys

    def __get_pydantic_core_schema__(self, source: object, handler: Callable[[object], dict[str, Any]]) -> Any:
        return handler(source) | self.keys


class Checked:
    """A check of one field's value: a fault names the key, where `__post_init__` would name the section."""

    __slots__ = ("check",)

    def __init__(self, check: Callable[[Any], Any]) -> None:
        self.check = check

    def __get_pydantic_core_schema__(self, source: object, handler: Callable[[object], dict[str, Any]]) -> Any:
        return {
            "type": "function-after",
            "function": {"type": "no-info", "function": self.check},
            "schema": handler(source),
        }


class ByKind:
    """Of a union of dataclasses the one whose `kind` the data name."""

    __slots__ = ()

    def __get_pydantic_core_schema__(self, source: object, handler: Any) -> dict[str, Any]:
        choices = {kind_of(shape): handler.generate_schema(shape) for shape in get_args(source)}
        return {"type": "tagged-union", "discriminator": "kind", "choices": choices}


def kind_of(shape: type) -> str:
    """What the field `kind` of a dataclass always is."""
    return str(next(f.default for f in fields(shape) if f.name == "kind"))


class Section:
    """Base of the settings' sections, which are frozen dataclasses: an unknown key is refused."""

    __slots__ = ()
    __pydantic_config__ = STRICT


def told(default: object) -> dict[str, object]:
    """Metadata of a field whose default a factory makes: without it the schema would not tell the default."""
    return {"json_schema_extra": {"default": default}}


Slug = Annotated[str, Bound(pattern=r"^[a-z0-9-]{1,32}$")]
Positive = Annotated[float, Bound(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Bound(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Bound(allow_inf_nan=False)]
