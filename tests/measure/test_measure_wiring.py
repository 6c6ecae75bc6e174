"""Encoders that cannot be on one chain: reversed, of another ratio or other counts."""

import pytest

from gateway.measure.seconds import Second
from gateway.measure.wiring import TURN, Wiring


def played(part: float, seconds: int = 30, rpm: float = 96.0) -> Wiring:
    wiring = Wiring()
    for _ in range(seconds):
        travel = round(rpm / 60 * TURN)
        wiring.second(Second(crank_travel=travel, cam_travel=round(travel * part)))
    return wiring


@pytest.mark.parametrize("rpm", [96.0, 40.0, -60.0])
def test_encoders_that_go_together_have_no_fault(rpm: float) -> None:
    """Ahead and astern, a stretch of a thousandth among it."""
    for part in (1.0, 1.001, 0.999):
        assert played(part, 120, rpm).fault == ""


@pytest.mark.parametrize(("rpm", "word"), [(96.0, "cam encoder is reversed"), (-96.0, "crank encoder is reversed")])
def test_a_reversed_encoder(rpm: float, word: str) -> None:
    """Named after twenty turns, for an engine that runs ahead."""
    assert word in played(-1.0, rpm=rpm).fault
    assert played(-1.0, 8, rpm).fault == ""


@pytest.mark.parametrize("part", [0.5, 2.0, 0.879, 1.138])
def test_a_wrong_ratio_or_other_counts(part: float) -> None:
    """Half or double speed; 14,400 lines for 16,384."""
    assert f"{part:.2f} turns for one" in played(part).fault


def test_a_tooth_jump_is_no_wiring() -> None:
    """Eight degrees within ten turns, ten teeth as well."""
    for deg in (8.0, 80.0):
        wiring = played(1.0)
        wiring.second(Second(crank_travel=TURN, cam_travel=TURN - round(deg / 360 * TURN)))
        for _ in range(30):
            assert wiring.second(Second(crank_travel=TURN, cam_travel=TURN)) == ""


def test_it_ends_when_it_is_mended() -> None:
    """By the next ten turns that go together, or when a signal is missing."""
    wiring = played(0.5)
    for _ in range(20):
        wiring.second(Second(crank_travel=TURN, cam_travel=TURN))
    assert wiring.fault == ""
    broken = played(0.5)
    broken.broken()
    assert broken.fault == ""
