"""What is decided on: situations, notices, people, deliveries. Times are seconds since 1970 by the shore's clock."""

from dataclasses import dataclass

SHIP_SILENT, EVENTS_MISSING, KEEPER_SILENT, NOTIFIER_SILENT = (
    "ship-silent",
    "events-missing",
    "keeper-silent",
    "notifier-silent",
)


@dataclass(frozen=True, slots=True)
class Situation:
    """Something that stands. `key` names it, the same for as long as it stands; `since`: as shown to people;
    `vessel` and `engine` are empty where it belongs to none; `state`: of an alarm, aboard."""

    key: str
    vessel: str
    engine: str
    tag: str
    priority: str
    text: str
    action: str
    since: str
    state: str = ""

    @property
    def where(self) -> str:
        """For people."""
        return "/".join(part for part in (self.vessel, self.engine) if part) or "shore"


@dataclass(frozen=True, slots=True)
class Notice:
    """One situation, as far as people were notified of it.

    `step`: how often it was sent, counting from the first person; `next_s`: when it is due again; `absent_s`: since
    when the situation stands no more; `people`: to whom it was sent, the last one last; `seen_by`: empty until somebody
    has marked it.
    """

    id: int
    situation: Situation
    opened_s: float
    step: int = 0
    next_s: float = 0.0
    absent_s: float | None = None
    people: tuple[str, ...] = ()
    seen_by: str = ""
    over: bool = False


@dataclass(frozen=True, slots=True)
class Reached:
    """How a person was reached so far. `last_s`: the last delivery made; `in_hour`: made within the last hour;
    `unreachable`: why the newest one has failed again and again, empty when well."""

    last_s: float = float("-inf")
    in_hour: int = 0
    unreachable: str = ""


@dataclass(frozen=True, slots=True)
class Delivery:
    """What goes to one person at once: notices due, and what is over since."""

    person: str
    due: tuple[Notice, ...]
    over: tuple[Notice, ...] = ()
    beside: str = ""
    """Whom it could not reach before, and why."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What follows from a look. `notices`: those that are new (`id` 0) or have changed."""

    notices: tuple[Notice, ...]
    deliveries: tuple[Delivery, ...]
