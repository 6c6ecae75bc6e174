"""Validation by pydantic of what comes from outside, and its faults as lines for people: `key: what is wrong, what is
allowed`. The adapters are built when first needed and kept: to build one takes a hundred times as long as to use it.
"""

from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from difflib import get_close_matches
from types import NoneType
from typing import Any, TypeVar, get_args, get_type_hints

from pydantic import TypeAdapter, ValidationError

from gateway.model.fields import PATTERN_WORDS
from gateway.model.toml_file import KEY_CHARS_MAX, printable, shortened

T = TypeVar("T")
SHOWN_CHARS_MAX = 40
"""Of a value in a reason: it is read in a terminal or a log."""
CORRECT = "remove it or correct its spelling"
TABLE_NEEDED = "a table is needed"
LIST_NEEDED = "a list is needed"
NUMBER_NEEDED = "a number is needed"
WHOLE_NEEDED = "a whole number is needed"
_ALLOWED = {
    "greater_than": "more than {gt} is needed",
    "greater_than_equal": "at least {ge} is needed",
    "less_than": "less than {lt} is allowed",
    "less_than_equal": "at most {le} is allowed",
    "finite_number": "it must be finite",
    "string_too_short": "at least {min_length} characters are needed",
    "string_too_long": "at most {max_length} characters are allowed",
    "too_short": "at least {min_length} items are needed",
    "too_long": "at most {max_length} items are allowed",
    "literal_error": "one of {expected} is needed",
    "enum": "one of {expected} is needed",
    "bool_type": "true or false is needed",
    "float_type": NUMBER_NEEDED,
    "int_type": WHOLE_NEEDED,
    "int_from_float": WHOLE_NEEDED,
    "string_type": "a text is needed",
    "path_type": "a path as text is needed",
    "list_type": LIST_NEEDED,
    "tuple_type": LIST_NEEDED,
    "dict_type": TABLE_NEEDED,
    "dataclass_type": TABLE_NEEDED,
    "model_attributes_type": TABLE_NEEDED,
}


_ADAPTERS: dict[type, TypeAdapter[Any]] = {}


def adapter_of(shape: type[T]) -> TypeAdapter[T]:
    """The validator of a class, the same one each time."""
    if shape not in _ADAPTERS:
        _ADAPTERS[shape] = TypeAdapter(shape)
    return _ADAPTERS[shape]


def faults(e: ValidationError, whole: str, unions: Iterable[str] = (), toml: type | None = None) -> list[str]:
    """One line per fault. `whole`: the name of the whole; `unions`: kinds, which are no part of a key; `toml`: the
    class of a whole file, for the line that opens the table which is needed, and for the nearest right key.
    """
    kinds = frozenset(unions)
    lines = []
    for err in e.errors(include_url=False):
        path = [str(p) for p in err["loc"] if p not in kinds and p != "[key]"]
        if err["type"] in ("union_tag_invalid", "union_tag_not_found"):
            path.append("kind")
        key = printable(shortened(".".join(path), KEY_CHARS_MAX)) or whole
        line = f"{key}: {_wrong(dict(err))}"
        if toml and err["type"] == "unexpected_keyword_argument":
            line = f"{key}: unknown key; {_advice(toml, err['loc'])}"
        lines.append(f"{line}, as in {_heading(err['loc'])}" if toml and line.endswith(TABLE_NEEDED) else line)
    return list(dict.fromkeys(lines))


def _wrong(err: dict[str, Any]) -> str:
    kind, ctx = err["type"], err.get("ctx", {})
    if kind in ("missing", "union_tag_not_found"):
        return "must be given"
    if kind == "unexpected_keyword_argument":
        return f"unknown key; {CORRECT}"
    if kind == "value_error":
        return str(err["msg"]).removeprefix("Value error, ")
    if kind == "union_tag_invalid":
        return f"{shown(ctx['tag'])} is not allowed, one of {ctx['expected_tags']} is needed"
    if kind == "string_pattern_mismatch":
        allowed = PATTERN_WORDS.get(ctx["pattern"]) or f"a text that matches {ctx['pattern']} is needed"
    elif kind in _ALLOWED:
        allowed = _ALLOWED[kind].format_map(ctx)
    else:
        allowed = str(err["msg"])
    return f"{shown(err['input'])} is not allowed, {allowed}"


def _advice(whole: type, loc: tuple[int | str, ...]) -> str:
    """The nearest key that there is in that table, or that there is none."""
    shape: Any = whole
    for step in loc[:-1]:
        if isinstance(step, str) and is_dataclass(shape):
            shape = _inner(get_type_hints(shape).get(step))
    names = [f.name for f in fields(shape)] if is_dataclass(shape) else []
    near = get_close_matches(str(loc[-1]), names, 1)
    return f"do you mean {near[0]}?" if near else CORRECT


def _inner(hint: Any) -> Any:
    """The class of a section in `list[X]`, `dict[str, X]`, `X | None`."""
    inner = [x for x in get_args(hint) if x is not NoneType]
    return _inner(inner[-1]) if inner else hint


def _heading(loc: tuple[int | str, ...]) -> str:
    """The line that opens such a table in the file."""
    name = printable(shortened(".".join(p for p in loc if isinstance(p, str)), KEY_CHARS_MAX))
    return f"[[{name}]]" if loc and isinstance(loc[-1], int) else f"[{name}]"


def shown(value: object) -> str:
    """A value as it stands in a reason, never longer than a line."""
    try:
        return shortened(repr(value), SHOWN_CHARS_MAX)
    except (ValueError, RecursionError):
        return "a number of thousands of digits, or a table too deep"
