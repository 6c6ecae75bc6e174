"""Rules of the trade, each common practice, no source: every engine's own manual overrides them, all are settings."""

import pytest
from drive_engines import tern

from gateway.model.settings import ElongationSettings, LagSettings, ServiceSettings, Tightener
from gateway.wear import geometry
from gateway.wear.agreement import Agreement
from gateway.wear.datum import from_settings
from gateway.wear.decision import Standing, decide

AGREE = Agreement("agree")


def standing(lag: float | None = 0.0, elongation: float = 0.3, hours: float = 21_400) -> Standing:
    return Standing(lag, elongation, 23.0, hours, AGREE)


def test_target_length_from_the_free_length_of_the_day() -> None:
    """187.0 mm free and 20.5 mm required give 166.5 mm (common practice, no source)."""
    t = Tightener(
        kind="sprung", free_length_new_mm=188.5, free_length_mm=187.0, required_compression_mm=20.5, band_mm=2,
        rate_n_per_mm=300,
    )  # fmt: skip
    assert t.target_length_mm == pytest.approx(166.5)


def test_the_same_spring_new() -> None:
    """188.5 mm new and 168.0 mm compressed is the same 20.5 mm; 1.5 mm of set moves the target by as much
    (common practice, no source)."""
    t = Tightener(
        kind="sprung", free_length_new_mm=188.5, free_length_mm=188.5, required_compression_mm=20.5, band_mm=2,
        rate_n_per_mm=300,
    )  # fmt: skip
    assert t.target_length_mm == pytest.approx(168.0)


def test_the_pin_gauge() -> None:
    """4.8 mm on the arc are 2.0° at a radius of 137.5 mm, both ways (common practice, no source)."""
    assert geometry.pin_gauge_deg(137.5, 4.8) == pytest.approx(2.0, abs=0.001)
    assert geometry.pin_gauge_mm(137.5, 2.0) == pytest.approx(4.8, abs=0.001)


def test_the_usual_limits_are_the_defaults() -> None:
    """2° at the pumps, renewal at 1 %, retightening every 4,000 h (common practice, no source)."""
    assert LagSettings().limit_deg == 2.0
    assert ElongationSettings().limit_percent == 1.0
    assert ServiceSettings().retighten_every_h == 4_000.0


@pytest.mark.parametrize(
    ("figures", "do"),
    [
        (standing(lag=1.4), "nothing"),
        (standing(lag=1.7), "compensate"),
        (standing(lag=2.0), "re-time"),
        (standing(elongation=1.0), "renew-chain"),
        (standing(hours=19_800 + 3_999), "nothing"),
        (standing(hours=19_800 + 4_000), "retighten"),
    ],
)
def test_each_limit_asks_for_its_work(figures: Standing, do: str) -> None:
    """Compensate below 2°, re-time at it, renew at 1 %, retighten at 4,000 h (common practice, no source)."""
    assert decide(tern(), from_settings(tern()), figures).do == do


def test_general_chain_guidance_allows_more() -> None:
    """Chain makers' general guidance (after ANSI B29.1) is 3 %, at fixed centres 1.5 %: ours is stricter."""
    assert ElongationSettings().limit_percent < 1.5
    with pytest.raises(ValueError, match="near_percent"):
        ElongationSettings(near_percent=1.5, limit_percent=1.0)
