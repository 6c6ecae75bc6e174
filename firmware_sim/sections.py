"""What all tables of a scenario share: refused unknown keys, bounded figures."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Part = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Wave = tuple[Positive, Finite, Finite]
"""Order of the crank, amplitude, phase in degrees."""


class Section(BaseModel):
    """Base of all tables: unknown keys are refused, values do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True)
