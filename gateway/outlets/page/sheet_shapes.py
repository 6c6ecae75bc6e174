"""The shapes of the work sheets' questions and answers."""

from typing import Annotated, Literal

from pydantic import ConfigDict, Field, RootModel
from pydantic.dataclasses import dataclass

from gateway.model.fields import Slug
from gateway.outlets.page.shapes import Answer, Question
from gateway.worksheet.record import SheetRecord
from gateway.worksheet.sheet import Sheet

CONFIG = ConfigDict(extra="forbid", json_schema_serialization_defaults_required=True)
"""As of every answer; these are the sheet's own records with more."""
SHEET_FILE_CHARS_MAX = 1_000_000
"""A file of six cylinders each half degree is about 40 kB."""


class SheetRow(Answer):
    """A work sheet that there is."""

    name: Slug
    title: str


class SheetsAnswer(Answer):
    """All work sheets."""

    sheets: tuple[SheetRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True, config=CONFIG)
class SheetRecordAnswer(SheetRecord):
    """What was done at an open sheet. `missing`: keys of steps not ticked before the booking; `words`: what will be
    booked."""

    missing: tuple[str, ...]
    words: str


class SheetActBody(Question):
    """An act at a sheet. `key`: of the step, or the figure's name; `value`: the figure; `reason`: where wanted."""

    engine: Slug | None = None
    act: Literal["open", "tick", "untick", "countersign", "figure", "unlock", "close"]
    key: Annotated[str, Field(max_length=64)] = ""
    value: Annotated[str, Field(max_length=400)] = ""
    reason: Annotated[str, Field(max_length=400)] = ""


class SheetBody(Question):
    """Figures typed, and a pressure/crank-angle file as text."""

    engine: Slug | None = None
    typed: dict[Annotated[str, Field(max_length=32)], Annotated[str, Field(max_length=400)]] = Field(
        default={}, max_length=64
    )
    file: Annotated[str, Field(max_length=SHEET_FILE_CHARS_MAX)] = ""


@dataclass(frozen=True, slots=True, kw_only=True, config=CONFIG)
class HeadedSheet(Sheet):
    """A work sheet with its heading. `live`: ask again each second. `record`: what was done at it; null while it is not
    open. `utc_s`: the engine's time at its figures, UTC seconds."""

    ship: str = ""
    engine_name: str = ""
    engine_number: str = ""
    utc_s: float | None = None
    record: SheetRecordAnswer | None = None


class SheetAnswer(RootModel[HeadedSheet]):
    """A work sheet."""
