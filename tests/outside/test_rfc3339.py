"""Times as text against RFC 3339, section 5.8 (its own examples), and against the standard library."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.encode.times import rfc3339, utc_of


def test_first_example() -> None:
    """RFC 3339 §5.8: `1985-04-12T23:20:50.52Z`; its seconds since 1970 by Python's datetime: 482196050.52."""
    assert rfc3339(482_196_050.52) == "1985-04-12T23:20:50.520Z"
    assert utc_of("1985-04-12T23:20:50.52Z") == pytest.approx(482_196_050.52, abs=1e-6)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        ("1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z"),
    ],
)
def test_equal_examples(one: str, other: str) -> None:
    """RFC 3339 §5.8: three pairs that name the same instant, an offset, a leap second and an odd offset."""
    assert utc_of(one) == pytest.approx(utc_of(other), abs=1e-6)


def test_leap_second_is_the_next_second() -> None:
    """POSIX.1, 4.16 (seconds since the epoch): 23:59:60 counts as the first second of the next day. From memory."""
    assert utc_of("1990-12-31T23:59:60Z") == utc_of("1991-01-01T00:00:00Z")


@pytest.mark.parametrize(
    ("utc_s", "text"),
    [
        (0.9994, "1970-01-01T00:00:00.999Z"),
        (0.9995, "1970-01-01T00:00:01.000Z"),
        (946_684_799.9996, "2000-01-01T00:00:00.000Z"),
        (951_782_399.9999, "2000-02-29T00:00:00.000Z"),
        (-0.0004, "1970-01-01T00:00:00.000Z"),
        (-0.25, "1969-12-31T23:59:59.750Z"),
    ],
)
def test_carry(utc_s: float, text: str) -> None:
    """Pins that rounding carries through second, day, leap day and year. Calendar facts: common knowledge."""
    assert rfc3339(utc_s) == text


@given(st.integers(-62_135_596_800_000, 253_402_300_799_999))
def test_every_millisecond_against_the_standard_library(ms: int) -> None:
    """Pins against Python's datetime.fromisoformat as second implementation: no millisecond shifts."""
    text = rfc3339(ms / 1000)
    assert datetime.fromisoformat(text) == datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
    assert round(utc_of(text) * 1000) == ms


@pytest.mark.parametrize(
    "text",
    ["1985-04-12", "1985-04-12T23:20:50", "1985-4-12T23:20:50Z", "1985-02-29T00:00:00Z", "1985-04-12T24:00:00Z",
     "1985-04-12T23:20:61Z", "1985-04-12T23:20:50+24:00", "1985-04-12T23:20:50.Z", "", "١٩٨٥-04-12T23:20:50Z"],
)  # fmt: skip
def test_what_the_grammar_does_not_allow(text: str) -> None:
    """RFC 3339 §5.6: a time without offset, with one digit, on a day that is not, is refused by name."""
    with pytest.raises(ValueError, match="RFC 3339"):
        utc_of(text)


@pytest.mark.parametrize("utc_s", [float("nan"), float("inf"), 1e15, -1e15])
def test_what_is_no_time(utc_s: float) -> None:
    """Pins that no made-up date comes out of a figure that is none."""
    with pytest.raises(ValueError, match=r"not a time|outside"):
        rfc3339(utc_s)
