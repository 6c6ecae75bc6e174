"""Issue point 11: a port call with another loading is no step, a drift is no step, a burst's reading is the burst's."""

import numpy as np
import pytest
from stranger import BURSTS, sail

from firmware_sim import Truth

DAY_S = 86_400.0
PAUSE_S = 594.0
PORT = "[engine]\nspeed = [[0, 90], [450000, 90], [451800, 0], [550000, 0], [551800, 92]]\n"


@pytest.mark.slow
@pytest.mark.parametrize("deg", [-0.06, 0.06])
def test_a_change_of_loading_in_port_is_no_step(deg: float) -> None:
    """Laden to ballast, 0.06° and 2 rpm, over a stay of 27 hours, weather of 0.02° beside it: nothing is raised."""
    sea = f"[sea]\nweather_deg = 0.02\nwhite_deg = 0.005\nloading = [[0, 1], [500000, 0]]\nloading_deg = {deg}\n"
    sailed = sail(BURSTS + PORT + sea, 700_000.0, PAUSE_S)
    assert sailed.tags() & {"lag-step", "tension-step", "wear-disagree"} == set()


@pytest.mark.slow
def test_quick_wear_is_no_step() -> None:
    """The chain wears eighty times as fast as it should: limits are reported, no step, no slipped coupling."""
    wear = "[chain]\nelongation_percent = 0.33\nwear_rate_factor = 80\nwear_percent_per_1000h = 0.03\n"
    sailed = sail(BURSTS + wear, 6 * DAY_S, PAUSE_S)
    assert sailed.tags() & {"lag-step", "tension-step"} == set()
    assert {"lag-near", "lag-limit"} <= sailed.tags()


def test_a_bursts_reading_is_the_whole_bursts() -> None:
    """Links and cams differ over a turn and over ten: the reading is within 0.002° of the burst's own mean."""
    rough = "[chain]\nlink_error_mm = 0.02\n[cams]\npump_nm = 8000\n[engine]\nsea = [[8.3, 2.0], [13.1, 1.5]]\n"
    sailed = sail(BURSTS + rough, 1.2 * DAY_S, PAUSE_S)
    truth = Truth(sailed.scenario)
    off = []
    for t, r in sailed.readings(9 * 3_600.0):
        begin_s = t // 600 * 600
        if r.lag.value is not None and t - begin_s < 8:
            off.append(r.lag.value - float(truth.revolutions(begin_s, begin_s + 6).lag_deg.mean()))
    assert len(off) > 50
    assert float(np.std(off)) < 0.002
