"""Issue point 1: running hours are right wherever the health frame stands in a burst, whole seconds or not."""

from itertools import product

import pytest
from stranger import BURSTS, sail

from firmware_sim import Truth

DAY_S = 86_400.0
STEADY = "[[0, 96]]"
STOPPED = "[[0, 96], [20000, 96], [20030, 0], [25000, 0], [25030, 96]]"
HEALTH, OFFSETS_S, PAUSES_S, SPEEDS = (
    ("each-second", "first", "middle", "last"),
    (0.0, 0.37),
    (594.0, 0.0),
    (STEADY, STOPPED),
)


def every_pair(health: int, offset: int, pause: int, speed: int) -> bool:
    """Eight of the 32, in which each two of the four meet in every way: the others are run in CI."""
    return pause == offset ^ (health & 1) and speed == offset ^ (health >> 1)


PATTERNS = [
    pytest.param(h, o, p, s, marks=[] if every_pair(*at) else pytest.mark.slow)
    for at, (h, o, p, s) in zip(
        product(range(4), range(2), range(2), range(2)), product(HEALTH, OFFSETS_S, PAUSES_S, SPEEDS), strict=True
    )
]


@pytest.mark.parametrize(("health", "offset_s", "pause_s", "speed"), PATTERNS)
def test_hours_of_a_day_in_bursts(health: str, offset_s: float, pause_s: float, speed: str) -> None:
    """Six seconds each ten minutes for a day, with and without a stop of an hour and more: within 0.5 %."""
    build = f'[build]\nhealth = "{health}"\nburst_offset_s = {offset_s}\n'
    sailed = sail(f"{BURSTS}{build}[engine]\nspeed = {speed}\n", DAY_S + 10.0, pause_s)
    true_h = float(Truth(sailed.scenario).hours(DAY_S + 6.0 + offset_s))
    counted_h = sailed.pipeline.meter.hours.hours - 21_400.0
    assert counted_h == pytest.approx(true_h, rel=0.005)
