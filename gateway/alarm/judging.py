"""The alarms of one engine, with what moves them: what was found, acts of people, open work sheets, a trial's end."""

from collections.abc import Mapping

from gateway.alarm.acts import Act, perform
from gateway.alarm.judge import Evidence, judge
from gateway.alarm.machine import AlarmSet
from gateway.alarm.table import ENGINE_TAGS, ROWS
from gateway.alarm.trial import Trial
from gateway.alarm.work import Work
from gateway.model.records import Transition
from gateway.model.settings import EngineSettings
from gateway.wear.summary import WearSummary

DAY_US = 86_400_000_000
ANNOUNCED_MAX = 1_000
"""Announcements of a day that are counted; more is a flood in any case."""


class Judging:
    """Each method returns the transitions that it caused, in order. Times are pipeline time, µs."""

    def __init__(self, engine: EngineSettings, *, repeat_min: float) -> None:
        self._engine = engine
        rows = tuple(r for r in ROWS if r.tag in ENGINE_TAGS)
        self.alarms = AlarmSet(rows, engine.alarms, engine.slug, repeat_min=repeat_min)
        self.work = Work()
        self._trial = Trial(self.alarms["trial"])
        self._announced: list[int] = []
        """Time of each announcement of the last day."""

    def judge(self, t_us: int, found: Evidence) -> list[Transition]:
        """What was found, judged; first, what open work disturbs is suppressed before it can call."""
        suppressed = self.work.judge(self.alarms, t_us, found.running)
        return self._counted(suppressed + self.alarms.judge(t_us, judge(self._engine, self.alarms, found)))

    def repeats(self, t_us: int) -> list[Transition]:
        """What stands unacknowledged is announced again."""
        return self._counted(self.alarms.repeats(t_us))

    def trial_passes(self, mono_s: float, t_us: int) -> list[Transition]:
        """The end of a trial alarm, by the gateway's monotonic clock."""
        return self._counted(self._trial.passes(mono_s, t_us))

    def rebased(self, wear: WearSummary, t_us: int) -> list[Transition]:
        """Wear is counted from a new datum. What disagreed is compared again from there on: until that is known, the
        old finding is no news."""
        if wear.agreement == "part":
            return []
        return self._counted(self.alarms["wear-disagree"].explained(t_us))

    def act(self, act: Act, t_us: int) -> list[Transition]:
        """Somebody acts. Raises Refused, with nothing changed, where it cannot be done."""
        return self._counted(perform(self.alarms, act, t_us))

    def announced_day(self, t_us: int) -> int:
        """Announcements of the day before `t_us`."""
        self._announced = [at for at in self._announced if t_us - at < DAY_US]
        return len(self._announced)

    def _counted(self, moved: list[Transition]) -> list[Transition]:
        if moved:
            new = [t.t_us for t in moved if t.announces]
            self._announced = [*self._announced, *new][-ANNOUNCED_MAX:]
        return moved

    def checkpoint(self) -> dict[str, object]:
        """For a restart, fit for JSON."""
        return {
            "alarms": self.alarms.checkpoint(),
            "announced": list(self._announced),
            "work_us": self.work.since_us,
            "work_asked_us": self.work.asked_us,
        }

    def restore(self, kept: Mapping[str, object]) -> None:
        """From a checkpoint. Raises TypeError, ValueError or KeyError for what is none."""
        alarms = kept["alarms"]
        announced = kept.get("announced", [])  # a checkpoint of before this was counted has none
        if not isinstance(alarms, dict) or not isinstance(announced, list):
            raise TypeError("alarms: not what was kept")
        self.alarms.restore(alarms)
        self._announced = [int(at) for at in announced[-ANNOUNCED_MAX:]]
        since_us, asked_us = kept.get("work_us"), kept.get("work_asked_us")
        self.work.since_us = since_us if isinstance(since_us, int) else None
        self.work.asked_us = asked_us if isinstance(asked_us, int) else None
