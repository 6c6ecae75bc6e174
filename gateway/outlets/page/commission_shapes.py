"""The shapes of the commissioning's questions and answers."""

from typing import Annotated, Literal

from pydantic import Field

from gateway.encode.shapes import Stamp
from gateway.model.fields import Slug
from gateway.outlets.page.shapes import Answer, Question
from gateway.worksheet import commission
from gateway.worksheet.sheet import Step

Key = Annotated[str, Field(max_length=32)]
Answers = dict[Key, Annotated[str, Field(max_length=400)]]


class CommissionQuery(Question):
    """Which engine, and which task is shown with its steps: the first that is not right where none is named."""

    engine: Slug | None = None
    task: Key | None = None


class CommissionBody(Question):
    """A step. `begin`: before anything moves; `finish`: with the answers in `typed`; `leave-out`: with a `reason`;
    `sign`: `name` as `role`, where all is done; `again`: a new fitting, the record is put aside."""

    engine: Slug | None = None
    step: Literal["begin", "finish", "leave-out", "sign", "again"]
    task: Key = ""
    typed: Answers = Field(default={}, max_length=32)
    reason: Annotated[str, Field(max_length=400)] = ""
    role: Annotated[str, Field(max_length=64)] = ""
    name: Annotated[str, Field(max_length=64)] = ""


class CommissionRow(Answer):
    """One task and how far it is. `lines`: what it showed; `settings`: lines that it proposes."""

    key: str
    title: str
    state: str
    lines: tuple[str, ...]
    settings: tuple[str, ...]
    by: str
    utc: Stamp | None


class CommissionTask(Answer):
    """A task with its steps. `spans`: it is started before anything moves, `started`: whether it was. `safety`: it
    cannot be left out. `live`: what the sensors show now."""

    key: str
    title: str
    spans: bool
    started: bool
    safety: bool
    steps: tuple[Step, ...]
    questions: tuple[commission.Question, ...]
    live: tuple[str, ...]


class CommissionSignature(Answer):
    """A name under the record. `valid`: nothing was changed since."""

    role: str
    name: str
    by: str
    utc: Stamp
    valid: bool


class CommissionFound(Answer):
    """What the task that was just done showed."""

    ok: bool
    lines: tuple[str, ...]
    settings: tuple[str, ...]


class CommissionAnswer(Answer):
    """A commissioning: all tasks, the one at hand, what is proposed, who signed, and the record as it is printed."""

    vessel: str
    engine: str
    complete: bool
    tasks: tuple[CommissionRow, ...]
    task: CommissionTask | None
    proposed: tuple[str, ...]
    roles: tuple[str, ...]
    signed: tuple[CommissionSignature, ...]
    text: str
    kept_in: str
    found: CommissionFound | None = None
