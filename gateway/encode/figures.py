"""Rounding by field, so that the same input gives the same bytes and no figure claims more than it knows.

A mark stands in a field's type. The encoder rounds by it what the program itself made; pydantic, where it is brought
in, rounds by it what comes from outside, before it judges the type.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import Annotated, Any


class Mark(ABC):
    """Base of the marks: `rounded` for what is of the right type already."""

    __slots__ = ()
    kind: type
    """What is rounded before pydantic judges it; anything else comes to it as it is."""

    @abstractmethod
    def rounded(self, x: Any) -> Any:
        """The value as the message has it."""

    def __get_pydantic_core_schema__(self, source: object, handler: Callable[[object], Any]) -> Any:
        from pydantic_core import core_schema

        def before(x: object) -> object:
            return self.rounded(x) if isinstance(x, self.kind) else x

        return core_schema.no_info_before_validator_function(before, handler(source))


class Rounded(Mark):
    """Decimals of a figure. NaN and infinities become None, minus zero becomes zero."""

    __slots__ = ("digits",)
    kind = float

    def __init__(self, digits: int) -> None:
        self.digits = digits

    def rounded(self, x: float | None) -> float | None:
        """Always a float, that 5 is written as 5.0."""
        return round(float(x), self.digits) + 0.0 if x is not None and math.isfinite(x) else None


class RoundedWhole(Mark):
    """No decimals at all. NaN and infinities become None."""

    __slots__ = ()
    kind = float

    def rounded(self, x: float | None) -> int | None:
        """A whole number."""
        return round(x) if x is not None and math.isfinite(x) else None


class Sorted(Mark):
    """Named figures, keys sorted, floats with four decimals: the order in which they were given does not show."""

    __slots__ = ()
    kind = Mapping

    def rounded(self, x: Mapping[str, Any]) -> dict[str, Any]:
        """A new mapping."""
        return {key: _FINE.rounded(x[key]) if isinstance(x[key], float) else x[key] for key in sorted(x)}


_FINE = Rounded(4)
WHOLE = RoundedWhole()
Whole = Annotated[int | None, WHOLE]
"""Newtons: no decimals."""
Tenths = Annotated[float | None, Rounded(1)]
"""Temperatures, hours far ahead."""
Hundredths = Annotated[float | None, Rounded(2)]
"""Revolutions per minute."""
Thousandths = Annotated[float | None, Rounded(3)]
"""Millimetres, running hours."""
Fine = Annotated[float | None, _FINE]
"""Degrees of lag, per cent of elongation, figures whose unit stands beside them."""
Figures = Annotated[dict[str, float | int | str | None], Sorted()]
"""Named figures."""
