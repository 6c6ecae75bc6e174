"""A booking read back from what camdrift itself has written, without pydantic."""

from typing import get_args

from gateway.model.plain_data import one_of
from gateway.wear.bookings import Entry


def read_entry(data: object) -> Entry:
    """A booking from plain data (a mapping with `kind`). Raises Refused with the first thing that is wrong."""
    entry: Entry = one_of(get_args(Entry), data, unknown="is no figure of this booking")
    return entry
