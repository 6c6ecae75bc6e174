"""The record of a commissioning: kept as JSON between tasks, printed as text to sign."""

import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from gateway.model.errors import Refused
from gateway.worksheet.commission import Finding, Look, Task

VERSION = 1
WIDTH = 96
SIGNERS = ("Electrician", "Second engineer", "Chief engineer")


def empty(vessel: str, engine: str) -> dict[str, Any]:
    """A record without a task done."""
    return {"v": VERSION, "vessel": vessel, "engine": engine, "begun": {}, "done": {}}


def checked(record: Any, vessel: str, engine: str) -> dict[str, Any]:
    """A record as it was kept. Raises Refused where it is none, or of another engine."""
    parts = ("begun", "done")
    if (
        not isinstance(record, dict)
        or record.get("v") != VERSION
        or any(type(record.get(k)) is not dict for k in parts)
    ):
        raise Refused("the kept commissioning cannot be read; move its file away to begin again")
    if (record.get("vessel"), record.get("engine")) != (vessel, engine):
        raise Refused("the kept commissioning is of another vessel or engine; move its file away to begin again")
    return record


def begin(record: dict[str, Any], task: Task, status: Mapping[str, Any]) -> None:
    """Keep the status at the task's beginning."""
    record["begun"][task.key] = status


def finish(record: dict[str, Any], task: Task, found: Finding, who: str, utc: str, typed: Mapping[str, str]) -> None:
    """Keep what the task showed. One that is not right keeps its beginning, unless it must begin again."""
    record["done"][task.key] = {
        "ok": found.ok,
        "left_out": found.left_out,
        "lines": list(found.lines),
        "settings": list(found.settings),
        "values": dict(found.values),
        "typed": dict(typed),
        "by": who,
        "utc": utc,
    }
    if found.ok or task.restarts:
        record["begun"].pop(task.key, None)


def values(record: Mapping[str, Any]) -> dict[str, float]:
    """Figures of all tasks that were right."""
    return {k: v for done in record["done"].values() if done["ok"] for k, v in done["values"].items()}


def next_task(record: Mapping[str, Any], tasks: Sequence[Task]) -> Task | None:
    """The first task that is not right yet; `None` where all are."""
    return next((t for t in tasks if not record["done"].get(t.key, {"ok": False})["ok"]), None)


def began(record: Mapping[str, Any], task: Task) -> Look | None:
    """The status at the task's beginning, if it has begun."""
    status = record["begun"].get(task.key)
    return None if status is None else Look.of(status)


def text_of(record: Mapping[str, Any], tasks: Sequence[Task], config: str, fingerprint: str) -> str:
    """The record as text, with lines to sign."""
    lines = [f"COMMISSIONING RECORD   {record['vessel']}, engine {record['engine']}",
             f"Settings {config}, fingerprint {fingerprint}", ""]  # fmt: skip
    for n, task in enumerate(tasks, 1):
        done = record["done"].get(task.key)
        state = "NOT DONE" if done is None else _state(done)
        lines.append(f"{n:>3}. {task.title:<44} {state}")
        if done is not None:
            lines += [_wrapped(line) for line in done["lines"]]
            lines.append(_wrapped(f"{done['by']}, {done['utc']}"))
    lines += ["", "Proposed settings (the program changed none)", *_proposed(record, tasks), ""]
    lines += ["This record does not replace the engine maker's manual, class rules or a surveyor's judgement.", ""]
    lines += [f"{who:<18} name ______________________  date ____________  signature ____________________"
              for who in SIGNERS]  # fmt: skip
    return "\n".join(lines)


def _state(done: Mapping[str, Any]) -> str:
    if done["left_out"]:
        return "LEFT OUT"
    return "OK" if done["ok"] else "NOT RIGHT"


def _proposed(record: Mapping[str, Any], tasks: Sequence[Task]) -> list[str]:
    found = [(t, line) for t in tasks for line in record["done"].get(t.key, {"settings": []})["settings"]]
    # A later line for the same key takes the place of an earlier one.
    last = {line.split(" = ")[0]: line for _, line in found}
    return [f"  {line}" for line in last.values()] or ["  none"]


def _wrapped(line: str) -> str:
    return textwrap.fill(line, WIDTH, initial_indent="     ", subsequent_indent="     ")
