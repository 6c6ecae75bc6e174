"""The gateway's watch over itself: delivery, storage, clock, certificates. Its own alarms, judged once a second."""

import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import structlog

from gateway.alarm.acts import Act, perform
from gateway.alarm.machine import AlarmSet, Finding
from gateway.alarm.table import GATEWAY_TAGS, ROWS
from gateway.app.certificates import Ending
from gateway.app.publisher import Publisher
from gateway.encode.publish import encode_alarm, encode_initial
from gateway.encode.topics import Topics
from gateway.engine.inbox import Done
from gateway.engine.snapshot import alarm_view
from gateway.model.output import Batch, NewRetained
from gateway.model.records import Transition
from gateway.model.settings import Settings
from gateway.model.snapshot import AlarmView
from gateway.pipeline import AlarmChanged

KEY = "gateway"
"""Of the checkpoint of these alarms."""


@dataclass(frozen=True, slots=True)
class Health:
    """What the alarms are judged by. `oldest_undelivered_min`: by broker; `refused`: brokers that refuse messages;
    `unconfirmed_min`: by broker, for how long the shore has lacked what that broker has taken."""

    oldest_undelivered_min: Mapping[str, float]
    refused: Mapping[str, str]
    storage: str | None
    clock: str | None
    certificates: Ending | None = None
    unconfirmed_min: Mapping[str, float] = field(default_factory=dict)


class SelfWatch:
    """The gateway's own alarms; any thread may act on them. `views`: as they stood when they were last judged.

    Their time is monotonic and goes on over restarts: what stands since before is known to stand since then.
    """

    def __init__(self, settings: Settings, topics: Topics, publisher: Publisher, kept: object) -> None:
        """`kept`: the checkpoint that was last recorded under KEY, or `None`."""
        rows = tuple(r for r in ROWS if r.tag in GATEWAY_TAGS)
        self.alarms = AlarmSet(rows, settings.alarms, None, repeat_min=settings.gateway.repeat_min)
        self._settings, self._topics, self._publisher = settings.gateway, topics, publisher
        self._lock = threading.Lock()
        self._logger = structlog.get_logger("self_watch")
        self._start_s, self._start_us = time.monotonic(), 0
        if isinstance(kept, dict):
            try:
                self._restore(kept)
            except Exception as e:
                # Whatever a damaged disk gives back: these alarms are judged again within a second.
                self._logger.error("checkpoint.unreadable", part=KEY, why=repr(e))
                self._start_us = 0
                self.alarms = AlarmSet(rows, settings.alarms, None, repeat_min=settings.gateway.repeat_min)
        self.views: tuple[AlarmView, ...] = ()

    def _restore(self, kept: Mapping[str, Any]) -> None:
        down_s = max(0.0, time.time() - float(kept.get("utc_s", time.time())))
        self._start_us = int(kept["t_us"]) + round(down_s * 1e6)
        self.alarms.restore(kept["alarms"])

    def judge(self, health: Health) -> None:
        """Judge all of them now, and publish what changes."""
        findings = {
            "delivery-stalled": self._delivery(health),
            "storage-fault": Finding(health.storage is not None, text=health.storage or ""),
            "clock-doubtful": Finding(health.clock is not None, text=health.clock or ""),
            "certificate-expiry": self._certificates(health.certificates),
        }
        with self._lock:
            t_us = self._t_us()
            self._publish([*self.alarms.judge(t_us, findings), *self.alarms.repeats(t_us)])

    def act(self, act: Act) -> Done:
        """Somebody acts on these alarms. Raises Refused."""
        with self._lock:
            return self._publish(list(perform(self.alarms, act, self._t_us())))

    def initial_states(self) -> list[NewRetained]:
        """The state of each alarm as it is now."""
        return [encode_initial(self._topics, a, time.time()) for a in self.alarms.alarms.values()]

    def checkpoint(self) -> dict[str, object]:
        """What a restart needs, by its key."""
        alarms = self.alarms.checkpoint()
        return {KEY: {"t_us": self._t_us(), "utc_s": time.time(), "alarms": alarms}}

    @property
    def delivery_stalled(self) -> bool:
        """Does the alarm of delivery stand?"""
        return self.alarms.active("delivery-stalled")

    def _publish(self, transitions: list[Transition]) -> Done:
        self.views = self._views()
        if not transitions:
            return Done(0)
        events, retained = zip(*(encode_alarm(self._topics, self._changed(t)) for t in transitions), strict=True)
        return Done(len(transitions), self._publisher.record(Batch(events, retained, self.checkpoint())))

    def _changed(self, t: Transition) -> AlarmChanged:
        if t.announces:
            self._publisher.announced()
        self._logger.warning(
            "alarm.changed", tag=t.tag, came_from=str(t.came_from), to=str(t.to), priority=str(t.priority), text=t.text
        )
        since_us = self.alarms[t.tag].facts.since_us
        return AlarmChanged(t, time.time(), None, None if since_us is None else self._utc_s(since_us))

    def _views(self) -> tuple[AlarmView, ...]:
        return tuple(
            alarm_view(
                a,
                1,
                self._utc_s(a.facts.changed_us),
                None if a.facts.shelved_until_us is None else self._utc_s(a.facts.shelved_until_us),
                None if a.facts.since_us is None else self._utc_s(a.facts.since_us),
            )
            for a in self.alarms.alarms.values()
        )

    def _t_us(self) -> int:
        return self._start_us + round((time.monotonic() - self._start_s) * 1e6)

    def _utc_s(self, t_us: int) -> float:
        return time.time() - (self._t_us() - t_us) / 1e6

    # -- findings -----------------------------------------------------------------------------------------------

    def _delivery(self, health: Health) -> Finding:
        limit = self._settings.delivery_stalled_after_min
        if health.refused:
            name, why = next(iter(health.refused.items()))
            return Finding(True, None, limit, f"broker {name} refuses messages ({why}): check its access list")
        late = {name: age for name, age in health.oldest_undelivered_min.items() if age >= limit}
        if not late:
            return self._unconfirmed(health, limit)
        name, age = max(late.items(), key=lambda item: item[1])
        text = f"broker {name}: oldest event waits {age:.0f} min; check the link and the broker. Nothing is lost"
        return Finding(True, age, limit, text)

    def _unconfirmed(self, health: Health, limit: float) -> Finding:
        late = {name: age for name, age in health.unconfirmed_min.items() if age >= limit}
        if not late:
            return Finding(False, None, limit)
        name, age = max(late.items(), key=lambda item: item[1])
        text = (
            f"broker {name} has taken events that the shore has not recorded for {age:.0f} min; ask ashore whether a "
            f"keeper runs. They are kept aboard, up to {self._settings.keep_events} events"
        )
        return Finding(True, age, limit, text)

    def _certificates(self, ending: Ending | None) -> Finding:
        limit = self._settings.certificate_reminder_days
        return Finding(False, None, limit) if ending is None else Finding(True, ending.days, limit, ending.text)
