"""The transducer's loop current: NAMUR NE 43 zones and the way from µA to a length."""

from dataclasses import replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from gateway.model.settings import Transducer

NM_PER_MM = 1_000_000
BAD_NM = np.iinfo(np.int32).min
"""Stands for "no length" in the table: the least of all, so that a minimum over a revolution finds it."""


class Zone(Enum):
    """Where a loop current lies after NAMUR NE 43."""

    MEASURES = "measures"
    DOUBTFUL = "doubtful"
    FAILED = "failed"


def zone(loop_ma: float) -> Zone:
    """3.8–20.5 mA measures, ≤ 3.6 or ≥ 21.0 mA is a failed loop, between them the value is doubtful (NE 43)."""
    if loop_ma <= 3.6 or loop_ma >= 21.0:
        return Zone.FAILED
    return Zone.MEASURES if 3.8 <= loop_ma <= 20.5 else Zone.DOUBTFUL


def length_mm(transducer: Transducer, loop_ma: float) -> float:
    """Length at a loop current: the straight line 4–20 mA, or piecewise linear through the calibration table.

    Beyond the table's ends its outermost pieces are continued, as far as NE 43 lets the loop measure.
    """
    return float(_lengths_mm(transducer, np.array([loop_ma]))[0])


def _lengths_mm(t: Transducer, loop_ma: NDArray[np.float64]) -> NDArray[np.float64]:
    if not t.table:
        line: NDArray[np.float64] = t.at_4ma_mm + (loop_ma - 4.0) * (t.at_20ma_mm - t.at_4ma_mm) / 16.0
        return line
    i, s = np.array(t.table, dtype=np.float64).T
    k = np.searchsorted(i[1:-1], loop_ma)
    out: NDArray[np.float64] = s[k] + (loop_ma - i[k]) * (s[k + 1] - s[k]) / (i[k + 1] - i[k])
    return out


def loop_ma(transducer: Transducer, lengths_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """The loop current that stands for each length: the inverse of `length_mm`; beyond the ends it is continued."""
    t = transducer
    points = sorted((mm, ma) for ma, mm in (t.table or [(4.0, t.at_4ma_mm), (20.0, t.at_20ma_mm)]))
    mm, ma = np.array(points, dtype=np.float64).T
    k = np.searchsorted(mm[1:-1], lengths_mm)
    out: NDArray[np.float64] = ma[k] + (lengths_mm - mm[k]) * (ma[k + 1] - ma[k]) / (mm[k + 1] - mm[k])
    return out


def calibration_residuals_mm(transducer: Transducer) -> list[float]:
    """Table point less the straight 4–20 mA line at the same current, point by point; empty without a table."""
    line = replace(transducer, table=[])
    return [mm - length_mm(line, ma) for ma, mm in transducer.table]


def length_table_nm(transducer: Transducer) -> NDArray[np.int64]:
    """int64[65536]: length in nm for every loop current in µA; BAD_NM where by NE 43 it does not measure.

    Integers, so that sums over a revolution are exact and do not depend on how the stream was split.
    """
    table = np.full(65_536, BAD_NM, dtype=np.int64)
    measures = np.arange(3_800, 20_501)
    table[measures] = np.rint(_lengths_mm(transducer, measures / 1000.0) * NM_PER_MM)
    return table
