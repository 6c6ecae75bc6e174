"""Validates a maintenance record, new or read from the store."""

from typing import Annotated

from pydantic import Field, TypeAdapter, ValidationError

from gateway.model.errors import Refused
from gateway.model.validate import faults
from gateway.wear.bookings import KINDS, Entry

_ENTRY: TypeAdapter[Entry] = TypeAdapter(Annotated[Entry, Field(discriminator="kind")])


def read_entry(data: object) -> Entry:
    """A booking from plain data (a mapping with `kind`). Raises Refused with one line per mistake."""
    try:
        return _ENTRY.validate_python(data)
    except ValidationError as e:
        raise Refused("\n".join(faults(e, whole="entry", unions=KINDS))) from None


def entry_json(entry: Entry) -> str:
    """The booking's text in the store."""
    return _ENTRY.dump_json(entry).decode()


def new_booking(data: object) -> tuple[Entry, str]:
    """A booking from plain data, and its text in the store. Raises Refused with one line per mistake."""
    entry = read_entry(data)
    return entry, entry_json(entry)
