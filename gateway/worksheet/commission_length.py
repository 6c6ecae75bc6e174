"""Commissioning: the transducer against a rule at three points, the spring's free length, the locked length."""

from itertools import pairwise

import numpy as np

from gateway.measure.loop import loop_ma
from gateway.worksheet.commission import Finding, Work

POINTS = 3
RESIDUAL_MM = 0.5
"""What a rule can be read to at a spring (common practice, no source)."""
APART_MM = 5.0
SIDES_MM = 1.0
"""The spring's two sides may differ by so much (our judgement)."""


def judge_point(work: Work, n: int) -> Finding:
    """One length by the rule, and the loop current beside it."""
    if work.now.spring_mm is None:
        return Finding(False, (f"No length from the transducer: {work.now.spring_why}.",))
    ma = float(loop_ma(work.engine.transducer, np.array([work.now.spring_mm]))[0])
    rule = work.number("rule_mm")
    lines = [f"Rule {rule:.1f} mm, transducer {work.now.spring_mm:.2f} mm at {ma:.3f} mA."]
    values = {f"rule_{n}_mm": rule, f"loop_{n}_ma": ma}
    if n < POINTS:
        return Finding(True, tuple(lines), (), values)
    return _calibration(work, values, lines)


def _calibration(work: Work, values: dict[str, float], lines: list[str]) -> Finding:
    known = {**work.values, **values}
    points = sorted(
        (work.value(f"loop_{n}_ma", f"transducer-{n}") if n < POINTS else known[f"loop_{n}_ma"], known[f"rule_{n}_mm"])
        for n in range(1, POINTS + 1)
    )
    steps = [b[1] - a[1] for a, b in pairwise(points)]
    if min(abs(s) for s in steps) < APART_MM or len({s > 0 for s in steps}) > 1:
        lines.append(f"The points must be {APART_MM:g} mm apart or more, and current and length must go together.")
        return Finding(False, tuple(lines), (), values)
    ma, mm = np.array(points).T
    t = work.engine.transducer
    shown = (
        np.interp(ma, *np.array(t.table).T) if t.table else t.at_4ma_mm + (ma - 4) * (t.at_20ma_mm - t.at_4ma_mm) / 16
    )
    off = mm - shown
    lines += [f"At {i:.3f} mA: rule less settings {d:+.2f} mm." for i, d in zip(ma, off, strict=True)]
    if np.abs(off).max() <= RESIDUAL_MM:
        return Finding(True, (*lines, f"The settings hold within {RESIDUAL_MM:g} mm."), (), values)
    slope, start = np.polyfit(ma, mm, 1)
    left = float(np.abs(mm - (start + slope * ma)).max())
    lines.append(f"The settings do not hold. A straight line leaves {left:.2f} mm.")
    table = ", ".join(f"[{i:.3f}, {length:.1f}]" for i, length in points)
    straight = f"[engine.transducer] at_4ma_mm = {start + 4 * slope:.2f}, at_20ma_mm = {start + 20 * slope:.2f}"
    line = straight if left <= RESIDUAL_MM else f"[engine.transducer] table = [{table}]"
    return Finding(True, tuple(lines), (line,), values)


def judge_spring(work: Work) -> Finding:
    """The free length measured on two sides of the spring."""
    t, sides = work.engine.tightener, [work.number("side_1_mm"), work.number("side_2_mm")]
    free = sum(sides) / 2
    if abs(sides[0] - sides[1]) > SIDES_MM:
        return Finding(False, (f"The sides differ by {abs(sides[0] - sides[1]):.1f} mm. Measure again.",))
    if free > t.free_length_new_mm + SIDES_MM:
        return Finding(False, (f"Longer than a new spring ({t.free_length_new_mm:.1f} mm). Measure again.",))
    lines = (f"Free length {free:.1f} mm, {t.free_length_new_mm - free:.1f} mm less than new.",
             f"Target length {free - t.required_compression_mm:.1f} mm.")  # fmt: skip
    return Finding(True, lines, (f"[engine.tightener] free_length_mm = {free:.1f}",), {"free_mm": free})


def judge_locked(work: Work) -> Finding:
    """The length at which the bolt is locked, as the transducer reads it."""
    if work.now.spring_mm is None:
        return Finding(False, (f"No length from the transducer: {work.now.spring_why}.",))
    length, rule = work.now.spring_mm, work.number("rule_mm")
    if abs(length - rule) > 2 * RESIDUAL_MM:
        return Finding(False, (f"Transducer {length:.2f} mm, rule {rule:.1f} mm: calibrate the transducer first.",))
    line = f"[engine.tightener] locked_at_mm = {length:.1f}"
    return Finding(True, (f"Locked length {length:.2f} mm.",), (line,), {"locked_mm": length})
