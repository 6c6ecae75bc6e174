"""Wiring that both shafts' travel cannot show: both encoders reversed, or crank and cam swapped at ratio 1."""

from gateway.measure.seconds import Second
from gateway.model.enums import STANDING, Running
from gateway.model.settings import EngineSettings

ASTERN_S = 1_800.0
"""No ship runs astern at sea speed for so long (common practice, no source)."""
MIRROR_DEG, APART_DEG = 3.0, 12.0
"""The lag lies at its negative zero, too far from zero for a limit, and a jump of one tooth is no reason either."""
RIGHT_DEG = 6.0
REPLUG_S = 600.0
"""After a standstill of so long the plugs may have been changed."""


class SenseWatch:
    """Feed it each second; `crank` and `cam` name the mistake, empty where there is none."""

    def __init__(self, engine: EngineSettings) -> None:
        self._sea_rpm, self._mirrors = engine.running.rpm_min, engine.ratio == 1
        self._astern_s = self._standing_s = 0.0
        self._seen_right = False
        self.crank = self.cam = ""

    def second(self, s: Second, running: Running, raw_deg: float | None, zero_deg: float | None) -> None:
        """A second is over. `raw_deg`: crank − ratio·cam, averaged; `None` while not steady ahead."""
        span_s = s.covered_us / 1e6
        self._astern(s.rpm, span_s)
        self._standing_s = self._standing_s + span_s if running in STANDING else 0.0
        if self._standing_s > REPLUG_S:
            self._seen_right = False
        if raw_deg is not None and zero_deg is not None:
            self._mirror(raw_deg, zero_deg)

    def gap(self, gap_s: float) -> None:
        """The head paused: time went on as before."""
        if self._astern_s:
            self._astern_s += gap_s

    def _astern(self, rpm: float, span_s: float) -> None:
        if rpm <= -self._sea_rpm:
            self._astern_s += span_s
        elif rpm >= 0:
            self._astern_s = 0.0
        self.crank = ""
        if self._astern_s >= ASTERN_S:
            self.crank = (
                f"astern at {-rpm:.0f} rpm for {self._astern_s / 60:.0f} min: if the engine runs ahead, both encoders "
                "are reversed. Compare with the telegraph"
            )

    def _mirror(self, raw_deg: float, zero_deg: float) -> None:
        """At ratio 1 swapped encoders show the lag with the other sign, and so the zero."""
        off = abs(_wrapped(raw_deg - zero_deg))
        self._seen_right |= off < RIGHT_DEG
        mirror = abs(_wrapped(raw_deg + zero_deg)) <= MIRROR_DEG and off >= APART_DEG
        swapped = self._mirrors and mirror and not self._seen_right
        self.cam = ""
        if swapped:
            self.cam = f"crank and cam encoder are swapped: {off:.0f}° off, as by the other sign. Change the plugs"

    def state(self) -> dict[str, object]:
        """What a restart needs: the rest shows again within a minute."""
        return {"astern_s": self._astern_s, "seen_right": self._seen_right}

    def restore(self, kept: object) -> None:
        """Go on from `state`; a checkpoint without it leaves all as it is."""
        if isinstance(kept, dict):
            self._astern_s, self._seen_right = float(kept["astern_s"]), bool(kept["seen_right"])


def _wrapped(deg: float) -> float:
    return (deg + 180.0) % 360.0 - 180.0
