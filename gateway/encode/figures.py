"""Rounding by field, so that the same input gives the same bytes and no figure claims more than it knows."""

import math
from collections.abc import Mapping
from typing import Annotated

from pydantic import BeforeValidator


def rounded(x: object, digits: int) -> object:
    """A float rounded; NaN and infinities become None, minus nought becomes nought; other things stay as they are."""
    if not isinstance(x, float):
        return x
    return round(x, digits) + 0.0 if math.isfinite(x) else None


def _whole(x: object) -> object:
    if not isinstance(x, float):
        return x
    return round(x) if math.isfinite(x) else None


def _sorted(given: object) -> object:
    if not isinstance(given, Mapping):
        return given
    return {key: rounded(given[key], 4) for key in sorted(given)}


Whole = Annotated[int | None, BeforeValidator(_whole)]
"""Newtons: no decimals."""
Tenths = Annotated[float | None, BeforeValidator(lambda x: rounded(x, 1))]
"""Temperatures, hours far ahead."""
Hundredths = Annotated[float | None, BeforeValidator(lambda x: rounded(x, 2))]
"""Revolutions per minute."""
Thousandths = Annotated[float | None, BeforeValidator(lambda x: rounded(x, 3))]
"""Millimetres, running hours."""
Fine = Annotated[float | None, BeforeValidator(lambda x: rounded(x, 4))]
"""Degrees of lag, per cent of elongation, figures whose unit stands beside them."""
Figures = Annotated[dict[str, float | int | str | None], BeforeValidator(_sorted)]
"""Named figures, keys sorted: the order in which they were given does not show."""
