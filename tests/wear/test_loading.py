"""The loading condition booked: its regressor, what is refused, and that the trend goes by it for rows of the past."""

import json
from typing import Any

import numpy as np
import pytest
from drive_engines import tern

from gateway.measure.measuring import Closed, SlowMeans
from gateway.measure.medians import Window
from gateway.model.records import Median
from gateway.wear import bookings as b
from gateway.wear.booking_check import read_entry
from gateway.wear.loading import loading_text, loadings_of
from gateway.wear.logbook import check, rebase
from gateway.wear.watch import WearWatch

UTC0, H0 = 1.75e9, 22_000.0


def booked(hours: float, kind: str = "loading", **figures: Any) -> b.Entry:
    """A booking at these running hours."""
    head = {"id": f"{kind}-{hours:g}", "utc_s": UTC0 + (hours - H0) * 3_600, "hours": hours, "person": "2/O"}
    return read_entry({"kind": kind, **head, **figures})


def test_words_and_draughts_become_shares() -> None:
    """Ballast is 0, laden 1, a draught its share between the shallowest and the deepest booked, in order of hours."""
    log = [booked(300, draught_m=10.0), booked(100, draught_m=6.0), booked(200, draught_m=14.0)]
    log += [booked(400, condition="laden"), booked(500, condition="ballast", draught_m=6.5)]
    assert loadings_of(log) == ((100, 0.0), (200, 1.0), (300, 0.5), (400, 1.0), (500, 0.0))
    assert loading_text(loadings_of(log)) == "ballast since 500 h"
    assert loading_text(loadings_of(log[:3])) == "50% of ballast to laden since 300 h"
    assert loadings_of([booked(1, draught_m=9.0), booked(2, draught_m=9.9)]) == ((1, 0.5), (2, 0.5))
    assert loadings_of([]) == ()


def test_a_correction_replaces_or_removes_it() -> None:
    """The condition that stands is the corrected one; one struck out is gone."""
    log = [booked(100, condition="laden"), booked(200, condition="ballast")]
    head = {"utc_s": UTC0, "hours": 300.0, "person": "C/O", "kind": "correction"}
    right = b.as_data(booked(120, condition="laden"))
    log.append(read_entry(head | {"id": "fix-1", "replaces": "loading-100", "entry": right}))
    log.append(read_entry(head | {"id": "fix-2", "replaces": "loading-200"}))
    assert loadings_of(log) == ((120, 1.0),)


@pytest.mark.parametrize(
    ("entry", "reason"),
    [
        (booked(100), "no loading; give condition (laden or ballast) or draught_m"),
        (booked(100, draught_m=0.4), "mean draught 0.4 m cannot be; give 0.5 to 40 m"),
        (booked(100, draught_m=41.0), "mean draught 41 m cannot be; give 0.5 to 40 m"),
        (booked(100, "note"), "the note is empty; give its text with note"),
    ],
)
def test_refused(entry: b.Entry, reason: str) -> None:
    """Each refusal says what would be right."""
    assert check(entry, rebase(tern(), []), UTC0 + 1e9, None) == [reason]


def test_a_condition_of_the_past_may_be_booked_late() -> None:
    """A loading or a note before the last one of its kind is taken; work at the drive is not."""
    for kind, figures in (("loading", {"condition": "laden"}), ("note", {"note": "oil changed"})):
        late = booked(22_100, kind, **figures)
        log = [booked(22_200, kind, **figures)]
        assert check(late, rebase(tern(), log), UTC0 + 1e9, None) == []


def windows(hours: float) -> list[Window]:
    """A lag of 0.5° that a laden ship has 0.04° later; laden and ballast change each 120 h."""
    rng = np.random.default_rng(5)
    rows = []
    for k in range(round(hours * 6)):
        at = k / 6
        lag = 0.5 + 0.04 * ((at // 120) % 2) + float(rng.normal(0, 0.02))
        m = Median(UTC0 + 600 * k, H0 + at, 850, lag, 0.01, None, None, 90 + float(rng.normal(0, 1)), 45.0, 40.0, 0.6)
        rows.append(Window(m, None, None, None, None))
    return rows


def legs(hours: float) -> list[b.Entry]:
    """The bookings that belong to `windows`."""
    turns = [H0 + 120 * n for n in range(int(hours // 120) + 1)]
    return [booked(h, condition="laden" if n % 2 else "ballast") for n, h in enumerate(turns)]


def watch(log: list[b.Entry]) -> WearWatch:
    """The wear of one engine whose log book is `log`."""
    return WearWatch(tern(), log, bursts=False, trend_every_us=3_600_000_000)


def slope_reach(w: WearWatch, hours: float) -> float:
    """Width of the slope's range, degrees per 1,000 h."""
    now = SlowMeans(UTC0 + hours * 3_600, H0 + hours, None, None)
    r = w.trend(now).lag_deg_per_1000h
    assert r.p05 is not None and r.p95 is not None
    return r.p95 - r.p05


@pytest.mark.slow
def test_booked_late_or_early_is_the_same() -> None:
    """Booked after 720 h it counts for the rows of the past: narrower, and as if it had been booked from the start."""
    hours = 720.0
    unbooked, early = watch([]), watch(legs(hours))
    for w in windows(hours):
        unbooked.closed(Closed(0, w, None, warm=True))
        early.closed(Closed(0, w, None, warm=True))
    before = slope_reach(unbooked, hours)
    log = legs(hours)
    for n, entry in enumerate(log):
        unbooked.book(entry, log[: n + 1], H0 + hours)
    after = slope_reach(unbooked, hours)
    assert after < 0.8 * before
    assert any(name == "loading" for name, _, _ in unbooked.series.lag.drift().coefficients)
    assert early.series.lag.fit.loadings == unbooked.series.lag.fit.loadings


def test_a_restart_goes_by_the_log_book() -> None:
    """The program ends after a booking, before the trend was kept: the log book counts."""
    hours = 720.0
    first = watch([])
    for w in windows(hours):
        first.closed(Closed(0, w, None, warm=True))
    kept = json.loads(json.dumps([first.state(), first.series.state()]))
    again = watch(legs(hours))
    again.restore(kept[0], kept[1], 0, SlowMeans(UTC0 + hours * 3_600, H0 + hours, None, None))
    assert again.series.lag.fit.loadings == loadings_of(legs(hours))
    assert slope_reach(again, hours) < 0.8 * slope_reach(first, hours)
