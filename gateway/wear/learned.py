"""What the trend has learned, small enough for the link ashore, so that a spare box can take it over.

The fit rests on rows of six running hours (`rows`), and all that it gives follows from them. So a message holds the
rows that were not sent yet, rounded far below their noise, and beside them the few other figures as they stand. Rows
that were sent and have changed since (a step was dated back) are named void and sent again: `after`. What is not here
is learned again: the step chart's sums over ten-minute medians, and the reference of the lag's shape.

Whoever takes it over compares engine, settings, zero and log book with those that it was learned by. What does not
agree is left, and named.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from gateway.model.learned import MESSAGE_PAIRS, MESSAGE_ROWS, Learned, LearnedBy, LearnedSeries
from gateway.model.settings import EngineSettings
from gateway.wear.datum import Datum
from gateway.wear.drift import ENOUGH_ROWS
from gateway.wear.phi_fit import SCALES
from gateway.wear.scale import scale_of
from gateway.wear.trend import HISTORY_POINTS, EngineWear, SentAshore

WEEK_S, DAY_S = 7 * 86_400.0, 86_400.0
"""Between two messages; a day while rows wait."""
HOURS_STEP, WARMTH_STEP, RPM_STEP, LOAD_STEP, PART_STEP = 1e-3, 1e-3, 2e-3, 1e-4, 1e-3
FIGURE_STEP = {"lag": 2e-6, "spring": 1e-4}
"""Degrees, mm: far below the noise of a row."""
KAPPA_STEP, KAPPA_LEAST = 0.01, -9_999
"""Natural logarithm of the odds of each ride-out against the likeliest."""


def learned_by(engine: EngineSettings, datum: Datum) -> LearnedBy:
    """What figures are learned by now."""
    tightener = asdict(engine.tightener)
    # The free length is measured again at each retightening, and the log book has it.
    for of_work in ("free_length_mm", "locked_at_mm"):
        del tightener[of_work]
    drive = {"chain": asdict(engine.chain), "ratio": engine.ratio, "tightener": tightener}
    scale = scale_of(engine, datum.zero_deg)
    return LearnedBy(
        drive=hashlib.sha256(json.dumps(drive, sort_keys=True, default=str).encode()).hexdigest()[:12],
        zero_deg=_rounded(datum.zero_deg, 6),
        skew_us=float(scale["skew_us"]),
        loop=tuple((float(ma), float(mm)) for ma, mm in scale["loop"]),
        camshaft_set_h=round(datum.camshaft_set_at_h, 3),
        lag_start_h=round(datum.lag_start_at_h, 3),
        spring_changed_h=round(datum.spring_changed_at_h, 3),
        chain_new_h=_rounded(datum.chain_new_at_h, 3),
    )


# -- aboard: what is to be sent ------------------------------------------------------------------------------------


def is_due(wear: EngineWear, utc_s: float) -> bool:
    """Is a message to go now: after a week, a day while rows wait, at once after work? None before there is a trend."""
    sent = wear.ashore
    waiting = [wear.lag.fit.unsent, wear.spring.fit.unsent]
    if sent.utc_s is None:
        return any(fit.rows >= ENOUGH_ROWS for fit in (wear.lag.fit, wear.spring.fit))
    passed_s = utc_s - sent.utc_s
    # A clock that was set back must not keep it for years.
    return sent.void or not 0 <= passed_s < (DAY_S if max(waiting) > MESSAGE_ROWS else WEEK_S)


def learned_of(wear: EngineWear, utc_s: float, hours: float) -> Learned:
    """The message that is due. It counts as sent once `sent` was called with it."""
    state = wear.state()
    growth, *log_odds = state["ride_out"]
    pairs_after_s = wear.ashore.pairs_utc_s
    new = [p for p in state["lost_motion"]["pairs"] if round(p[0], 0) > pairs_after_s]
    return Learned(
        engine=wear.engine.slug,
        utc_s=round(utc_s, 3),
        hours=round(hours, 3),
        by=learned_by(wear.engine, wear.datum),
        lag=_series(state["lag"]["fit"], wear.lag.fit.medians_in_all),
        spring=_series(state["spring"]["fit"], wear.spring.fit.medians_in_all),
        first_h=_rounded(state["first_h"], 3),
        lag_first_h=_rounded(state["lag_first_h"], 3),
        steps=tuple((s, round(size, 5), round(se, 5), round(h, 3), stop) for s, size, se, h, stop in state["steps"]),
        stops=tuple(round(h, 2) for h in state["stops"]),
        over_stops=(
            tuple(round(x, 4) for x in state["over_stops"]["lag"]),
            tuple(round(x, 3) for x in state["over_stops"]["spring"]),
        ),
        slap=tuple(_figures(state["slap"])),
        order1=tuple(_figures(state["order1"])),
        slips=(state["slips"][0], state["slips"][1]),
        ride_out=(round(growth, 6), _odds(log_odds)) if growth > 0 else None,
        pairs_after_s=pairs_after_s,
        pairs=tuple(map(_pair, new[:MESSAGE_PAIRS])),
    )


def sent(wear: EngineWear, message: Learned) -> None:
    """The message is on the record: the next one begins behind it."""
    for fit, series in ((wear.lag.fit, message.lag), (wear.spring.fit, message.spring)):
        if series is not None:
            fit.sent(series.after + sum(series.columns[0]))
    newest_s = message.pairs[-1][0] if message.pairs else message.pairs_after_s
    wear.ashore = SentAshore(message.utc_s, void=False, pairs_utc_s=newest_s)


def _series(fit: Mapping[str, Any], medians: int) -> LearnedSeries | None:
    kept, reference = fit["rows"], fit["reference"]
    rows = kept["rows"][:-1] if kept["held"] else kept["rows"]
    if reference is None or not rows:
        return None
    after = min(kept["sent"], rows[-1][0])
    new = [row for row in rows if row[0] > after][:MESSAGE_ROWS]
    figure_step = FIGURE_STEP[fit["figure"]]
    units = [
        (2, RPM_STEP / SCALES[2]), (3, WARMTH_STEP / SCALES[3]), (4, LOAD_STEP / SCALES[4]), (5, PART_STEP),
        (6, PART_STEP), (7, figure_step),
    ]  # fmt: skip
    hours = [round(row[2] / HOURS_STEP) for row in new]
    return LearnedSeries(
        origin=tuple(round(reference[n], 6) for n in (1, 2, 3, 4, 7)),
        warmth=fit["temperature"],
        after=after,
        oldest=rows[0][0],
        total=len(rows),
        level=kept["level"],
        pauses=kept["pauses"][0],
        medians=medians,
        columns=(
            tuple(_steps([row[0] for row in new], after)),
            tuple(_steps(hours, 0)),
            tuple(_steps([round(row[1]) - round(h * HOURS_STEP * 3600) for row, h in zip(new, hours, strict=True)], 0)),
            *(tuple(round(row[3][column] / step) for row in new) for column, step in units),
            tuple(row[4] for row in new),
            tuple(int(row[5]) for row in new),
        ),
    )


def _steps(values: Sequence[int], start: int) -> list[int]:
    return [b - a for a, b in zip([start, *values], values, strict=False)]


def _sums(steps: Sequence[int], start: int) -> list[int]:
    found = []
    for step in steps:
        start += step
        found.append(start)
    return found


def _odds(log_weight: Sequence[float]) -> tuple[int, ...]:
    most = max(log_weight)
    return tuple(max(KAPPA_LEAST, round((x - most) / KAPPA_STEP)) for x in log_weight)


def _pair(p: Sequence[Any]) -> tuple[Any, ...]:
    digits = (0, 3, 4, 5, 2, 2, 2, 3, 3)
    return (*(_rounded(value, n) for value, n in zip(p, digits, strict=False)), bool(p[9]), round(p[10], 0))


def _figures(baseline: Sequence[float]) -> list[float]:
    return [round(float(x), 6) for x in baseline]


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(float(value), digits)


# -- on a spare box: taking it over --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TakenOver:
    """`state`: for `EngineWear.load`; `None` where nothing could be taken over. `taken`, `left`: in words."""

    state: dict[str, Any] | None
    taken: tuple[str, ...]
    left: tuple[str, ...]


def taken_over(engine: EngineSettings, datum: Datum, messages: Sequence[Learned]) -> TakenOver:
    """What a box with these settings and this log book takes over of an engine's messages, oldest first.

    Nothing without a message: then the trend is not known yet.
    """
    if not messages:
        return TakenOver(None, (), (f"{engine.slug}: no learned figures are ashore; the trend is not known yet",))
    newest, by = messages[-1], learned_by(engine, datum)
    if newest.engine != engine.slug:
        return TakenOver(None, (), (f"{engine.slug}: these learned figures are of engine {newest.engine}; {AGAIN}",))
    if newest.by.drive != by.drive:
        other = "chain, tightener or ratio in the settings are not those that the trend was learned with"
        return TakenOver(None, (), (f"{engine.slug}: {other}; {AGAIN}. Compare the settings with the lost box's",))
    wear = EngineWear(engine, datum)
    state, taken, left = wear.state(), [], []
    why = {"lag": _lag_differs(newest.by, by), "spring": _spring_differs(newest.by, by)}
    for name in ("lag", "spring"):
        series: LearnedSeries | None = getattr(newest, name)
        if series is None:
            left.append(f"{engine.slug}, {name}: not known yet when the last message went ashore")
        elif why[name]:
            left.append(f"{engine.slug}, {name}: {why[name]}; {AGAIN}")
        else:
            parts = [m for m in (getattr(m, name) for m in messages) if m is not None and m.origin == series.origin]
            rows = _merged(parts, FIGURE_STEP[name])
            state[name]["fit"] = _fit_state(state[name]["fit"], series, rows)
            taken.append(f"{engine.slug}, {name}: {len(rows)} of {series.total} rows of six running hours")
    _take_sides(state, newest, same_lag=not why["lag"], same_spring=not why["spring"])
    left += [f"{engine.slug}, {text}; {AGAIN}" for text in _take_relations(state, messages, by)]
    if not taken:
        return TakenOver(None, (), tuple(left))
    state["medians"] = max(getattr(newest, name).medians for name in ("lag", "spring") if getattr(newest, name))
    rows = max((state[name]["fit"]["rows"]["rows"] for name in ("lag", "spring")), key=len)
    state["history"] = [*([row[1], row[2]] for row in rows[-HISTORY_POINTS + 1 :]), [newest.utc_s, newest.hours]]
    state["last_h"] = rows[-1][2]
    # The next message goes soon, so that the shore has one of this gateway.
    state["ashore"] = [None, False, newest.pairs[-1][0] if newest.pairs else newest.pairs_after_s]
    return TakenOver(state, tuple(taken), tuple(left))


AGAIN = "it is learned again"


def _lag_differs(kept: LearnedBy, now: LearnedBy) -> str:
    if (kept.camshaft_set_h, kept.lag_start_h) != (now.camshaft_set_h, now.lag_start_h):
        return f"the camshaft was set at {now.lag_start_h:,.0f} h, learned was it since {kept.lag_start_h:,.0f} h"
    if kept.zero_deg != now.zero_deg:
        return f"the zero is {_shown(now.zero_deg)}, learned was it with {_shown(kept.zero_deg)}"
    if kept.skew_us != now.skew_us:
        return f"skew_us is {now.skew_us:g} in the settings, learned was it with {kept.skew_us:g}"
    return ""


def _spring_differs(kept: LearnedBy, now: LearnedBy) -> str:
    if kept.spring_changed_h != now.spring_changed_h:
        return f"retightened at {now.spring_changed_h:,.0f} h, learned was it since {kept.spring_changed_h:,.0f} h"
    if kept.loop != now.loop:
        return "the transducer's line in the settings is another than it was learned with"
    return ""


def _shown(deg: float | None) -> str:
    return "not known" if deg is None else f"{deg:.3f}°"


def _merged(parts: Sequence[LearnedSeries], figure_step: float) -> list[list[Any]]:
    """Rows as `Rows.state` has them, of one fit: each message takes back what stands above its `after`."""
    rows: dict[int, list[Any]] = {}
    for part in parts:
        rows = {n: row for n, row in rows.items() if part.oldest <= n <= part.after}
        rows |= {row[0]: row for row in _rows_of(part, figure_step)}
    found = [rows[n] for n in sorted(rows)]
    # Between two messages nothing is compared; a row that does not advance is not used.
    return [row for n, row in enumerate(found) if n == 0 or row[2] > found[n - 1][2]]


def _rows_of(part: LearnedSeries, figure_step: float) -> list[list[Any]]:
    number, hours, stood, rpm, warmth, load, no_warmth, no_load, figure, level, used = part.columns
    h = [x * HOURS_STEP for x in _sums(hours, 0)]
    rows: list[list[Any]] = []
    for n, row_h, stood_s, *x, row_level, is_used in zip(
        _sums(number, part.after), h, _sums(stood, 0), rpm, warmth, load, no_warmth, no_load, figure, level, used,
        strict=True,
    ):  # fmt: skip
        units = (
            RPM_STEP / SCALES[2],
            WARMTH_STEP / SCALES[3],
            LOAD_STEP / SCALES[4],
            PART_STEP,
            PART_STEP,
            figure_step,
        )
        values = [1.0, (row_h - part.origin[0]) / SCALES[1], *(a * unit for a, unit in zip(x, units, strict=True))]
        row_hours = round(row_h, 4)
        rows.append([n, float(stood_s + round(row_h * 3600)), row_hours, values, row_level, bool(is_used)])
    return rows


def _fit_state(fresh: Mapping[str, Any], series: LearnedSeries, rows: list[list[Any]]) -> dict[str, Any]:
    from_h, rpm, warmth_c, load, figure = series.origin
    newest = rows[-1][0] if rows else 0
    return {
        **fresh,
        "temperature": series.warmth,
        "counters": [0, newest],
        "reference": [0.0, from_h, rpm, warmth_c, load, 0.0, 0.0, figure],
        "rows": {
            **fresh["rows"],
            "rows": rows,
            "level": series.level,
            "pauses": [series.pauses, None],
            "sent": newest,
        },
        "before": series.medians,
    }


def _take_sides(state: dict[str, Any], m: Learned, *, same_lag: bool, same_spring: bool) -> None:
    """What is small and stands beside the fits: steps, stops, slap, the lag's first order, index slips."""
    same = {"lag": same_lag, "spring": same_spring}
    state["steps"] = [list(step) for step in m.steps if same[step[0]]]
    state["stops"] = list(m.stops)
    state["over_stops"] = dict(zip(("lag", "spring"), map(list, m.over_stops), strict=True))
    if same_lag and same_spring:
        state["first_h"] = m.first_h
    if same_lag:
        state["lag_first_h"], state["slips"], state["order1"] = m.lag_first_h, list(m.slips), _baseline(m.order1)
    if same_spring:
        state["slap"] = _baseline(m.slap)


def _baseline(kept: Sequence[float]) -> list[float]:
    return [int(kept[0]), *kept[1:]]


def _take_relations(state: dict[str, Any], messages: Sequence[Learned], now: LearnedBy) -> list[str]:
    """Ride-out and lost motion; what could not be taken over, and why."""
    newest, left = messages[-1], []
    if newest.ride_out is not None and newest.by.chain_new_h != now.chain_new_h:
        left.append("ride-out: the chain was renewed since")
    elif newest.ride_out is not None:
        growth, odds = newest.ride_out
        state["ride_out"] = [growth, *(KAPPA_STEP * x for x in odds)]
    pairs: list[Sequence[Any]] = []
    for m in messages:
        pairs = [*(p for p in pairs if p[0] <= m.pairs_after_s), *m.pairs]
    if pairs and (newest.by.spring_changed_h, newest.by.skew_us) != (now.spring_changed_h, now.skew_us):
        left.append("lost motion: retightened since, or skew_us is another")
    elif pairs:
        state["lost_motion"] = {"since_h": newest.by.spring_changed_h, "pairs": [list(p) for p in pairs]}
    return left
