"""The shapes of the work sheets' questions and answers."""

from typing import Annotated, Any, Literal

from pydantic import Field

from gateway.model.fields import Slug
from gateway.outlets.page.shapes import Answer, Question

SHEET_FILE_CHARS_MAX = 1_000_000
"""A file of six cylinders each half degree is about 40 kB."""


class SheetRow(Answer):
    """A work sheet that there is."""

    name: Slug
    title: str


class SheetsAnswer(Answer):
    """All work sheets."""

    sheets: tuple[SheetRow, ...]


class SheetStep(Answer):
    """One step, and who confirms it. `key`: its name in the sheet. `caution`: hazard, consequence, how to avoid it.
    `turns`: it turns the engine; `sense`: which way, `see` = not in the settings. `live`: the live figures belong to
    it; `wait`: the text of the waiting time that belongs to it."""

    text: str
    who: str = ""
    confirm: str = ""
    key: str = ""
    phase: str = ""
    caution: str = ""
    turns: bool = False
    sense: Literal["", "ahead", "astern", "see"] = ""
    live: bool = True
    wait: str = ""


class SheetFigure(Answer):
    """A figure of a work sheet with its unit and what it means. `digits` behind the point; `big`: shown large."""

    name: str
    value: float | int | str | None
    unit: str = ""
    help: str = ""
    key: str = ""
    digits: int = 2
    big: bool = False


class SheetWait(Answer):
    """Time that has passed, and the minimum; never permission to go on. `since_s` null: not known."""

    text: str
    since_s: float | None
    least_s: float
    words: str


class SheetNotice(Answer):
    """What must be shown beside the figures. `booking`: it is about the booking alone."""

    text: str
    level: Literal["refused", "attention", "good"] = "attention"
    booking: bool = False


class SheetInput(Answer):
    """A figure that is typed; it comes back with the next question under `name`.

    `take`: the reading that may be taken for it; `moment`: a time, taken by pressing. `locked`: why it stays as it is.
    `press`: the button's words.
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9_]{1,32}$")]
    label: str
    unit: str = ""
    value: str = ""
    help: str = ""
    take: float | None = None
    moment: bool = False
    locked: str = ""
    press: str = ""
    step: str = ""


class SheetTick(Answer):
    """Who ticked a step and when (UTC seconds), and who countersigned it."""

    by: str
    utc_s: float
    second_by: str = ""
    second_utc_s: float | None = None


class SheetRecordAnswer(Answer):
    """What was done at an open sheet. `missing`: keys of steps not ticked before the booking; `words`: what will be
    booked; `booked`: ids; `reasons`: changes that wanted a reason."""

    opened_by: str
    opened_utc_s: float
    ticks: dict[str, SheetTick]
    figures: dict[str, str]
    unlocked: dict[str, str]
    reasons: tuple[str, ...]
    booked: tuple[str, ...]
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


class SheetAnswer(Answer):
    """A work sheet. `live`: its figures follow the readings, ask again each second. `booking`: what to book after, or
    null, and then `booking_wants` names what is still needed. `phase`: where the work stands.
    `record`: what was done at it; null while it is not open. `utc_s`: the engine's time at its figures, UTC seconds."""

    title: str
    name: str = ""
    cautions: tuple[str, ...]
    steps: tuple[SheetStep, ...]
    figures: tuple[SheetFigure, ...]
    live: bool
    inputs: tuple[SheetInput, ...] = ()
    booking: dict[str, Any] | None = None
    booking_wants: str = ""
    phase: str = ""
    waits: tuple[SheetWait, ...] = ()
    notices: tuple[SheetNotice, ...] = ()
    ship: str = ""
    engine_name: str = ""
    engine_number: str = ""
    utc_s: float | None = None
    record: SheetRecordAnswer | None = None
