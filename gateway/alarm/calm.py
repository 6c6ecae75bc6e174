"""While nothing moves any alarm: how far the figures may go before all must be judged again.

Nearly always no finding moves anything: no delay runs, and each condition is as it stands. Then only figures go on
changing, and as long as each stays within its room, and all else is what it was, judging again would find the same.
Said for a time only, so that whatever were forgotten here would be found at the next whole judging.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from gateway.alarm.machine import Finding

TRUSTED_US = 30_000_000
"""So long a calm is trusted: the shortest on-delay of an alarm that hangs on a figure of the drive, as shipped."""
ROUNDING = 1e-9
"""Degrees, mm or per cent: more than a difference of two figures can be off."""


Figures = tuple[float | None, float | None, float | None, float | None]
"""What changes at every revolution: lag_deg, spring_mm, slap_mm, link_loss_percent; `None` = not known. A plain tuple,
since one is made for each."""

OF_FIGURE = (
    ("lag-near", "lag-limit"),
    ("tension-low", "tension-high", "tightener-moved"),
    ("slap-high",),
    ("link-poor",),
)
"""Which alarms hang on each of the figures, in their order. Compression changes as the spring's length does."""


@dataclass(slots=True)
class Calm:
    """Until `until_us` no alarm moves while all that `stands` is equal and each figure within its bounds.

    `low`, `high`: exclusive, in the order of `Figures`; of a figure that was not known `low` is above `high`, and it
    must stay so.
    """

    until_us: int
    stands: tuple[object, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]

    def holds(self, t_us: int, figures: Figures) -> bool:
        """Is each figure within its bounds at `t_us`?"""
        if t_us >= self.until_us:
            return False
        lag_deg, spring_mm, slap_mm, loss = figures
        if lag_deg is None or spring_mm is None or slap_mm is None or loss is None:
            return all(map(_within, figures, self.low, self.high))
        low, high = self.low, self.high
        return (
            low[0] < lag_deg < high[0]
            and low[1] < spring_mm < high[1]
            and low[2] < slap_mm < high[2]
            and low[3] < loss < high[3]
        )


def _within(figure: float | None, low: float, high: float) -> bool:
    return low > high if figure is None else low < figure < high


def calm(t_us: int, stands: tuple[object, ...], figures: Figures, findings: Mapping[str, Finding]) -> Calm:
    """From findings of all alarms, none of which moves any."""
    low, high = [], []
    for figure, tags in zip(figures, OF_FIGURE, strict=True):
        room = min(findings[tag].room for tag in tags) - ROUNDING
        low.append(math.inf if figure is None else figure - room)
        high.append(-math.inf if figure is None else figure + room)
    return Calm(t_us + TRUSTED_US, stands, tuple(low), tuple(high))
