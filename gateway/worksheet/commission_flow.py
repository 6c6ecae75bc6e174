"""Going through a commissioning: one way for terminal and page to begin, judge, leave out, sign and show its tasks.

Pure: record and status go in as plain JSON, the record is changed in place, and what is shown comes out as plain data.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from gateway.model.errors import Refused
from gateway.model.settings import EngineSettings, Settings
from gateway.worksheet import commission_record as records
from gateway.worksheet.commission import Finding, Look, Task, Work
from gateway.worksheet.commission_tasks import tasks

NAME_MAX = 64


@dataclass(frozen=True, slots=True)
class Flow:
    """One engine's commissioning. `fingerprint`: of the settings, for the record. `tasks`: all of them, in order."""

    settings: Settings
    engine: EngineSettings
    fingerprint: str
    tasks: tuple[Task, ...] = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tasks", tasks(self.settings, self.engine))

    def task(self, key: str) -> Task:
        """A task by its key. Raises Refused."""
        for task in self.tasks:
            if task.key == key:
                return task
        raise Refused(f"there is no task {key!r}; there are: {', '.join(t.key for t in self.tasks)}")

    def begin(self, record: dict[str, Any], key: str, status: Mapping[str, Any]) -> None:
        """Keep the status at a task's beginning, before anything moves. Raises Refused."""
        records.begin(record, self.task(key), status)

    def finish(
        self, record: dict[str, Any], key: str, typed: Mapping[str, str], status: Mapping[str, Any], who: str, utc: str
    ) -> Finding:
        """Judge a task and keep what it showed. Raises Refused where it was not started or an answer is wrong."""
        task, now = self.task(key), Look.of(status)
        before = records.began(record, task)
        if before is None and task.spans:
            raise Refused(f"task {task.key!r} was not started: begin it before anything moves")
        given = {k: v for k, v in typed.items() if v.strip()}
        names = {q.name for q in task.questions}
        if unknown := sorted(set(given) - names):
            raise Refused(f"{unknown[0]} is no answer of task {key!r}; give {', '.join(sorted(names)) or 'none'}")
        work = Work(self.settings, self.engine, before or now, now, given, records.values(record))
        found = task.judge(work)
        records.finish(record, task, found, who, utc, given)
        return found

    def leave_out(self, record: dict[str, Any], key: str, reason: str, who: str, utc: str) -> None:
        """Keep that a task is not done, and why. Raises Refused for one that is there for safety."""
        task = self.task(key)
        records.finish(record, task, task.leave_out(reason), who, utc, {})

    def sign(self, record: dict[str, Any], role: str, name: str, who: str, utc: str) -> None:
        """Put a name under the complete record. Raises Refused while a task is open."""
        if (open_task := records.next_task(record, self.tasks)) is not None:
            raise Refused(f"the record is not complete: task {open_task.key!r} is still open")
        name = name.strip()
        if role not in records.SIGNERS:
            raise Refused(f"{role!r} does not sign; there are: {', '.join(records.SIGNERS)}")
        if not 0 < len(name) <= NAME_MAX:
            raise Refused(f"give the name of who signs, at most {NAME_MAX} characters")
        records.sign(record, role, name, who, utc)

    def complete(self, record: Mapping[str, Any]) -> bool:
        """Are all tasks done and right?"""
        return records.next_task(record, self.tasks) is None

    def open_tasks(self, record: Mapping[str, Any]) -> list[str]:
        """Titles of what is not done, or not right."""
        return [t.title for t in self.tasks if not records.is_right(record, t)]

    def text(self, record: Mapping[str, Any]) -> str:
        """The record to print and sign."""
        return records.text_of(record, self.tasks, self.fingerprint)

    def view(self, record: Mapping[str, Any], key: str | None, status: Mapping[str, Any] | None) -> dict[str, Any]:
        """What a person is shown: all tasks, and one of them with its steps; the first that is not right where `key` is
        `None`. `status`: of the engine now, `None` where it is not known. Raises Refused for no task."""
        task = records.next_task(record, self.tasks) if key is None else self.task(key)
        return {
            "vessel": record["vessel"],
            "engine": record["engine"],
            "complete": self.complete(record),
            "tasks": [self._row(record, t) for t in self.tasks],
            "task": None if task is None else self._detail(record, task, status),
            "proposed": records.proposed(record, self.tasks),
            "roles": list(records.SIGNERS),
            "signed": records.signatures(record),
            "text": self.text(record),
        }

    def _row(self, record: Mapping[str, Any], task: Task) -> dict[str, Any]:
        done = record["done"].get(task.key)
        return {
            "key": task.key,
            "title": task.title,
            "state": records.state_of(record, task),
            "lines": [] if done is None else done["lines"],
            "settings": [] if done is None else done["settings"],
            "by": "" if done is None else done["by"],
            "utc": None if done is None else done["utc"],
        }

    def _detail(self, record: Mapping[str, Any], task: Task, status: Mapping[str, Any] | None) -> dict[str, Any]:
        before = records.began(record, task)
        return {
            "key": task.key,
            "title": task.title,
            "spans": task.spans,
            "started": before is not None,
            "safety": task.safety,
            "steps": [asdict(s) for s in task.steps],
            "questions": [asdict(q) for q in task.questions],
            "live": [] if status is None else _live(before, Look.of(status)),
        }


def _live(before: Look | None, now: Look) -> list[str]:
    """What the sensors show at this moment."""
    if now.head is None:
        return ["No valid data from the sensor head."]
    speed = "speed not known" if now.rpm is None else f"{now.rpm:.1f} rpm"
    spring = "length not known" if now.spring_mm is None else f"length {now.spring_mm:.1f} mm"
    lines = [f"Engine {now.running}, {speed}, {spring}."]
    for which, valid in zip(("crank", "cam"), now.head["valid"], strict=True):
        if not valid:
            lines.append(f"The {which} encoder is not valid.")
    if before is not None and before.head is not None and now.good >= before.good:
        (crank0, cam0), (crank, cam) = before.turns, now.turns
        lines.append(f"Since the task began: crank {crank - crank0:+.2f} turns, cam {cam - cam0:+.2f} turns.")
    return lines
