"""The work sheets' sums against published tables: nut turns by ISO coarse pitches, springs, and rules of the trade."""

import pytest

from gateway.wear.datum import from_settings
from gateway.worksheet import sums
from gateway.worksheet.catalogue import sheet
from gateway.worksheet.sheet import Facts
from tests.drive_engines import tern

# ISO 261 coarse pitches, from the table of the bd_warehouse package 0.4.0 (hex_head_parameters.csv); M42, M48, M56 and
# M64 also from engineeringtoolbox.com "metric threads". Above M64 6 mm (M72 to M100: the rule alone, from memory).
COARSE = {
    "M20": 2.5, "M24": 3.0, "M30": 3.5, "M36": 4.0, "M42": 4.5, "M48": 5.0, "M52": 5.0, "M56": 5.5, "M60": 5.5,
    "M64": 6.0, "M72": 6.0, "M100": 6.0,
}  # fmt: skip
# Advance for one flat of a hexagon, recomputed from ISO 724.
FLAT = {"M42": 0.750, "M48": 0.833, "M56": 0.917, "M64": 1.000}


@pytest.mark.parametrize(("size", "pitch"), COARSE.items())
def test_one_turn_is_one_pitch(size: str, pitch: float) -> None:
    """A length to go of one pitch is one turn, and of one flat's advance a sixth."""
    assert sums.nut_turns(pitch, pitch) == 1.0
    if size in FLAT:
        assert sums.nut_turns(FLAT[size], pitch) == pytest.approx(1 / 6, abs=2e-4)
        assert sums.turns_in_words(sums.nut_turns(FLAT[size], pitch)) == "60°"


@pytest.mark.parametrize(
    ("turns", "words"),
    [(0.0, "0°"), (1.0, "1 turn"), (2.25, "2 turns and 90°"), (-0.5, "180°"), (0.9999, "1 turn"), (1 / 6, "60°")],
)
def test_turns_as_one_turns_a_spanner(turns: float, words: str) -> None:
    """Arithmetic of the circle."""
    assert sums.turns_in_words(turns) == words


def facts() -> Facts:
    """A spring of the trade's figures: 188.5 mm new, 20.5 mm required."""
    t = {"free_length_new_mm": 188.5, "free_length_mm": 188.0, "required_compression_mm": 20.5, "band_mm": 2.0}
    engine = tern(tightener=t, transducer={"at_4ma_mm": 140.0, "at_20ma_mm": 200.0})
    return Facts(engine, from_settings(engine))


def test_target_of_todays_free_length() -> None:
    """187.0 mm measured and 20.5 mm required: 166.5 mm; the same spring new was 168.0 (common practice, no source)."""
    assert sheet("retighten", facts(), {"free_mm": "187.0"}).figure("target_mm") == pytest.approx(166.5)
    assert sheet("retighten", facts(), {"free_mm": "188.5"}).figure("target_mm") == pytest.approx(168.0)


def test_a_spring_does_not_grow() -> None:
    """Longer than new cannot be, nor shorter than a spring that gives the required compression (statics)."""
    for typed in ("188.6", "20", "0", "1e3", "abc"):
        made = sheet("retighten", facts(), {"free_mm": typed})
        assert made.refused, typed
        assert made.figure("target_mm") is None and made.booking is None


def test_the_pin_gauge_of_the_trade() -> None:
    """4.8 mm on the arc are 2.0° at a radius of 137.5 mm (common practice, no source); two crank degrees a cam degree
    on a four-stroke."""
    assert sums.gauge_deg(137.5, 4.8, 1) == pytest.approx(2.0, abs=0.001)
    assert sums.gauge_mm(137.5, 2.0, 1) == pytest.approx(4.8, abs=0.001)
    assert sums.gauge_deg(137.5, 4.8, 2) == pytest.approx(4.0, abs=0.001)


def test_hand_play_of_the_trade() -> None:
    """Half a link to one link at mid-span (common practice, no source)."""
    for play, level in ((0.4, "attention"), (0.5, "good"), (1.0, "good"), (1.1, "attention")):
        assert sheet("hand-play", facts(), {"play_links": str(play)}).notices[0].level == level


def test_waits_are_the_trades_least_times() -> None:
    """20 minutes before opening, 15 before plugs go back (common practice, no source), and never as permission."""
    waits = sheet("retime", facts(), {}).waits
    assert [w.least_s for w in waits] == [1_200, 900]
    assert all("Not permission" in w.words for w in waits)


def test_three_per_cent_over_twenty_four_inches() -> None:
    """A chain maker's worked figure: 24 pitches of 1 in measured as 24.72 in are 3.0 % longer."""
    engine = tern(chain={"pitch_mm": 25.4})
    made = sheet("links", Facts(engine, from_settings(engine)), {"links": "24", "length_mm": "627.888"})
    assert made.figure("percent") == pytest.approx(3.0, abs=1e-9)
