"""Jumps of the lag and of the spring's length, from revolution to revolution, while the engine runs steadily ahead."""

from collections.abc import Mapping
from dataclasses import dataclass

from gateway.model.records import Cycle
from gateway.model.settings import EngineSettings
from gateway.wear.geometry import tooth_pitches_deg
from gateway.wear.steps import SETTLE, SETTLE_IN_BURSTS, Jump, JumpDetector
from gateway.wear.sudden import SuddenShift
from gateway.wear.trend import Series

LAG_APART, LASTING, LASTING_IN_BURSTS = 0.6, 120, 24
"""A lag that stands 0.6 of the step sought (0.3°) off for two minutes has slipped: at a steady speed neither waves nor
load nor warmth do half of it in that time (from memory). In bursts it takes three of them. The spring's length has no
such rule: warmth moves it by as much in hours."""


@dataclass(frozen=True, slots=True)
class JumpFound:
    """A revolution has made a jump certain: by how much the level has moved with it, and where it is now."""

    series: Series
    size: float
    level: float


class Jumps:
    """One detector for each series; `sudden` sees what of the lag is too small for it."""

    def __init__(self, engine: EngineSettings, *, bursts: bool) -> None:
        settle = SETTLE_IN_BURSTS if bursts else SETTLE
        lasting = LASTING_IN_BURSTS if bursts else LASTING
        self.lag = JumpDetector(engine.lag.step_deg, min(tooth_pitches_deg(engine)), settle, LAG_APART, lasting)
        self.spring = JumpDetector(engine.tightener.step_mm, settle=settle)
        self.sudden = SuddenShift(bursts=bursts)

    def revolution(self, c: Cycle) -> list[JumpFound]:
        """Take a steady revolution."""
        found = []
        lag_before, spring_before = self.lag.standing, self.spring.standing
        self.sudden.revolution(c)
        if c.raw_deg is not None and (jump := self.lag.add(c.raw_deg)) is not None:
            found.append(_found("lag", jump, lag_before))
            self.sudden.jumped(found[-1].size)
        if c.spring_mm is not None and (jump := self.spring.add(c.spring_mm)) is not None:
            found.append(_found("spring", jump, spring_before))
        return found

    def resume(self, *, warm: bool, stood: bool = False, slow: bool = False) -> None:
        """Steady running was interrupted and is back; `warm`: only the speed was changed, `stood`: at a normal speed
        after a standstill, `slow`: not at a normal speed yet."""
        bar = JumpDetector.over_stop
        if warm or stood:
            bar = JumpDetector.over_speed if warm and not stood else JumpDetector.over_standstill
        for detector in (self.lag, self.spring):
            detector.resume(bar, slow=slow)
        self.sudden.begin_again(warm=warm)

    def rebase_lag(self) -> None:
        """The zero was taken, or the camshaft set."""
        self.lag.rebase()
        self.sudden.rebase()

    def standing(self, series: Series) -> Jump | None:
        """The jump that stands, unless it has been undone by half."""
        detector = self.lag if series == "lag" else self.spring
        jump = detector.standing
        return jump if jump is not None and abs(jump.size) >= 0.5 * detector.threshold else None

    def state(self) -> dict[str, object]:
        """What a restart needs."""
        return {"lag_jump": self.lag.state(), "spring_jump": self.spring.state(), "sudden": self.sudden.state()}

    def restore(self, kept: Mapping[str, object]) -> None:
        """Go on from `state`."""
        for name, detector in (("lag_jump", self.lag), ("spring_jump", self.spring)):
            state = kept[name]
            if not isinstance(state, dict):  # no assertion: those are gone under -OO
                raise TypeError(f"{name}: not what was kept")
            detector.load(state)
        if isinstance(sudden := kept.get("sudden"), dict):  # not in a state of before this was kept
            self.sudden.load(sudden)


def _found(series: Series, jump: Jump, before: Jump | None) -> JumpFound:
    return JumpFound(series, jump.size - (before.size if before else 0.0), jump.after)
