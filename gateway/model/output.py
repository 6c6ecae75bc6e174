"""What leaves the pipeline for the store and the brokers: one record for each kind, stored and published as it is."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class NewEvent:
    """A durable event. `body`: all but `v`, `gateway` and `seq`, which the outbox adds; `kind`: alarm, adjustment or
    gateway."""

    topic: str
    kind: str
    body: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class NewRetained:
    """The present value of a retained topic; `klass`: alarm or trend. The latest wins; brokers that want every trend
    get those before it, too."""

    topic: str
    klass: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class NewBooking:
    """A maintenance record for the log book. `entry`: the whole of it as JSON; `utc`: when it was typed, RFC 3339."""

    engine: str
    id: str
    kind: str
    utc: str
    entry: str


@dataclass(frozen=True, slots=True)
class NewSheetAct:
    """What somebody did at a work sheet. `act`: the whole of it as JSON; `utc`: when, RFC 3339."""

    engine: str
    sheet: str
    utc: str
    act: str


@dataclass(frozen=True, slots=True)
class Batch:
    """What is committed in one piece and in this order, or not at all. `checkpoints`: by key, fit for JSON."""

    events: Sequence[NewEvent] = ()
    retained: Sequence[NewRetained] = ()
    checkpoints: Mapping[str, object] = field(default_factory=dict)
    bookings: Sequence[NewBooking] = ()
    sheet_acts: Sequence[NewSheetAct] = ()

    @property
    def by_people(self) -> bool:
        """Does it hold what somebody waits for: a booking, or an act at a work sheet?"""
        return bool(self.bookings or self.sheet_acts)
