"""All sheets by name, and a sheet as plain data or as text."""

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from gateway.model.errors import Refused
from gateway.worksheet import by_hand, pressures, retighten, retime
from gateway.worksheet.sheet import Facts, Sheet, Typed

SHEETS: dict[str, tuple[str, Callable[[Facts, Typed], Sheet]]] = {
    "retighten": (retighten.TITLE, retighten.retighten),
    "retime": (retime.TITLE, retime.retime),
    "compensate": ("Compensate at the fuel pumps", by_hand.compensate),
    "pressures": (pressures.TITLE, pressures.pressures),
    "links": ("Measure links", by_hand.links),
    "hand-play": ("Hand play", by_hand.hand_play),
    "new-chain": ("New chain", by_hand.new_chain),
}
"""In the order in which they are offered."""


def sheet(name: str, facts: Facts, typed: Mapping[str, str], file: str | None = None) -> Sheet:
    """The sheet of that name. Raises Refused where there is none."""
    if name not in SHEETS:
        raise Refused(f"there is no work sheet {name!r}; there are: {', '.join(SHEETS)}")
    if name == pressures.NAME:
        return pressures.pressures(facts, Typed(typed), file)
    return SHEETS[name][1](facts, Typed(typed))


def as_data(made: Sheet) -> dict[str, Any]:
    """A sheet as plain data, fit for JSON; what is read of a figure is its `name`."""
    data = asdict(made)
    data["figures"] = [{("name" if k == "label" else k): v for k, v in f.items()} for f in data["figures"]]
    return data
