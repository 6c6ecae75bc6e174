"""Issue point 1: running hours are right wherever the health frame stands in a burst, whole seconds or not."""

import pytest
from stranger import BURSTS, sail

from firmware_sim import Truth

DAY_S = 86_400.0
STEADY = "[[0, 96]]"
STOPPED = "[[0, 96], [20000, 96], [20030, 0], [25000, 0], [25030, 96]]"
PATTERNS = [
    (health, offset_s, pause_s, speed)
    for health in ("each-second", "first", "middle", "last")
    for offset_s in (0.0, 0.37)
    for pause_s in (594.0, 0.0)
    for speed in (STEADY, STOPPED)
]


@pytest.mark.parametrize(("health", "offset_s", "pause_s", "speed"), PATTERNS)
def test_hours_of_a_day_in_bursts(health: str, offset_s: float, pause_s: float, speed: str) -> None:
    """Six seconds each ten minutes for a day, with and without a stop of an hour and more: within 0.5 %."""
    build = f'[build]\nhealth = "{health}"\nburst_offset_s = {offset_s}\n'
    sailed = sail(f"{BURSTS}{build}[engine]\nspeed = {speed}\n", DAY_S + 10.0, pause_s)
    true_h = float(Truth(sailed.scenario).hours(DAY_S + 6.0 + offset_s))
    counted_h = sailed.pipeline.meter.hours.hours - 21_400.0
    assert counted_h == pytest.approx(true_h, rel=0.005)
