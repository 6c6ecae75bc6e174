"""The alarms' words: one row each, short texts that fit, and figures that are never cut off."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.alarm.table import ROWS
from gateway.alarm.wording import HELP, SHORT_CHARS_MAX, WORDS, cleared_text, short_text

FIGURES = st.none() | st.floats(allow_nan=True, allow_infinity=True)


def test_each_alarm_of_the_table_has_its_words_in_the_same_order() -> None:
    """A new row of the table without words, or words without a row, fail here."""
    assert list(WORDS) == [row.tag for row in ROWS]


@pytest.mark.parametrize("tag", list(WORDS))
def test_an_action_is_one_sentence_with_its_verb_first(tag: str) -> None:
    """One full stop at the end; titles are no sentences."""
    words = WORDS[tag]
    assert words.action.endswith(".") and words.action.count(".") == 1 and words.action[0].isupper()
    assert not words.title.endswith(".") and len(words.plain) <= SHORT_CHARS_MAX


@given(tag=st.sampled_from(list(WORDS)), value=FIGURES, limit=FIGURES)
def test_a_short_text_fits_whatever_the_figures(tag: str, value: float | None, limit: float | None) -> None:
    """42 characters as the interface promises, ASCII, no place left unfilled, no minus zero."""
    text = short_text(tag, value, limit)
    assert 0 < len(text) <= SHORT_CHARS_MAX and text.isascii()
    assert "{" not in text and " -0.00 " not in text


@pytest.mark.parametrize(
    ("tag", "value", "limit", "text"),
    [
        ("lag-near", 2.314, 1.5, "Cam 2.31 deg late, warning limit 1.50"),
        ("lag-limit", -2.005, 2.0, "Cam 2.00 deg early, limit 2.00"),
        ("lag-step", -8.0, 0.3, "Cam phase step -8.00 deg, limit 0.30"),
        ("tension-low", 18.64, 20.5, "Chain slack: 18.6 mm, limit 20.5"),
        ("retighten-due", 4_012.4, 4_000.0, "4012 h since retightening, due 4000"),
        ("head-silent", None, None, "No data from sensor head"),
        ("slap-high", -0.001, 4.0, "Chain slap 0.0 mm, limit 4.0"),
    ],
)
def test_figure_and_limit_stand_in_the_short_text(
    tag: str, value: float | None, limit: float | None, text: str
) -> None:
    """The present figure and the limit that it broke, with the unit at the figure."""
    assert short_text(tag, value, limit) == text


@pytest.mark.parametrize("tag", [tag for tag, words in WORDS.items() if "{limit}" in words.short])
def test_usual_figures_are_shown_and_not_left_out(tag: str) -> None:
    """Up to four digits before the point nothing falls back on the text without figures."""
    for value, limit in ((9.99, 9.99), (-99.9, 99.9), (999.0, 999.0)):
        assert short_text(tag, value, limit) != WORDS[tag].plain


def test_each_alarm_has_its_four_lines_of_help_in_the_same_order() -> None:
    """Meaning, likely causes, what to check first, when to call ashore: none left empty, all in whole sentences."""
    assert list(HELP) == list(WORDS)
    for tag, lines in HELP.items():
        for line in (lines.meaning, lines.causes, lines.first, lines.ashore):
            assert line[0].isupper() and line.endswith("."), (tag, line)


@pytest.mark.parametrize(
    ("tag", "value", "limit", "unit", "text"),
    [
        ("tension-low", 21.44, 20.5, "mm", "Cleared: chain slack (21.4 mm, limit 20.5 mm)"),
        ("lag-limit", 1.9, 2.0, "deg", "Cleared: camshaft lag limit exceeded (1.90°, limit 2.00°)"),
        ("head-silent", None, None, "s", "Cleared: no valid data from the sensor head"),
        ("retighten-due", 3_990.4, 4_000.0, "h", "Cleared: retightening due (3,990 h, limit 4,000 h)"),
        ("retighten-due", 12_003.4, 4_000.0, "h", "Cleared: retightening due (12,003 h, limit 4,000 h)"),
    ],
)
def test_a_cleared_alarm_says_so(tag: str, value: float | None, limit: float | None, unit: str, text: str) -> None:
    """With the figure that is inside its limit again, where there is one."""
    assert cleared_text(tag, value, limit, unit) == text
