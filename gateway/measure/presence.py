"""Is the head heard, and is it the one that is configured?"""

from gateway.measure.timeline import Now
from gateway.model.records import Identity
from gateway.model.settings import HeadSettings

JUST_NOW_S = 0.001
"""A silence that begins at this moment, since the port vanished, is one all the same."""
SILENT_S = 5.0
"""Interface, section 3: no good frame for 5 s, or for three times the usual pause of bursts."""


class Presence:
    """Takes what is heard, and when; `silent_s` is how long nothing has been, 0 while the head is heard."""

    def __init__(self, head: HeadSettings, *, head_clock: bool) -> None:
        """`head_clock`: time is counted by the head alone, so that a gap in its stream is a silence."""
        self.silent_after_s = max(SILENT_S, 3 * head.burst_pause_s)
        self.silent_s = 0.0
        self.identity: Identity | None = None
        self.is_wrong = False
        """Another head than configured is on the port; it is not measured."""
        self.port_text = ""
        """Why nothing can come: the port is not there. Empty while it is."""
        self._name = head.name
        self._head_clock = head_clock
        self._last: Now | None = None

    @property
    def silent_after_us(self) -> int:
        """From so long a gap on the head is silent."""
        return round(self.silent_after_s * 1e6)

    @property
    def is_heard(self) -> bool:
        """Has a good frame of the right head come lately?"""
        return self.identity is not None and self.silent_s == 0.0 and not self.is_wrong

    @property
    def wrong_text(self) -> str:
        """Which head is heard, and which was to be."""
        heard = self.identity.name if self.identity else ""
        return f"Head {heard!r} on this port, configured is {self._name!r}: not measured. Correct the name or the cable"

    def port_lost(self, text: str) -> None:
        """The head's port is not there, and why: nothing can come, however long its pauses are. Empty: it is back."""
        self.port_text = text

    def present_us(self, t_us: int) -> int:
        """The time to ask readings for at pipeline time `t_us`: a head that is not heard has no present, whatever clock
        counts the time."""
        return t_us if self.is_heard else t_us + round(2e6 * self.silent_after_s)

    def quiet_s(self, now: Now) -> float:
        """For how long nothing has come, by the gateway's own clock; counted from the first call."""
        if self._last is None:
            self._last = now
        return now.mono_s - self._last.mono_s

    def heard(self, now: Now) -> None:
        """Good frames of the right head came."""
        self._last, self.silent_s, self.port_text = now, 0.0, ""

    def identify(self, identity: Identity) -> bool:
        """The head has named itself. True where it is another than configured, and was not known to be."""
        self.identity, self.port_text = identity, ""
        before, self.is_wrong = self.is_wrong, self._name is not None and identity.name != self._name
        return self.is_wrong and not before

    def silent(self, quiet_s: float) -> bool:
        """Nothing has come for `quiet_s`. True where the silence begins with this."""
        begins, self.silent_s = self.silent_s == 0.0, max(quiet_s, JUST_NOW_S)
        return begins

    def is_silence(self, gap_us: int) -> bool:
        """Is a gap in the stream a silence of the head?"""
        return self._head_clock and gap_us >= self.silent_after_s * 1e6
