"""The pressures' sheet and its file: what is noticed, what is refused in words, and that no text breaks it."""

import contextlib
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.model.errors import Refused
from gateway.wear.datum import from_settings
from gateway.worksheet import indicator
from gateway.worksheet.catalogue import SHEETS, as_data, sheet
from gateway.worksheet.pressure_file import read_pressures
from gateway.worksheet.sheet import Facts, Sheet
from tests.drive_engines import tern

CYLINDERS = {"number": 2, "bore_mm": 600, "stroke_mm": 2_400, "rod_ratio": 0.4, "compression_ratio": 16.0}
ENGINE = tern(cylinders=CYLINDERS, cams=None)
FACTS = Facts(ENGINE, from_settings(ENGINE), rpm=90.0)


def cycle(shift_deg: float = 0.0, unit: str = "bar", scale: float = 1.0, cylinders: int = 2, noise: float = 0.0) -> str:
    """A made-up cycle: polytropes and burning after dead centre; the file's angles are `shift_deg` ahead."""
    assert ENGINE.cylinders is not None
    angle = np.arange(-180.0, 180.0, 0.5)
    v = indicator.volume_m3(ENGINE.cylinders, angle)
    p = 3.2 * (v.max() / v) ** 1.33 * np.where(angle > 0, 1 + 0.5 * (1 - np.exp(-np.clip(angle, 0, None) / 6)), 1.0)
    p = p + noise * np.random.default_rng(3).standard_normal(len(p))
    head = "crank_deg," + ",".join(f"cyl{n}_{unit}" for n in range(1, cylinders + 1))
    rows = [
        ",".join([f"{a + shift_deg:.2f}", *[f"{x * scale:.5f}"] * cylinders]) for a, x in zip(angle, p, strict=True)
    ]
    return "\n".join([head, *rows])


def made(text: str, **typed: str) -> Sheet:
    return sheet("pressures", FACTS, typed, text)


def says(found: Sheet, words: str) -> bool:
    return any(words in n.text for n in found.notices)


def test_a_whole_file_gives_figures_and_a_booking() -> None:
    """Both cylinders, power at the present speed, all within the spread, ready to book."""
    found = made(cycle())
    assert not found.refused and found.booking is not None and len(found.booking["cylinders"]) == 2
    assert found.figure("kw") is not None and says(found, "within the spread")
    assert not says(found, "dead centre")


@pytest.mark.parametrize("shift", [-2.0, -1.0, 1.0, 2.0])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_a_shifted_dead_centre_is_noticed(shift: float, noise: float) -> None:
    """Angles a degree or two off are told, with size and way; right ones are not, with noise or without."""
    assert ENGINE.cylinders is not None
    file = read_pressures(cycle(shift, noise=noise), 360.0)
    found = indicator.dead_centre_shift_deg(ENGINE.cylinders, file.angle_deg, file.bar[1])
    assert found == pytest.approx(shift, abs=0.4)
    assert says(made(cycle(shift, noise=noise)), "dead centre seems to be off")
    assert not says(made(cycle(0.0, noise=noise)), "dead centre")


def test_units_are_taken_from_the_heading_and_wrong_ones_are_noticed() -> None:
    """The same cycle in MPa, kPa or Pa gives the same figures; MPa headed as bar is refused with the guess."""
    right = made(cycle()).figure("mean_max_bar")
    for unit, scale in (("MPa", 0.1), ("kPa", 100.0), ("Pa", 1e5)):
        assert made(cycle(unit=unit, scale=scale)).figure("mean_max_bar") == pytest.approx(right, rel=1e-4)
    wrong = made(cycle(scale=0.1))
    assert wrong.refused and wrong.booking is None and says(wrong, "are these MPa?")


def test_missing_cylinders_are_noticed() -> None:
    """One column of two is told."""
    assert says(made(cycle(cylinders=1)), "Missing: cylinder 2 of 2")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the file is empty"),
        ("crank_deg\n1\n", "one column only"),
        ("crank_rad,cyl1_bar\n0,1\n", "radians"),
        ("a,cyl1_bar\n0,1\n", "no unit of pressure"),
        ("crank_deg,cyl1_bar,cyl1_bar\n0,1,1\n", "two columns"),
        ("crank_deg,p_bar\n0,1\n", "no cylinder's number"),
        ("crank_deg,cyl1_bar\n0,nan\n", "is not a number"),
        ("crank_deg,cyl1_bar\n0,1\n1,2\n1,3\n", "do not rise"),
        ("crank_deg,cyl1_bar\n0,1\n1,2\n2,3\n", "cover 2°"),
        ("crank_deg,cyl1_bar\n0,1\n10,2\n20,3\n", "too coarse"),
    ],
)
def test_faults_come_in_words(text: str, words: str) -> None:
    """Each fault of a file is refused with what to change."""
    with pytest.raises(Refused, match=words):
        read_pressures(text, 360.0)


@settings(max_examples=200)
@given(
    st.text(max_size=400)
    | st.lists(st.sampled_from(["crank_deg", "cyl1_bar", ",", ";", "\n", "1", "-", "e9", "°"])).map("".join)
)
def test_no_text_breaks_the_reader(text: str) -> None:
    """Whatever a file holds, it is read or refused in words."""
    with contextlib.suppress(Refused):
        assert read_pressures(text, 360.0).bar


@settings(max_examples=60)
@given(st.sampled_from(sorted(SHEETS)), st.data())
def test_whatever_is_typed_a_sheet_comes(name: str, data: Any) -> None:
    """No typed figure breaks a sheet; what cannot be is refused on it."""
    inputs = [i.name for i in sheet(name, FACTS, {}).inputs]
    values = st.text(max_size=12) | st.floats().map(str) | st.sampled_from(["0", "-1", "203", "1e999", "1,5", "9" * 12])
    typed = {i: data.draw(values) for i in inputs}
    assert as_data(sheet(name, FACTS, typed))["cautions"]
