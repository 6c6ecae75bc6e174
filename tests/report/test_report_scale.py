"""Axes: whatever the range, the figures on them are round, rising, inside, few, and told apart."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm.table import ROWS
from gateway.report.markup import tag
from gateway.report.scale import Scale, around, ticks, time_ticks
from gateway.report.words import ALARMS

finite = st.floats(-1e7, 1e7, allow_nan=False)


@given(finite, st.floats(1e-2, 1e7), st.integers(3, 10))
def test_figures_on_an_axis(low: float, span: float, most: int) -> None:
    """Pins ticks over any range: within it, evenly apart by 1, 2 or 5 times a power of ten, few, no two texts alike."""
    found = ticks(low, low + span, most)
    values = [v for v, _ in found]
    room = 1e-6 * (span + abs(low) * 1e-6)
    assert 1 <= len(found) <= most + 1 and all(low - room <= v <= low + span + room for v in values)
    assert len({words for _, words in found}) == len(found)
    if len(values) > 1:
        step = values[1] - values[0]
        lead = step / 10 ** math.floor(math.log10(step) + 1e-6)
        assert min(abs(lead - m) for m in (1, 2, 5, 10)) < 1e-3


@given(st.floats(0, 4e9), st.floats(3_600, 3e8))
def test_times_on_an_axis(low: float, span: float) -> None:
    """Pins time ticks from an hour to nine years: within, rising, few."""
    values = [v for v, _ in time_ticks(low, low + span)]
    assert len(values) <= 9 and values == sorted(set(values))
    assert all(low - 1 <= v <= low + span + 1 for v in values)


@given(st.lists(finite, max_size=20), st.floats(0.1, 100))
def test_a_range_holds_its_values(values: list[float], least: float) -> None:
    """Pins that all values lie in the range, and that it is never empty."""
    low, high = around(values, least)
    assert high - low >= 0.99 * least and all(low <= v <= high for v in values)
    scale = Scale(low, high, 10.0, 20.0)
    assert all(10.0 <= scale.at(v) <= 20.0 for v in (*values, low - 1, high + 1))


def test_no_range_no_axis() -> None:
    """Pins that an axis of nothing is refused."""
    with pytest.raises(ValueError):
        ticks(1.0, 1.0)
    with pytest.raises(ValueError):
        time_ticks(5.0, 5.0)


@given(st.text())
def test_text_never_becomes_markup(told: str) -> None:
    """Pins that no text makes an element or ends an attribute."""
    made = tag("p", told, title=told)
    assert made.count("<") == 2 and made.count(">") == 2 and made.split(">")[0].count('"') == 2


def test_every_alarm_has_words() -> None:
    """Pins that the report can say in words what each alarm is."""
    assert set(ALARMS) == {row.tag for row in ROWS}
