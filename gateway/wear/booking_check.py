"""Checks a new booking that comes from outside: from the local socket, the page, or a command.

Brings in pydantic: the running daemon asks it in an interpreter of its own (`gateway.engine.apart`).
"""

from typing import Annotated, Any

from pydantic import TypeAdapter, ValidationError

from gateway.model.errors import Refused
from gateway.model.marks import ByKind
from gateway.model.plain_data import NEEDED, TABLE_NEEDED, cannot_be
from gateway.wear.bookings import KINDS, Entry

_ENTRY: TypeAdapter[Entry] = TypeAdapter(Annotated[Entry, ByKind()])
_TEXTS = {
    "missing": "must be given",
    "unexpected_keyword_argument": "is no figure of this booking",
}
_CANNOT_BE = {
    "model_attributes_type": TABLE_NEEDED,
    "dataclass_type": TABLE_NEEDED,
    "list_type": NEEDED[list],
    "string_type": NEEDED[str],
    "float_type": NEEDED[float],
    "float_parsing": NEEDED[float],
    "int_type": NEEDED[int],
    "int_parsing": NEEDED[int],
    "int_from_float": NEEDED[int],
}
"""Said as the reader of stored bookings says it."""


def parse_entry(data: object) -> Entry:
    """A booking from plain data (a mapping with `kind`). Raises Refused with one line per mistake."""
    try:
        return _ENTRY.validate_python(data)
    except ValidationError as e:
        raise Refused("\n".join(_fault(dict(err)) for err in e.errors())) from None


def entry_json(entry: Entry) -> str:
    """The booking's text in the store."""
    return _ENTRY.dump_json(entry).decode()


def new_booking(data: object) -> tuple[Entry, str]:
    """A booking from plain data, and its text in the store. Raises Refused with one line per mistake."""
    entry = parse_entry(data)
    return entry, entry_json(entry)


def _fault(err: dict[str, Any]) -> str:
    loc = [str(p) for p in err["loc"] if p not in KINDS]
    if err["type"] in ("union_tag_invalid", "union_tag_not_found"):
        return f"kind: give one of {', '.join(KINDS)}"
    if err["type"] in _CANNOT_BE:
        return str(cannot_be(err["input"], ".".join(loc), _CANNOT_BE[err["type"]]))
    return f"{'.'.join(loc)}: {_TEXTS.get(err['type'], err['msg'])}"
