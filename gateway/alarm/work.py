"""Work in progress: while a sheet is open and the engine stands, what the work itself disturbs calls nobody."""

from gateway.alarm.machine import AlarmSet
from gateway.model.enums import Running
from gateway.model.records import Transition

DISTURBED = ("tightener-moved", "transducer-fault", "crank-encoder-fault", "cam-encoder-fault")
"""A tightener that is being set moves, and sensors are taken off and turned by hand."""
WORK_US_MAX = 24 * 3_600_000_000
"""A sheet that somebody forgot must not hide a loose tightener for longer."""
UNDER_WAY = (Running.CHANGING, Running.AHEAD, Running.ASTERN)


class Work:
    """`since_us`: pipeline time from which work is in progress; `None`: none is. `asked_us`: when a sheet was opened
    under way, for work that begins once the engine stands; `None`: none waits."""

    def __init__(self) -> None:
        self.since_us: int | None = None
        self.asked_us: int | None = None

    def switch(self, on: bool, now_us: int) -> None:
        """A sheet was opened, or the last one was closed. Opening another one does not lengthen the time."""
        if not on:
            self.since_us = self.asked_us = None
        elif self.since_us is None:
            self.asked_us = now_us

    def judge(self, alarms: AlarmSet, now_us: int, running: Running) -> list[Transition]:
        """Begin it where the engine stands, end it where it runs or a day is over; then suppress the disturbed alarms,
        or give them back."""
        if self.asked_us is not None and now_us - self.asked_us >= WORK_US_MAX:
            self.asked_us = None
        if self.asked_us is not None and running not in UNDER_WAY:
            self.since_us, self.asked_us = now_us, None
        if self.since_us is not None and (running in UNDER_WAY or now_us - self.since_us >= WORK_US_MAX):
            self.since_us = None
        on = self.since_us is not None
        disturbed = [alarms.alarms[tag] for tag in DISTURBED]
        return [t for alarm in disturbed if alarm.facts.suppressed != on for t in alarm.suppress(now_us, on)]
