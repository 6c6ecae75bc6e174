"""All sheets by name, and a sheet as plain data or as text."""

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from gateway.model.errors import Refused
from gateway.worksheet import by_hand, compensate, new_chain, pressures, retighten, retime
from gateway.worksheet.sheet import Facts, Sheet, Typed
from gateway.worksheet.titles import TITLES

_MAKERS: dict[str, Callable[[Facts, Typed], Sheet]] = {
    "retighten": retighten.retighten,
    "retime": retime.retime,
    "compensate": compensate.compensate,
    "pressures": pressures.pressures,
    "links": by_hand.links,
    "hand-play": by_hand.hand_play,
    "new-chain": new_chain.new_chain,
}
SHEETS = {name: (title, _MAKERS[name]) for name, title in TITLES.items()}
"""In the order in which they are offered."""


def sheet(name: str, facts: Facts, typed: Mapping[str, str], file: str | None = None) -> Sheet:
    """The sheet of that name. Raises Refused where there is none."""
    if name not in SHEETS:
        raise Refused(f"there is no work sheet {name!r}; there are: {', '.join(SHEETS)}")
    if name == pressures.NAME:
        return pressures.pressures(facts, Typed(typed), file)
    return SHEETS[name][1](facts, Typed(typed))


def as_data(made: Sheet) -> dict[str, Any]:
    """A sheet as plain data, fit for JSON. No figure is shown as −0.00."""
    data = asdict(made)
    data["figures"] = [f | {"value": _no_negative_zero(f)} for f in data["figures"]]
    return data


def _no_negative_zero(f: dict[str, Any]) -> float | str | None:
    value: float | str | None = f["value"]
    return 0.0 if isinstance(value, float) and round(value, f["digits"]) == 0 else value
