"""Medians as no drive makes them, from a bench rig or a broken head: no sum of the trend may fail over them."""

import json
import math
import warnings
from dataclasses import astuple
from typing import Any

import numpy as np
import pytest
from drive_engines import tern
from hypothesis import given, settings
from hypothesis import strategies as st

from gateway.model.records import Median
from gateway.wear.datum import from_settings
from gateway.wear.forecast import Range
from gateway.wear.trend import EngineWear, Side, Trend, pooled

UTC0, H0 = 1_700_000_000.0, 20_000.0
ENGINE = tern()
ROWS = 144 * 5


def flat(value: Any) -> list[float]:
    """All figures of a record, however deep."""
    if isinstance(value, float | int):
        return [float(value)]
    return [x for part in value for x in flat(part)] if isinstance(value, list | tuple) else []


def told(rows: list[Median]) -> list[Trend]:
    """The trends of a series, one each day, with every warning of arithmetic an error; its state kept and taken up."""
    wear = EngineWear(ENGINE, from_settings(ENGINE))
    trends = []
    with warnings.catch_warnings(), np.errstate(divide="raise", over="raise", invalid="raise"):
        warnings.simplefilter("error")
        for k, row in enumerate(rows):
            wear.add(row, Side(0.0, 0.0))
            if k % 144 == 143 or k == len(rows) - 1:
                trends.append(wear.trend(row.utc_s, row.hours, row.lag_deg, row.spring_mm))
        kept = json.loads(json.dumps(wear.state(), allow_nan=False))
        again = EngineWear(ENGINE, from_settings(ENGINE))
        again.load(kept)
    assert all(math.isfinite(x) for x in flat([astuple(t) for t in trends]))
    return trends


def row(k: int, lag: float | None, spring: float | None, rpm: float = 88.0, warm: float | None = 45.0) -> Median:
    """Ten minutes of running every ten."""
    return Median(UTC0 + 600.0 * k, H0 + k / 6, 850, lag, 0.0, spring, 0.0, rpm, warm, None, 0.6)


@pytest.mark.slow
@pytest.mark.parametrize(("lag", "spring"), [(0.9, 180.4), (0.0, 180.4), (-3.0, 0.0), (0.0, 0.0), (179.9, 1e3)])
def test_medians_that_never_move_make_a_trend(lag: float, spring: float) -> None:
    """Found from outside: a bench rig's medians, equal to the last bit, ended in an overflow of the pooled weights."""
    last = told([row(k, lag, spring) for k in range(ROWS)])[-1]
    assert last.lag_deg.p50 == pytest.approx(lag, abs=1e-9)
    assert last.lag_deg_per_1000h.p50 == pytest.approx(0.0, abs=1e-6)


SERIES = st.sampled_from(["flat", "line", "noise", "two levels", "huge", "none now and then"])


@pytest.mark.slow
@settings(max_examples=12)
@given(lag=SERIES, spring=SERIES, rpm=SERIES, scale=st.sampled_from([1e-300, 1e-12, 1e-3, 1.0, 1e4]))
def test_no_series_of_medians_stops_the_trend(lag: str, spring: str, rpm: str, scale: float) -> None:
    """Whatever the medians are: exact lines, levels, noise of any size, or figures missing."""
    rng = np.random.default_rng(5)

    def figure(how: str, middle: float, k: int) -> float | None:
        if how == "none now and then" and k % 7 < 3:
            return None
        moves = {"line": scale * k, "noise": scale * rng.standard_normal(), "two levels": scale * (k > ROWS // 2)}
        return float(middle + moves.get(how, 1e6 * (k % 97 == 0) if how == "huge" else 0.0))

    told([row(k, figure(lag, 0.9, k), figure(spring, 180.4, k), figure(rpm, 88.0, k) or 88.0) for k in range(ROWS)])


@pytest.mark.parametrize("half", [0.0, 1e-200, 1e-160, 1.0, 1e160])
def test_pooling_holds_for_any_width(half: float) -> None:
    """Two ranges of the same width in one: the middle lies between, the width is less by √2, whatever the width."""
    got = pooled(Range(1 - half, 1.0, 1 + half), Range(-half, 0.0, half))
    assert got.p50 is not None and got.p95 is not None and 0.0 <= got.p50 <= 1.0
    if half > 0 and 1 + half > 1:
        assert got.p95 - got.p50 == pytest.approx(half / math.sqrt(2), rel=1e-6)
