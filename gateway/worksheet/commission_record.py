"""The record of a commissioning: kept as JSON between tasks, printed as text to sign."""

import hashlib
import json
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
    return {"v": VERSION, "vessel": vessel, "engine": engine, "started": {}, "done": {}, "signed": []}


def checked(record: Any, vessel: str, engine: str) -> dict[str, Any]:
    """A record as it was kept. Raises Refused where it is none, or of another engine."""
    try:
        found: dict[str, Any] = _shape(record)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise Refused("the kept commissioning cannot be read; move its file away to begin again") from None
    if (found["vessel"], found["engine"]) != (vessel, engine):
        raise Refused("the kept commissioning is of another vessel or engine; move its file away to begin again")
    return found


def _shape(record: Any) -> dict[str, Any]:
    """Raises what `checked` turns into one refusal."""
    if record["v"] != VERSION:
        raise ValueError("version")
    texts = [record["vessel"], record["engine"]]
    for status in record["started"].values():
        Look.of(status)
    for done in record["done"].values():
        texts += [done["by"], done["utc"], *done["lines"], *done["settings"], *done["typed"].values()]
        if type(done["ok"]) is not bool or type(done["left_out"]) is not bool:
            raise TypeError("not a truth")
        if not all(type(v) in (float, int) for v in done["values"].values()):
            raise TypeError("not a number")
    signed = record.setdefault("signed", [])
    texts += [s[key] for s in signed for key in ("role", "name", "by", "utc", "digest")]
    if type(signed) is not list or not all(type(t) is str for t in texts):
        raise TypeError("not a text")
    return dict(record)


def begin(record: dict[str, Any], task: Task, status: Mapping[str, Any]) -> None:
    """Keep the status at the task's beginning."""
    record["started"][task.key] = status


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
        record["started"].pop(task.key, None)


def values(record: Mapping[str, Any]) -> dict[str, float]:
    """Figures of all tasks that were right."""
    return {k: v for done in record["done"].values() if done["ok"] for k, v in done["values"].items()}


def is_right(record: Mapping[str, Any], task: Task) -> bool:
    """Is a task done and right, or left out for a reason?"""
    return bool(record["done"].get(task.key, {"ok": False})["ok"])


def next_task(record: Mapping[str, Any], tasks: Sequence[Task]) -> Task | None:
    """The first task that is not right yet; `None` where all are."""
    return next((t for t in tasks if not is_right(record, t)), None)


def state_of(record: Mapping[str, Any], task: Task) -> str:
    """How far a task is, in a word or two."""
    done = record["done"].get(task.key)
    if task.key in record["started"]:
        return "started"
    return "not done" if done is None else _state(done).lower().replace("ok", "OK")


def sign(record: dict[str, Any], role: str, name: str, who: str, utc: str) -> None:
    """Put a name under the record as it is; another of the same role goes."""
    others = [s for s in record["signed"] if s["role"] != role]
    record["signed"] = [*others, {"role": role, "name": name, "by": who, "utc": utc, "digest": digest(record)}]


def digest(record: Mapping[str, Any]) -> str:
    """What is signed: all that was found, in short."""
    kept = json.dumps(record["done"], sort_keys=True, ensure_ascii=True).encode()
    return hashlib.sha256(kept).hexdigest()[:16]


def signatures(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Names under the record, in the order of the roles. `valid`: nothing was changed since."""
    now = digest(record)
    found = [{k: v for k, v in s.items() if k != "digest"} | {"valid": s["digest"] == now} for s in record["signed"]]
    return sorted(found, key=lambda s: SIGNERS.index(s["role"]) if s["role"] in SIGNERS else len(SIGNERS))


def began(record: Mapping[str, Any], task: Task) -> Look | None:
    """The status at the task's beginning, if it has started."""
    status = record["started"].get(task.key)
    return None if status is None else Look.of(status)


def text_of(record: Mapping[str, Any], tasks: Sequence[Task], fingerprint: str) -> str:
    """The record as text, with lines to sign."""
    lines = [f"COMMISSIONING RECORD   {record['vessel']}, engine {record['engine']}",
             f"Settings with fingerprint {fingerprint}", ""]  # fmt: skip
    for n, task in enumerate(tasks, 1):
        done = record["done"].get(task.key)
        state = "NOT DONE" if done is None else _state(done)
        lines.append(f"{n:>3}. {task.title:<44} {state}")
        if done is not None:
            lines += [_wrapped(line) for line in done["lines"]]
            lines.append(_wrapped(f"{done['by']}, {done['utc']}"))
    found = [f"  {line}" for line in proposed(record, tasks) or ["none"]]
    lines += ["", "Proposed settings (the program changed none)", *found, ""]
    lines += ["This record does not replace the engine maker's manual, class rules or a surveyor's judgement.", ""]
    lines += ["Whether a name entered here counts as a signature is for class and the company to decide.", ""]
    lines += [_signature(role, signatures(record)) for role in SIGNERS]
    return "\n".join(lines)


def _signature(role: str, signed: Sequence[Mapping[str, Any]]) -> str:
    found = next((s for s in signed if s["role"] == role), None)
    if found is None:
        return f"{role:<18} name ______________________  date ____________  signature ____________________"
    doubt = "" if found["valid"] else "; THE RECORD WAS CHANGED SINCE, SIGN AGAIN"
    return _wrapped(f"{role}: {found['name']}, {found['utc']}, entered by {found['by']}{doubt}").strip()


def _state(done: Mapping[str, Any]) -> str:
    if done["left_out"]:
        return "LEFT OUT"
    return "OK" if done["ok"] else "NOT RIGHT"


def proposed(record: Mapping[str, Any], tasks: Sequence[Task]) -> list[str]:
    """Lines for the settings file, the head's console or its wiring, from all tasks."""
    found = [line for t in tasks for line in record["done"].get(t.key, {"settings": []})["settings"]]
    # A later line for the same key takes the place of an earlier one.
    return list({line.split(" = ")[0]: line for line in found}.values())


def _wrapped(line: str) -> str:
    return textwrap.fill(line, WIDTH, initial_indent="     ", subsequent_indent="     ")
