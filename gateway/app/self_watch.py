"""The gateway's watch over itself: delivery, storage, clock, certificates. Its own alarms, judged once a second."""

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.alarm.acts import Act, perform
from gateway.alarm.machine import AlarmSet, Finding
from gateway.alarm.table import GATEWAY_TAGS, ROWS
from gateway.app.certificates import Ending
from gateway.model.records import Transition
from gateway.model.settings import AlarmTuning, GatewaySettings
from gateway.pipeline import AlarmChanged


@dataclass(frozen=True, slots=True)
class Health:
    """What the watch looks at. `oldest_undelivered_min`: by broker; `refused`: brokers that refuse messages."""

    oldest_undelivered_min: Mapping[str, float]
    refused: Mapping[str, str]
    storage: str | None
    clock: str | None
    certificates: Ending | None = None


class GatewayWatch:
    """Judges the gateway's own alarms. `t_us`: monotonic time of the gateway, going on over restarts."""

    def __init__(self, tunings: Mapping[str, AlarmTuning], gateway: GatewaySettings) -> None:
        rows = tuple(r for r in ROWS if r.tag in GATEWAY_TAGS)
        self.alarms = AlarmSet(rows, tunings, None, repeat_min=gateway.repeat_min)
        self._settings = gateway

    def judge(self, t_us: int, utc_s: float, health: Health) -> list[AlarmChanged]:
        """Return the transitions that `health` makes at `t_us` = `utc_s`."""
        findings = {
            "delivery-stalled": self._delivery(health),
            "storage-fault": Finding(health.storage is not None, text=health.storage or ""),
            "clock-doubtful": Finding(health.clock is not None, text=health.clock or ""),
            "certificate-expiry": self._certificates(health.certificates),
        }
        found = self.alarms.judge(t_us, findings) + self.alarms.repeats(t_us)
        return [self._alarmed(t, t_us, utc_s) for t in found]

    def act(self, act: Act, t_us: int, utc_s: float) -> list[AlarmChanged]:
        """Somebody acts on these alarms. Raises Refused."""
        return [self._alarmed(t, t_us, utc_s) for t in perform(self.alarms, act, t_us)]

    def _alarmed(self, transition: Transition, t_us: int, utc_s: float) -> AlarmChanged:
        since_us = transition.since_us
        since = None if since_us is None else utc_s - (t_us - since_us) / 1e6
        return AlarmChanged(transition, utc_s, None, since)

    def _delivery(self, health: Health) -> Finding:
        limit = self._settings.delivery_stalled_after_min
        if health.refused:
            name, why = next(iter(health.refused.items()))
            return Finding(True, None, limit, f"broker {name} refuses messages ({why}): check its access list")
        late = {name: age for name, age in health.oldest_undelivered_min.items() if age >= limit}
        if not late:
            return Finding(False, None, limit)
        name, age = max(late.items(), key=lambda item: item[1])
        text = f"broker {name}: oldest event waits {age:.0f} min; check the link and the broker. Nothing is lost"
        return Finding(True, age, limit, text)

    def _certificates(self, ending: Ending | None) -> Finding:
        limit = self._settings.certificate_reminder_days
        return Finding(False, None, limit) if ending is None else Finding(True, ending.days, limit, ending.text)
