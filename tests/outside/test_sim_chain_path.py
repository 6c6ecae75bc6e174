"""The simulator's closed chain loop against published chain figures; nothing of the gateway takes part."""

import math

import numpy as np
import pytest

from firmware_sim.chain_path import GROWTH_GRID, ChainPath, Layout, LoopOpenError, chain_path, radius

# Unit factors 1/sin(180°/z), ISO 606 Annex A as printed in machinery handbooks.
FACTORS = {9: 2.9238, 19: 6.0755, 25: 7.9787, 45: 14.3356, 76: 24.1984, 150: 47.7500}


def path(**changed: float | bool) -> ChainPath:
    """The invented vessel's drive: 150 links of 114.3 mm (ISO 606, 72B), 45 and 45 teeth, 46 links taut."""
    figures = {
        "pitch": 114.3, "crank_teeth": 45, "cam_teeth": 45, "tightener_teeth": 19, "links": 150, "taut_links": 46.0,
        "wrap_rad": math.pi / 2, "ride_out": 0.0, "outside": True,
    }  # fmt: skip
    return chain_path(Layout(**(figures | changed)))  # type: ignore[arg-type]


def at(course: np.ndarray, growth: float) -> float:
    return float(np.interp(growth, GROWTH_GRID, course))


@pytest.mark.parametrize(("teeth", "factor"), FACTORS.items())
def test_circles_are_iso_606s(teeth: int, factor: float) -> None:
    """ISO 606 Annex A: pitch circle diameter over pitch."""
    assert 2 * radius(1.0, teeth) == pytest.approx(factor, abs=5.1e-5)


@pytest.mark.parametrize(("ride_out", "deg"), [(0.0, 3.677), (1.0, 3.644)])
def test_lag_of_one_per_cent(ride_out: float, deg: float) -> None:
    """Published chain kinematics (a worn chain rides out to D·(1+ε), machinery texts): 3.644° with, 3.677° without."""
    assert at(path(ride_out=ride_out).lag_deg, 0.01) == pytest.approx(deg, abs=0.004)


@pytest.mark.parametrize("teeth", [40, 45, 60, 90])
def test_a_fully_ridden_out_link_takes_one_tooth(teeth: int) -> None:
    """The same texts: at the general limit ε = 2/z the pitch radius has risen by p/π, 0.318 pitches (±0.2 %)."""
    rise = radius(1.0, teeth) * (2 / teeth)
    assert rise == pytest.approx(1 / math.pi, rel=2e-3)


def test_slack_freed_leaves_out_the_links_in_mesh() -> None:
    """Of 150 links 61 are in mesh: fully ridden out the loop gives 89/150 of what it gives without ride-out."""
    none, full = path(), path(ride_out=1.0)
    assert none.mesh_links == pytest.approx(61, abs=0.01)
    ratio = at(full.spare_links, 0.004) / at(none.spare_links, 0.004)
    assert ratio == pytest.approx((150 - none.mesh_links) / 150, abs=0.003)


def test_an_inside_tightener_has_fewer_links_in_mesh() -> None:
    """Wheels of an open loop are wrapped by a full turn together (geometry); an outside wheel adds twice its wrap."""
    inside, outside = path(outside=False), path()
    assert inside.mesh_links == pytest.approx(45 * (360 - 90) / 360 + 19 / 4, abs=0.01)
    assert outside.mesh_links == pytest.approx(45 * (360 + 90) / 360 + 19 / 4, abs=0.01)


@pytest.mark.parametrize(("wrap_deg", "pull"), [(60.0, 1.0), (90.0, math.sqrt(2)), (120.0, math.sqrt(3))])
def test_two_strands_pull_by_the_parallelogram_of_forces(wrap_deg: float, pull: float) -> None:
    """Statics: unit tensions that part by 60°, 90° and 120° of wrap add to 1, √2 and √3."""
    assert path(wrap_rad=math.radians(wrap_deg)).wheel_pull() == pytest.approx(pull, rel=1e-6)


def test_warmth_is_the_expansion_of_steel() -> None:
    """Callister, table B.6: steel 11.7 · 10⁻⁶/K. A kelvin: 0.0042° of lag, 0.025 to 0.035 mm of spring."""
    p = path(ride_out=0.5)
    assert at(p.lag_deg_per_warm, 0.003) * 11.7e-6 == pytest.approx(0.0043, abs=1e-4)
    assert 0.025 < at(p.travel_per_warm, 0.003) * 0.25 * 11.7e-6 < 0.035


def test_a_loop_that_cannot_close_is_refused() -> None:
    """Fewer links than the two wheels and the taut strand take."""
    with pytest.raises(LoopOpenError, match="loop_links"):
        path(links=80)
