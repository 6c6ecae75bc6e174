"""One time that never steps, from the head's clock; and UTC beside it.

Durations come from head time alone. UTC is that time plus an offset: counted from a given start (`head`), or learnt
from the system clock (`system`), followed slowly, and learnt again, with `stepped` set, when the two have parted.
"""

from dataclasses import dataclass

STEP_S = 2.0
"""The system clock and head time may differ by transport delay and drift; more than this is a step."""
STEP_FRAMES = 5
"""A step is believed once so many frames, or looks at the clock in silence, have seen it."""
BACK_US = 200_000
"""Rounding of frame times, and waiting measured by the gateway's clock, may overtake head time by less than this."""
FOLLOW = 1.0 / 600.0
T_US_MAX = 1 << 61
"""A head whose clock steps ahead again and again must not run the 64 bits of a sample's time over."""
UTC_S_MAX = 253_402_300_799.0
"""The last second of the year 9999, beyond which no date can be written."""


@dataclass(frozen=True, slots=True)
class Now:
    """The gateway's clocks when bytes arrived: monotonic seconds and UTC seconds since 1970."""

    mono_s: float
    utc_s: float


class Timeline:
    """Maps (boot, head time) to pipeline time in µs, over restarts of the head and of the gateway."""

    def __init__(self, source: str, start_utc_s: float = 0.0) -> None:
        self._system = source == "system"
        self.t_us = 0
        self._boot: int | None = None
        self._offset_us = 0
        self._utc_offset_s: float | None = None if self._system else start_utc_s
        self._parted = 0
        self._last: Now | None = None
        self.steps = 0
        """How often UTC was learnt again."""

    def frame(self, boot: int, head_us: int, now: Now, sent_us: int | None = None) -> int:
        """What to add to this frame's head time. Never lets time run backwards.

        `sent_us`: its sending, where its own time is that of its first sample; a long one may begin before what else
        was sent since.
        """
        if boot != self._boot:
            self._adopt(boot, head_us, now)
        elif not self.t_us - BACK_US <= (head_us if sent_us is None else sent_us) + self._offset_us <= T_US_MAX:
            # The head's clock stepped back, or past all bounds: go on from where we were.
            self._offset_us = self.t_us - head_us
        self._last = now
        return self._offset_us

    def _adopt(self, boot: int, head_us: int, now: Now) -> None:
        elapsed_s = 0.0
        if self._system and self._last is not None:
            elapsed_s = max(0.0, now.mono_s - self._last.mono_s)
        elif self._system and self._utc_offset_s is not None:
            elapsed_s = max(0.0, now.utc_s - self._utc_offset_s - self.t_us / 1e6)
        self._boot = boot
        self.t_us += round(elapsed_s * 1e6)
        self._offset_us = self.t_us - head_us

    def reached(self, t_us: int, now: Now) -> None:
        """Time has come to `t_us`, seen at `now`: follow or relearn UTC."""
        self.t_us = max(self.t_us, t_us)
        self._follow(now)

    def _follow(self, now: Now) -> None:
        if not self._system:
            return
        offset = now.utc_s - self.t_us / 1e6
        if self._utc_offset_s is None:
            self._utc_offset_s = offset
            return
        apart = offset - self._utc_offset_s
        if abs(apart) <= STEP_S:
            self._parted = 0
            self._utc_offset_s += FOLLOW * apart
        else:
            self._parted += 1
            if self._parted >= STEP_FRAMES:
                self._utc_offset_s, self._parted = offset, 0
                self.steps += 1

    def begin(self, now: Now) -> None:
        """Before the head's first frame UTC is the system clock's: what a person does then bears a true time."""
        if self._system and self._utc_offset_s is None:
            self._utc_offset_s, self._last = now.utc_s - self.t_us / 1e6, self._last or now

    def idle(self, now: Now) -> int:
        """Nothing arrives: let pipeline time go on by the gateway's own clock. Returns it."""
        self.begin(now)
        if self._system and self._last is not None:
            self.t_us += max(0, round((now.mono_s - self._last.mono_s) * 1e6))
        elif self._system and self._utc_offset_s is not None:
            # Just started: what passed meanwhile counts, so that a shelving ends in time without a head, too.
            self.t_us = max(self.t_us, round((now.utc_s - self._utc_offset_s) * 1e6))
        self._last = now
        # A box without a battery learns the date from the network, perhaps while the head is silent.
        self._follow(now)
        return self.t_us

    def utc_s(self, t_us: int) -> float:
        """UTC of a pipeline time."""
        return min(max(t_us / 1e6 + (self._utc_offset_s or 0.0), 0.0), UTC_S_MAX)

    def checkpoint(self) -> dict[str, object]:
        """What a restart needs to go on in the same time."""
        return {"t_us": self.t_us, "boot": self._boot, "offset_us": self._offset_us, "utc_offset_s": self._utc_offset_s}

    def restore(self, kept: dict[str, object]) -> None:
        """Go on from a checkpoint: the same boot of the head goes on in the same time."""
        self.t_us, self._offset_us = int(str(kept["t_us"])), int(str(kept["offset_us"]))
        self._boot = None if kept["boot"] is None else int(str(kept["boot"]))
        offset = kept["utc_offset_s"]
        if self._utc_offset_s is None and offset is not None:
            self._utc_offset_s = float(str(offset))
