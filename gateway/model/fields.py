"""Types of fields with their bounds, and the base of the settings' sections.

Settings, messages and maintenance records are frozen dataclasses whose fields carry pydantic's own bounds. The program
makes them directly; whatever comes from outside is validated by pydantic against the same classes (`validate.py`).
Numbers are strict: a text or `true` is never taken for one.
"""

from dataclasses import fields
from ipaddress import IPv4Address, IPv4Network, IPv6Network
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field

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


_SLUG, ONE_LINE = r"^[a-z0-9-]{1,32}$", r"^[^\x00-\x1f\x7f]*$"
Slug = Annotated[str, Field(pattern=_SLUG)]
Integer = Annotated[int, Field(strict=True)]
Switch = Annotated[bool, Field(strict=True)]
Finite = Annotated[float, Field(strict=True, allow_inf_nan=False)]

Line = Annotated[str, Field(min_length=1, max_length=255, pattern=ONE_LINE)]
"""A text on one line: it is shown, logged and sent. 255: the longest host name (RFC 1035)."""
LengthMm = Annotated[Finite, Field(gt=0, le=10_000)]
"""No part of a chain drive is longer than 10 m."""
SmallMm = Annotated[Finite, Field(gt=0, le=100)]
"""A movement of the tightener: its whole travel is less than 100 mm, so a limit beyond it would never be reached."""
PitchMm = Annotated[Finite, Field(ge=4, le=250)]
"""ISO 606 goes from 6 mm (04C is 6.35 mm) to 114.3 mm; larger chains are made to order."""
Hours = Annotated[Finite, Field(ge=0, le=1_000_000)]
"""Running hours: a hundred years have 880,000."""
SpanHours = Annotated[Finite, Field(gt=0, le=100_000)]
"""An interval of work or a horizon: no longer than eleven years, beyond which it would never be reached."""
LagDeg = Annotated[Finite, Field(gt=0, le=20)]
"""A limit of the lag in degrees of the crank: one tooth is some 8 degrees, so 20 can never be right."""
AngleDeg = Annotated[Finite, Field(ge=-720, le=720)]
"""An angle over the cycle of a four-stroke engine, in either sense."""
Percent = Annotated[Finite, Field(gt=0, le=5)]
"""Elongation: chains are renewed at 1 to 3 %."""
Seconds = Annotated[Finite, Field(gt=0, le=86_400)]
"""A time constant of measuring: longer than a day it would never settle."""


def _path(path: Path) -> Path:
    text = str(path)
    if "\0" in text or len(text) > PATH_CHARS_MAX:
        raise ValueError(f"a path without NUL of at most {PATH_CHARS_MAX} characters is needed")
    return path


def _text_only(value: object) -> object:
    if isinstance(value, int | float | bytes):
        raise ValueError(f"{value!r:.40} is not allowed, an address as text is needed")
    return value


PATH_CHARS_MAX = 4_095
"""Linux takes no longer path."""
PlainPath = Annotated[Path, AfterValidator(_path)]
Ipv4 = Annotated[IPv4Address, BeforeValidator(_text_only)]
Network = Annotated[IPv4Network | IPv6Network, BeforeValidator(_text_only)]

PATTERN_WORDS = {
    _SLUG: "1 to 32 characters of a-z, 0-9 and - are needed",
    ONE_LINE: "a text on one line, without control characters, is needed",
}
"""What a pattern allows, in words; `in_words` adds to it."""


def in_words(pattern: str, words: str) -> str:
    """The pattern, after its words are kept for the reasons of refusals."""
    PATTERN_WORDS[pattern] = f"{words} is needed"
    return pattern
