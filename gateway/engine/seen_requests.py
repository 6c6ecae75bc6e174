"""Which requests by MQTT may still be done: fresh ones, each once, also over a restart.

A broker may deliver a request late, and whoever has read one can send it again. So its `ts` must be of the last two
minutes, and its `id` none of the last 24 hours, which are kept on the disk.
"""

import time
from collections.abc import Callable, Mapping

from gateway.encode.messages import DoMessage, rfc3339, utc_of
from gateway.model.errors import Refused

KEY = "requests"
AGE_S_MAX = 120.0
KEPT_S = 24 * 3_600.0
IDS_MAX = 1_024
"""Kept at most. The oldest go first: `ts` alone refuses those, unless the clock was set back."""

PER_MINUTE = 60
"""Done at most. Each stands in the record: a client of the broker could push the alarms out of it."""


class SeenRequests:
    """`kept`: the checkpoint under KEY. `keep`: has it stored. Used by one thread."""

    def __init__(
        self, kept: object, keep: Callable[[Mapping[str, object]], object], utc: Callable[[], float] = time.time
    ) -> None:
        self._keep, self._utc = keep, utc
        found = kept if isinstance(kept, dict) else {}
        self._ids = {str(k): float(v) for k, v in found.items() if isinstance(v, int | float)}

    def admit(self, asked: DoMessage) -> None:
        """Remember the request, before it is done. Raises Refused for one that is too old, or was seen before."""
        now_s = self._utc()
        age_s = now_s - utc_of(asked.ts)
        if abs(age_s) > AGE_S_MAX:
            raise Refused(
                f"its time {asked.ts} is not within {AGE_S_MAX:g} s of the gateway's clock, {rfc3339(now_s)}: "
                "send it again, or correct the clock that is wrong"
            )
        if asked.id in self._ids and abs(now_s - self._ids[asked.id]) < KEPT_S:
            raise Refused(f"the id {asked.id} was used within the last 24 h: nothing was done; take a new one")
        if sum(abs(now_s - s) < 60.0 for s in self._ids.values()) >= PER_MINUTE:
            raise Refused(f"more than {PER_MINUTE} requests in a minute: nothing was done; send it again later")
        self._ids = {k: s for k, s in self._ids.items() if abs(now_s - s) < KEPT_S}
        self._ids.pop(asked.id, None)
        while len(self._ids) >= IDS_MAX:
            del self._ids[next(iter(self._ids))]
        self._ids[asked.id] = now_s
        self._keep({KEY: dict(self._ids)})
