"""Commissioning of a sensor head: its tasks in order, what each asks for, and what the daemon's status must show.

Pure: the status of the running daemon goes in as plain JSON, findings and proposed settings come out; nothing is set.
Common practice, no source: the engine's manual, class and local rules come first.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from gateway.model.errors import Refused
from gateway.model.settings import EngineSettings, Settings
from gateway.worksheet.sheet import Step

Turns = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Look:
    """One engine in the daemon's status, at one time. `None` = not known.

    `turns`: crank and cam, each of its own shaft, signed. `turned`: mean of raw crank − ratio·cam over the last whole
    turn on the turning gear and when it ended, in deg and UTC seconds. `turned_lost`: lost motion by a turn each way,
    and when the first of the two turns ended. `alarms`: tag and text of those that stand.
    """

    running: str
    rpm: float | None
    hours: float
    head: Mapping[str, Any] | None
    spring_mm: float | None
    spring_why: str
    lag_good: bool
    spring_good: bool
    raw_deg: float | None
    turned: tuple[float, float] | None
    turned_lost: tuple[float, float] | None
    alarms: Mapping[str, str]
    good: int
    lost: int
    used: int

    @classmethod
    def of(cls, engine: Mapping[str, Any]) -> "Look":
        """From the status of one engine."""
        turned, lost, spring, lag = (engine.get("turned"), engine.get("turned_lost"), engine["spring_mm"],
                                     engine["lag_deg"])  # fmt: skip
        standing = ("unacknowledged", "acknowledged")
        return cls(
            running=engine["running"],
            rpm=engine["rpm"],
            hours=engine["hours"],
            head=engine.get("head") if engine["head_heard"] else None,
            spring_mm=spring["value"],
            spring_why=spring["reason"],
            lag_good=lag["quality"] == "good",
            spring_good=spring["quality"] == "good",
            raw_deg=engine.get("raw_deg"),
            turned=turned and (turned["raw_deg"], turned["utc"]),
            turned_lost=lost and (lost["deg"], lost["from_utc"]),
            alarms={a["tag"]: a["text"] for a in engine["alarms"] if a["state"] in standing},
            good=engine["link"]["good"],
            lost=engine["link"]["lost"],
            used=engine["revolutions"]["used"],
        )

    @property
    def turns(self) -> Turns:
        """Of crank and cam. Raises Refused where no head is heard."""
        if self.head is None:
            raise Refused("no valid data from the sensor head: check its supply, its cable and `port` in the settings")
        crank, cam = self.head["turns"]
        return crank, cam


@dataclass(frozen=True, slots=True)
class Finding:
    """What a task showed. `settings`: lines for the settings file or the head's console; `values`: for later tasks;
    `left_out`: a person gave a reason not to do it."""

    ok: bool
    lines: tuple[str, ...]
    settings: tuple[str, ...] = ()
    values: Mapping[str, float] = field(default_factory=dict)
    left_out: bool = False


@dataclass(frozen=True, slots=True)
class Question:
    """What a person types. `yes`: yes or no; an empty answer to what is not needed is left out."""

    name: str
    text: str
    kind: Literal["number", "yes"] = "number"
    needed: bool = True


@dataclass(frozen=True, slots=True)
class Work:
    """What a task is judged from. `before`: the status when the task began; `values`: of the tasks done so far."""

    settings: Settings
    engine: EngineSettings
    before: Look
    now: Look
    typed: Mapping[str, str]
    values: Mapping[str, float]

    @property
    def travel(self) -> Turns:
        """Turns of crank and cam since the task began. Raises Refused where the gateway restarted since."""
        if self.now.good < self.before.good:
            raise Refused("the gateway restarted since this task began: begin the task again")
        (crank0, cam0), (crank, cam) = self.before.turns, self.now.turns
        return crank - crank0, cam - cam0

    def number(self, name: str) -> float:
        """A typed number. Raises Refused."""
        text = self.typed.get(name, "").strip().replace(",", ".")
        try:
            value = float(text)
        except ValueError:
            raise Refused(f"{name}: {text!r} is not a number") from None
        if not abs(value) < 1e6:
            raise Refused(f"{name}: {text!r} is too large")
        return value

    def yes(self, name: str) -> bool:
        """A typed yes or no. Raises Refused for anything else."""
        text = self.typed.get(name, "").strip().lower()
        if text not in ("yes", "y", "no", "n"):
            raise Refused(f"{name}: type yes or no")
        return text in ("yes", "y")

    def value(self, name: str, task: str) -> float:
        """A figure of an earlier task. Raises Refused where that is not done."""
        if name not in self.values:
            raise Refused(f"do the task {task!r} first")
        return self.values[name]


@dataclass(frozen=True, slots=True)
class Task:
    """One task. `spans`: the status is looked at when it begins and when it ends, because something moves between;
    `restarts`: where it is not right it begins again, since what was wrong lies between; `safety`: never left out."""

    key: str
    title: str
    steps: tuple[Step, ...]
    questions: tuple[Question, ...]
    judge: Callable[[Work], Finding]
    spans: bool = False
    restarts: bool = False
    safety: bool = False

    def leave_out(self, reason: str) -> Finding:
        """The task is not done, for a reason. Raises Refused."""
        if self.safety:
            raise Refused(f"the task {self.key!r} is there for safety and cannot be left out")
        if not reason.strip():
            raise Refused("give the reason for leaving the task out")
        return Finding(True, (f"Left out: {reason.strip()}.",), left_out=True)


def confirmed(work: Work) -> Finding:
    """A task that a person confirms."""
    done = work.yes("done")
    return Finding(done, ("Confirmed." if done else "Not confirmed.",))


DONE = Question("done", "Done and confirmed by all named? yes or no", "yes")
