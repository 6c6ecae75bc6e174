"""What a course is drawn from: which datum counts when, bands, gaps, and the bookings in a span."""

from typing import Any

import pytest
from drive_engines import tern

from gateway.wear import bookings as b
from gateway.wear.booking_check import read_entry
from gateway.wear.course import DATUMS_MAX, Datums, band_mm, booked_between, broken, elongation_percent
from gateway.wear.geometry import deg_per_percent
from gateway.wear.logbook import from_settings

T0 = 1_750_000_000.0


def tightened(n: int, free: float, at_s: float | None = None, name: str = "") -> b.Entry:
    data = {
        "id": name or f"r{n}",
        "utc_s": T0 + 1_000 * n if at_s is None else at_s,
        "hours": 22_000 + n,
        "person": "x",
    }
    return read_entry({"kind": "retightened", "free_length_mm": free, "spring_after_mm": 180.0, **data})


def corrected(replaces: str, new: b.Entry | None) -> b.Entry:
    data = {"id": f"fix-{replaces}", "utc_s": T0 + 9e6, "hours": 22_900, "person": "x", "replaces": replaces}
    return read_entry({"kind": "correction", **data, "entry": None if new is None else b.as_data(new)})


def test_the_datum_that_counts_is_that_of_the_last_booking_before() -> None:
    """Before the first the settings'; from each moment on its own, whatever the order of typing."""
    log = [tightened(3, 202.0), tightened(1, 203.0), tightened(2, 202.5)]
    datums = Datums(tern(), log)
    at = {n: datums.at(T0 + 1_000 * n).free_length_mm for n in (0, 1, 1.5, 2, 3, 99)}
    assert at == {0: 203.2, 1: 203.0, 1.5: 203.0, 2: 202.5, 3: 202.0, 99: 202.0}
    assert Datums(tern(), []).at(0.0) == from_settings(tern())


def test_corrections_count_from_where_they_belong() -> None:
    """A corrected figure stands from its booking on; one struck out never stood; a correction has no own datum."""
    log = [tightened(1, 203.0), tightened(2, 202.5), corrected("r1", tightened(1, 202.8, name="r1")),
           corrected("r2", None)]  # fmt: skip
    datums = Datums(tern(), log)
    assert [datums.at(T0 + 1_000 * n).free_length_mm for n in (0, 1, 2, 99)] == [203.2, 202.8, 202.8, 202.8]


def test_of_many_bookings_the_last_count() -> None:
    """Two hundred datums, and the oldest are left out."""
    log = [tightened(n, 203.0 - n / 1_000) for n in range(1, DATUMS_MAX + 3)]
    datums = Datums(tern(), log)
    assert datums.at(T0 + 2_000).free_length_mm == 203.2
    assert datums.at(T0 + 3_000).free_length_mm == pytest.approx(202.997)


def test_elongation_by_the_lag_alone() -> None:
    """Start and lag since the setting over degrees a percent; not known without either."""
    d = from_settings(tern())
    per = deg_per_percent(tern())
    assert elongation_percent(tern(), d, 0.9) == pytest.approx(0.05 + 0.9 / per)
    assert elongation_percent(tern(), d, None) is None
    unset = from_settings(tern(lag={"zero_deg": None}))
    assert elongation_percent(tern(), unset, 0.9) == pytest.approx(0.05 + 0.9 / per)


def test_bands_sprung_and_locked() -> None:
    """Free length less compression, by the band; locked, the length of the bolt by what may move."""
    assert band_mm(tern(), 203.0, None) == pytest.approx((180.0, 177.5, 182.5))
    assert band_mm(tern(), 203.0, 181.0) == pytest.approx((180.0, 177.5, 182.5))
    locked = tern(tightener={"kind": "locked", "locked_at_mm": 180.2})
    moved = locked.tightener.moved_mm
    assert band_mm(locked, 203.0, 181.0) == pytest.approx((181.0, 181.0 - moved, 181.0 + moved))
    assert band_mm(locked, 203.0, None) == pytest.approx((180.0, 177.5, 182.5))


def test_a_gap_is_drawn_as_one() -> None:
    """Beyond the gap one point of nothing known is put in, a third of the gap after the last; at the gap none."""
    points = [0.0, 10.0, 20.0, 50.1, 60.0]
    got = broken(points, lambda t: t, lambda t: {"x": t}, 30.0)
    assert got == [(t, {"x": t}) for t in (0.0, 10.0, 20.0)] + [(30.0, {}), (50.1, {"x": 50.1}), (60.0, {"x": 60.0})]
    assert broken([0.0, 30.0], lambda t: t, lambda t: {}, 30.0) == [(0.0, {}), (30.0, {})]
    nothing: list[Any] = []
    assert broken(nothing, lambda t: t, lambda t: {}, 30.0) == []


def test_bookings_of_a_span_as_they_stand() -> None:
    """From is in, to is not; by time; corrected ones in their place, struck out ones gone; the last of many."""
    log = [tightened(3, 202.0), tightened(1, 203.0), tightened(2, 202.5), corrected("r2", None)]
    assert [x.id for x in booked_between(log, T0 + 1_000, T0 + 3_001)] == ["r1", "r3"]
    assert [x.id for x in booked_between(log, T0 + 1_001, T0 + 3_000)] == []
    many = [tightened(n, 203.0) for n in range(DATUMS_MAX + 5)]
    got = booked_between(many, 0.0, 1e12)
    assert (len(got), got[-1].id) == (DATUMS_MAX, f"r{DATUMS_MAX + 4}")
