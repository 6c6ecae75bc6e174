"""Geometry: degrees, millimetres and per cents of the invented drives, and the warnings of odd settings."""

import math

import pytest
from drive_engines import four_stroke, tern
from hypothesis import given
from hypothesis import strategies as st

from gateway.wear import geometry as g
from gateway.wear.plausibility import plausibility

TWO_CHAINS = {
    "pitch_mm": 114.3, "crank_teeth": 48, "cam_teeth": 36, "loop_links": 110, "taut_links": 34, "tightener_stage": 2,
    "second": {"pitch_mm": 88.9, "strands": 2, "drive_teeth": 30, "cam_teeth": 40, "loop_links": 130, "taut_links": 45},
}  # fmt: skip


def test_one_per_cent_of_the_invented_drive_is_as_its_page_says() -> None:
    """The interface's own sentence: 1 % is 3.68° of lag and 1° goes with 8.2 mm of spring travel."""
    assert g.lag_deg_from_elongation(tern(), 1.0) == pytest.approx(3.68, abs=0.005)
    assert g.figures(tern()).spring_mm_per_deg == pytest.approx(8.2, abs=0.05)


def test_lag_is_the_taut_strand_over_the_pitch_radius() -> None:
    """Taut strand times growth over pitch radius, written out anew, gives the same degrees."""
    radius = 114.3 / (2 * math.sin(math.pi / 45))
    assert g.lag_deg_from_elongation(tern(), 0.3) == pytest.approx(math.degrees(0.003 * 46 * 114.3 / radius))


def test_spring_travel_is_the_loop_over_the_wrap_times_the_lever() -> None:
    """Wheel travel is ε·C/(2·sin 45°), and the spring goes a quarter of it."""
    wheel = 0.002 * 150 * 114.3 / math.sqrt(2)
    assert g.spring_mm_from_elongation(tern(), 0.2) == pytest.approx(wheel * 0.25)


@given(st.floats(-2, 2))
def test_both_ways_end_where_they_began(percent: float) -> None:
    """Per cent to degrees or millimetres and back loses nothing."""
    for e in (tern(), four_stroke(), tern(chain=TWO_CHAINS)):
        assert g.elongation_from_lag_deg(e, g.lag_deg_from_elongation(e, percent)) == pytest.approx(percent, abs=1e-12)
        assert g.elongation_from_spring_mm(e, g.spring_mm_from_elongation(e, percent)) == pytest.approx(
            percent, abs=1e-12
        )


def test_a_four_strokes_lag_is_counted_at_the_crank() -> None:
    """Half the speed at the camshaft doubles the crank degrees, and a tooth of the crank wheel counts once."""
    radius = 50.8 / (2 * math.sin(math.pi / 60))
    assert g.deg_per_percent(four_stroke()) == pytest.approx(2 * math.degrees(0.01 * 44 * 50.8 / radius))
    assert g.tooth_pitches_deg(four_stroke()) == pytest.approx((12.0,))


def test_two_chains_add_up_in_crank_degrees() -> None:
    """Each chain's share is its strand over its driven wheel, times the crank's turns for one of that wheel."""
    e = tern(chain=TWO_CHAINS)
    first = 0.01 * 34 * 114.3 / g.pitch_radius_mm(114.3, 36) * (36 / 48)
    last = 0.01 * 45 * 88.9 / g.pitch_radius_mm(88.9, 40)
    assert g.deg_per_percent(e) == pytest.approx(math.degrees(first + last))
    assert g.wheel_ratio(e) == pytest.approx(1.0)
    assert g.spring_mm_per_percent(e) == pytest.approx(0.01 * 130 * 88.9 / math.sqrt(2) * 0.25)
    assert g.tooth_pitches_deg(e) == pytest.approx((7.5, 9.0))


def test_the_tension_band_comes_first_and_the_chains_limit_last() -> None:
    """The order in which the invented drive meets its limits, with the growth at each reckoned by hand."""
    order = g.limits_in_order(tern())
    assert [x.tag for x in order] == ["tension-low", "lag-near", "lag-limit", "elongation-near", "elongation-limit"]
    assert [x.growth_percent for x in order] == pytest.approx([0.0825, 0.408, 0.544, 0.75, 0.95], abs=5e-4)
    assert order[2].hours(0.02) == pytest.approx(27_196, abs=1)
    assert order[2].hours(0.0) is None


def test_a_locked_tightener_has_no_tension_limit() -> None:
    """A spring that is only a gauge says nothing of tension in service."""
    locked = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
    assert "tension-low" not in [x.tag for x in g.limits_in_order(locked)]


def test_the_band_in_millimetres_and_newtons() -> None:
    """203.2 mm free, 23 ± 2.5 mm compressed at 310 N/mm, wrap 90° and lever 0.25."""
    f = g.figures(tern())
    assert f.band_length_mm == pytest.approx((182.7, 180.2, 177.7))
    assert f.band_force_n == pytest.approx((6355, 7130, 7905))
    assert f.band_tension_n[1] == pytest.approx(7130 * 0.25 / math.sqrt(2))


@given(st.floats(25, 200), st.integers(9, 60), st.integers(9, 60))
def test_centre_distance_undoes_chain_length(centre: float, n: int, m: int) -> None:
    """The two textbook formulas are each other's inverse wherever the wheels clear each other."""
    links = g.chain_length_links(centre, n, m)
    assert g.centre_distance_links(links, n, m) == pytest.approx(centre, rel=1e-9)


def test_the_invented_vessel_is_not_odd() -> None:
    """The shipped example gives no warning."""
    assert plausibility(tern()) == []


ODD = [
    (tern(ratio=2), "check teeth"),
    (tern(chain={"loop_links": 151}), "cranked link"),
    (tern(chain={"pitch_mm": 113.0}), "ISO 606"),
    (tern(chain={"loop_links": 600, "taut_links": 250}), "more than any engine"),
    (tern(chain={"loop_links": 60}), "do not go round"),
    (tern(chain={"taut_links": 140}), "does not fit a loop"),
    (tern(chain={"taut_links": 12}), "is short for a loop"),
    (tern(chain={"taut_links": 20}), "before the lag limit"),
    (tern(lag={"limit_deg": 4.5}), "half a tooth"),
    (tern(lag={"step_deg": 4.5}), "too wide to see it"),
    (tern(lag={"near_deg": 0.1, "limit_deg": 0.2}), "makes the lag limit"),
    (tern(lag={"zero_deg": None}), "not known until camshaft-set"),
    (tern(tightener={"wrap_deg": 5}), "wraps the tightener wheel"),
    (tern(tightener={"lever_ratio": 40}), "wheel force over spring force"),
    (tern(tightener={"rate_n_per_mm": 50_000, "lever_ratio": 2}), "of the chain's strength"),
    (tern(tightener={"rate_n_per_mm": 31.0}), "share of the slack strand's force is only 126 N"),
    (tern(tightener={"free_length_mm": 195.0}), "lost 9.0 mm"),
    (tern(tightener={"kind": "locked", "locked_at_mm": 170.0}), "check locked_at_mm"),
    (tern(transducer={"at_4ma_mm": 179.0}), "not all within the transducer"),
    (tern(elongation={"at_camshaft_set_percent": 0.85}), "already at its near limit"),
    (
        tern(
            tightener={
                "rate_n_per_mm": None,
                "wire": {"diameter_mm": 20, "coil_diameter_mm": 50, "active_coils": 6},
            }
        ),
        "coil diameter over wire",
    ),
]


@pytest.mark.parametrize(("engine", "words"), ODD, ids=[words for _, words in ODD])
def test_each_odd_setting_is_told(engine: object, words: str) -> None:
    """One wrong figure gives the warning that names it."""
    assert any(words in text for text in plausibility(engine)), plausibility(engine)  # type: ignore[arg-type]


WHOLE = [
    (tern(tightener={"rate_n_per_mm": 50_000, "lever_ratio": 2}),
     "the slack side would be pulled by 1626.3 kN, 58 % of the chain's strength; "
     "check the spring rate and lever_ratio"),
    (tern(transducer={"at_4ma_mm": 179.0}),
     "the spring's band 177.7–182.7 mm is not all within the transducer's 179–230 mm"),
    (tern(tightener={"kind": "locked", "locked_at_mm": 170.0}),
     "locked at 170.0 mm, but the target length is 180.2 mm; check locked_at_mm"),
]  # fmt: skip


@pytest.mark.parametrize(("engine", "text"), WHOLE)
def test_odd_settings_in_whole_sentences(engine: object, text: str) -> None:
    """The figures in the sentence are the ones a person would check: 50,000 N/mm × 23 mm × 2 ÷ (2·sin 45°)."""
    assert plausibility(engine) == [text]  # type: ignore[arg-type]


def test_what_lies_on_the_edge_is_not_odd() -> None:
    """Locked just at the band's end, and a spring index of 20 and of 3; a little beyond is told."""
    wire = {"diameter_mm": 10.0, "active_coils": 8.0}
    for locked, odd in ((182.7, False), (182.8, True), (177.7, False), (177.6, True)):
        told = plausibility(tern(tightener={"kind": "locked", "locked_at_mm": locked, "band_mm": 2.5}))
        assert any("locked_at_mm" in text for text in told) is odd
    for coil, odd in ((200.0, False), (201.0, True), (30.0, False), (29.9, True)):
        engine = tern(tightener={"rate_n_per_mm": None, "wire": wire | {"coil_diameter_mm": coil}})
        assert any("coil diameter over wire" in text for text in plausibility(engine)) is odd
