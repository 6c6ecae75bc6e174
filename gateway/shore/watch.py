"""Alerts as they come, straight from the broker: what a person ashore sees. The judging is pure.

Beside the events: a vessel that goes or comes, numbers missing in a gateway's sequence, and silence.
"""

import json
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

from gateway.alarm.wording import WORDS
from gateway.encode.messages import AlarmEvent, rfc3339
from gateway.model.enums import AlarmState
from gateway.model.errors import PortError
from gateway.shore.check import Checked, NotTaken, check, filters
from gateway.shore.link import Access, FleetLink, Subscription

_STANDS = (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
_CLEARED = (AlarmState.NORMAL, AlarmState.RETURNED)
GATEWAYS_MAX = 100_000
NUMBERS_MAX = 1_000
"""Seqs remembered per gateway beyond a gap; copies of older ones are known by being old."""


@dataclass(frozen=True, slots=True)
class Alert:
    """One line. `what`: standing (when we came), alarm, adjustment, gateway, presence, missing, silent or refused;
    `about`: tag or kind."""

    ts: str
    vessel: str
    engine: str
    what: str
    about: str
    text: str
    priority: str = ""
    came_from: str = ""
    to: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    by: str = ""

    def json(self) -> str:
        """One JSON object on a line."""
        return json.dumps({k: v for k, v in asdict(self).items() if v not in ("", None)}, ensure_ascii=False)

    def line(self) -> str:
        """For people. Control characters from afar do not reach a terminal."""
        place = self.vessel + (f"/{self.engine}" if self.engine else "")
        figure = "" if self.value is None else f" {self.value:g} {self.unit}".rstrip()
        limit = "" if self.limit is None else f" (limit {self.limit:g})"
        change = f" {self.came_from} -> {self.to}" if self.to else ""
        by = f" by {self.by}" if self.by else ""
        head = f"{self.ts} {place} {self.priority or self.what} {self.about}{change}{figure}{limit}{by}"
        return "".join(c if c.isprintable() else "�" for c in f"{head}: {self.text}")


class Alerts:
    """Turns messages into alerts. `silent_after_s`: by the shore's monotonic clock."""

    def __init__(self, prefix: str, silent_after_s: float = 3 * 3600.0) -> None:
        self._prefix, self._silent_after_s = prefix, silent_after_s
        self._seen: OrderedDict[str, tuple[int, set[int]]] = OrderedDict()
        self._presence: dict[str, str] = {}
        self._shown: dict[tuple[str, str, str], str] = {}
        self._heard: OrderedDict[str, float] = OrderedDict()
        self._silent: set[str] = set()

    def feed(self, topic: str, payload: bytes, now: float, utc_s: float, *, retained: bool = False) -> list[Alert]:
        """What one message gives rise to. `retained`: it stood before we came."""
        item = check(topic, payload, self._prefix)
        if isinstance(item, NotTaken):
            return [Alert(rfc3339(utc_s), item.vessel or "?", "", "refused", item.reason.value, item.detail)]
        found = self._heard_again(item.address.vessel, now, utc_s)
        if item.address.klass == "event":
            found += self._event(item, utc_s)
        elif item.address.klass == "presence":
            found += self._presence_of(item, utc_s, retained=retained)
        elif item.address.klass == "alarm" and retained:
            found += self._standing(item)
        return found

    def silent(self, now: float, utc_s: float) -> list[Alert]:
        """Vessels from which nothing has come for too long, each reported once."""
        found = []
        for vessel, at in self._heard.items():
            if now - at <= self._silent_after_s:
                break
            if vessel not in self._silent:
                self._silent.add(vessel)
                text = f"nothing heard for {self._silent_after_s / 3600:g} h"
                found.append(Alert(rfc3339(utc_s), vessel, "", "silent", "silence", text))
        return found

    def _heard_again(self, vessel: str, now: float, utc_s: float) -> list[Alert]:
        self._heard[vessel] = now
        self._heard.move_to_end(vessel)
        if len(self._heard) > GATEWAYS_MAX:
            self._silent.discard(self._heard.popitem(last=False)[0])
        if vessel not in self._silent:
            return []
        self._silent.discard(vessel)
        return [Alert(rfc3339(utc_s), vessel, "", "silent", "heard again", "the vessel is heard again")]

    def _standing(self, item: Checked) -> list[Alert]:
        """An alarm that stood when we came, once; not again after a break of the connection."""
        m, a = item.message, item.address
        key = (a.vessel, a.engine, m.tag)
        if len(self._shown) > GATEWAYS_MAX:
            self._shown.clear()
        if m.state not in _STANDS or self._shown.get(key) == m.ts:
            return []
        self._shown[key] = m.ts
        return [
            Alert(
                m.since or m.ts, a.vessel, a.engine, "standing", m.tag, m.text, m.priority.value, to=m.state.value,
                value=m.value, limit=m.limit, unit=m.unit, by=m.by or "",
            )
        ]  # fmt: skip

    def _presence_of(self, item: Checked, utc_s: float, *, retained: bool) -> list[Alert]:
        vessel, state = item.address.vessel, item.message.state
        before = self._presence.get(vessel)
        if len(self._presence) > GATEWAYS_MAX:
            self._presence.clear()
        self._presence[vessel] = state
        if before == state or (before is None and state == "online"):
            return []
        text = f"camdrift {item.message.version} is {state}"
        if state == "online":
            return [Alert(item.message.ts, vessel, "", "presence", state, text)]
        # The message was left with the broker when the link came up, and bears that time.
        text += "; since when is not known" if retained else ""
        text += f"; its link had come up at {item.message.ts}"
        return [Alert(rfc3339(utc_s), vessel, "", "presence", state, text)]

    def _event(self, item: Checked, utc_s: float) -> list[Alert]:
        m, a = item.message, item.address
        top, beyond = self._seen.pop(m.gateway, (m.seq - 1, set()))
        if m.seq <= top or m.seq in beyond:
            self._seen[m.gateway] = (top, beyond)
            return []
        missing = []
        if not beyond and m.seq > top + 1:
            text = f"number {m.seq} has come and {top + 1} has not"
            missing = [Alert(rfc3339(utc_s), a.vessel, "", "missing", "sequence", text)]
        beyond.add(m.seq)
        while top + 1 in beyond or len(beyond) > NUMBERS_MAX:
            top = top + 1 if top + 1 in beyond else min(beyond)
            beyond.discard(top)
        self._seen[m.gateway] = (top, beyond)
        if len(self._seen) > GATEWAYS_MAX:
            self._seen.popitem(last=False)
        return [*missing, _alert(item)]


def _alert(item: Checked) -> Alert:
    m, a = item.message, item.address
    if isinstance(m, AlarmEvent):
        title = WORDS[m.tag].title if m.tag in WORDS else m.tag
        # A gateway of the first edition repeats the text that the alarm was raised with.
        old = m.to in _CLEARED and not m.text.startswith("Cleared")
        text = f"Cleared: {title}" if old else m.text
        text += f"; {m.why}" if m.why else ""
        return Alert(
            m.ts, a.vessel, a.engine, "alarm", m.tag, text, m.priority.value, m.came_from.value, m.to.value, m.value,
            m.limit, m.unit, m.by or "",
        )  # fmt: skip
    return Alert(m.ts, a.vessel, a.engine, m.kind, m.what, m.text, by=getattr(m, "by", None) or "")


def watch(
    access: Access,
    prefix: str,
    client_id: str,
    show: Callable[[Alert], None],
    go_on: Callable[[], bool],
    note: Callable[[str], None],
    silent_after_s: float,
) -> None:
    """Show alerts while `go_on()`; a broken connection is noted, and opened again after a pause."""
    alerts = Alerts(prefix, silent_after_s)
    subscription = Subscription(client_id, filters(prefix, readings=False), "", 0, 100)
    noted = ""
    while go_on():
        came: list[Any] = []
        link = FleetLink(access, subscription, came.append)
        try:
            link.open()
            if noted:
                note("connected again")
                noted = ""
            while go_on():
                link.step(0.5)
                for message in came:
                    now, utc_s, retained = time.monotonic(), time.time(), bool(message.retain)
                    for alert in alerts.feed(message.topic, bytes(message.payload), now, utc_s, retained=retained):
                        show(alert)
                link.ack(came)
                came.clear()
                for alert in alerts.silent(time.monotonic(), time.time()):
                    show(alert)
        except PortError as e:
            # Once: what goes on without end is no news.
            if str(e) != noted:
                noted = str(e)
                note(f"{noted}; tried again each five seconds")
            end = time.monotonic() + 5.0
            while go_on() and time.monotonic() < end:
                time.sleep(0.1)
        finally:
            link.close()
