"""Types of fields with their bounds, and the base of the settings' sections.

Settings, messages and maintenance records are frozen dataclasses whose fields carry pydantic's own bounds. The program
makes them directly; whatever comes from outside is validated by pydantic against the same classes (`validate.py`).
Numbers are strict: a text or `true` is never taken for one.
"""

from dataclasses import fields
from typing import Annotated

from pydantic import ConfigDict, Field

STRICT_KEYS = ConfigDict(extra="forbid")
"""`__pydantic_config__` of every dataclass that is validated: an unknown key is refused."""


class Section:
    """Base of the settings' sections, which are frozen dataclasses: an unknown key is refused."""

    __slots__ = ()
    __pydantic_config__ = STRICT_KEYS


def kind_of(shape: type) -> str:
    """What the field `kind` of a dataclass always is."""
    return str(next(f.default for f in fields(shape) if f.name == "kind"))


def schema_default(default: object) -> dict[str, object]:
    """Metadata of a field whose default a factory makes: without it the JSON Schema would not show the default."""
    return {"json_schema_extra": {"default": default}}


Slug = Annotated[str, Field(pattern=r"^[a-z0-9-]{1,32}$")]
Integer = Annotated[int, Field(strict=True)]
Switch = Annotated[bool, Field(strict=True)]
Finite = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[Finite, Field(gt=0)]
NotNegative = Annotated[Finite, Field(ge=0)]

PATTERN_WORDS = {r"^[a-z0-9-]{1,32}$": "1 to 32 characters of a-z, 0-9 and - are needed"}
"""What a pattern allows, in words; each field with a pattern has its line here."""
