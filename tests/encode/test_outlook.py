"""The forecast in words: rounded to what is known, and "not known yet" kept apart from "not in sight"."""

from dataclasses import replace

import pytest

from gateway.encode.outlook import about_date, about_hours, outlook, rounded
from gateway.encode.shapes import (
    NO_RANGE,
    DateRange,
    Decision,
    HoursRange,
    HoursSince,
    Limit,
    Range,
    TrendLimit,
    TrendMessage,
)

KNOWN = Range(p05=1.0, p50=1.1, p95=1.2)
MORE = "not known yet (about 310 h more needed)"


def hours(p05: float | None, p50: float | None, p95: float | None) -> HoursRange:
    return HoursRange(p05=p05, p50=p50, p95=p95)


def days(p05: str | None, p50: str | None, p95: str | None) -> DateRange:
    return DateRange(p05=p05, p50=p50, p95=p95)


@pytest.mark.parametrize(
    ("value", "reach", "shown"),
    [(913, 240, 900), (937, 0.5, 940), (937, 0, 940), (2_712, 522, 2_700), (12_400, 7_000, 12_000), (50, 99, 50)],
)
def test_rounded(value: float, reach: float, shown: float) -> None:
    """A power of ten not above the reach, and never finer than ten hours."""
    assert rounded(value, reach) == shown


@pytest.mark.parametrize(
    ("h", "words"),
    [
        (hours(700, 913, 1_204), "about 900 h (700 to 1,200)"),
        (hours(937, 937.4, 938), "about 940 h"),
        (hours(926, 937, 947), "about 940 h (930 to 950)"),
        (hours(2_190, 2_712, 3_500), "about 2,700 h (2,200 to 3,500)"),
        (hours(5_000, 12_300, 60_000), "about 12,000 h (5,000 to 60,000)"),
        (hours(700, 913, None), "about 900 h (700 or later)"),
        (hours(None, 913, None), "about 910 h (? or later)"),
        (hours(0, 3, 40), "less than 10 h (0 to 40)"),
        (hours(0, 25, 60), "about 30 h (0 to 60)"),
        (hours(912, 912, 912), "912 h"),
    ],
)
def test_hours(h: HoursRange, words: str) -> None:
    """No more figures than are known; an interval of running hours is known to the hour."""
    assert about_hours(h) == words


def test_hours_without_a_middle_are_refused() -> None:
    """Words for those are the outlook's."""
    with pytest.raises(ValueError, match="no middle"):
        about_hours(hours(700, None, None))


@pytest.mark.parametrize(
    ("d", "words"),
    [
        (days("2027-05-01", "2027-05-08", "2027-05-20"), "2027-05-08 (2027-05-01 to 2027-05-20)"),
        (days("2027-03-11", "2027-05-08", "2027-09-20"), "2027-05 (2027-03 to 2027-09)"),
        (days("2027-05-08", "2027-05-08", "2027-05-08"), "2027-05-08"),
        (days("2028-03-11", "2030-05-08", "2037-09-20"), "2030 (2028 to 2037)"),
        (days("2027-03-11", "2027-05-08", None), "2027-05 (2027-03 or later)"),
        (days("2027-03-11", None, None), ""),
    ],
)
def test_dates(d: DateRange, words: str) -> None:
    """Day, month or year by the same rule."""
    assert about_date(d) == words


def trend(**changes: object) -> TrendMessage:
    made = TrendMessage(
        ts="2027-01-01T00:00:00.000Z", hours=21_400.0, lag_deg=KNOWN, lag_deg_per_1000h=KNOWN,
        elongation_percent=KNOWN, elongation_percent_per_1000h=KNOWN, limits=(),
        hours_since=HoursSince(retightened=1.0, camshaft_set=1.0), agreement="unknown", causes=(),
        decision=Decision(do="nothing", why=""), spring_mm=KNOWN,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def limit(h: HoursRange, tag: Limit = "lag-limit") -> TrendLimit:
    return TrendLimit(limit=tag, hours_to=h, date=days(None, None, None))


@pytest.mark.parametrize(
    ("x", "t", "words"),
    [
        (limit(hours(None, None, None)), trend(), "not in sight"),
        (limit(hours(None, None, None)), trend(why_unknown=MORE), MORE),
        (limit(hours(743, None, None)), trend(why_unknown=MORE), f"{MORE}; earliest (1 in 20) in about 740 h"),
        (limit(hours(743, None, None)), trend(), "not known yet; earliest (1 in 20) in about 740 h"),
        (limit(hours(4, None, None)), trend(), "not known yet; earliest (1 in 20) in less than 10 h"),
        (limit(hours(None, None, None)), trend(lag_deg=NO_RANGE), "not known yet"),
        (limit(hours(None, None, None), "tension-low"), trend(why_unknown=MORE), "not in sight"),
        (limit(hours(None, None, None), "tension-low"), trend(spring_mm=NO_RANGE), "not known yet"),
        (limit(hours(0, 0, 0)), trend(), "reached"),
        (limit(hours(700, 913, 1_204)), trend(), "in about 900 h (700 to 1,200)"),
    ],
)
def test_not_known_is_not_out_of_sight(x: TrendLimit, t: TrendMessage, words: str) -> None:
    """Not in sight only where the trend is known and even its early end is never reached."""
    assert outlook(x, t) == words
