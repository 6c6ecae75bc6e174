"""The truth file: what was true when, and what went wrong from when to when. CSV of figures, or JSON of all of it."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np

from firmware_sim.events import ChainRenewed, Drift, Event, LagChange, NutTurn, Restart
from firmware_sim.scenario import Scenario
from firmware_sim.truth import Truth

COLUMNS = ("t_s", "hours", "rpm", "lag_deg", "spring_mm", "elongation_percent", "casing_c", "frame_c", "load")
MORE = ("chain_c", "slack_mm", "tension_share_n", "loading")
ROWS_AT_ONCE = 4_096


def csv(truth: Truth, duration_s: float, every_s: float = 10.0) -> Iterator[str]:
    """Lines of a CSV file, a row for every `every_s`."""
    yield ",".join(COLUMNS) + "\n"
    for row in _rows(truth, duration_s, every_s, COLUMNS):
        yield ",".join([f"{row[0]:.3f}", *(f"{x:.6f}" for x in row[1:])]) + "\n"


def document(scenario: Scenario, duration_s: float, every_s: float = 600.0) -> Iterator[str]:
    """A JSON document in lines: what holds throughout, the faults and the work with their times, a row for `every_s`.

    Times in s since the scenario's start; `null` as an end = for good.
    """
    columns = (*COLUMNS, *MORE)
    head = {
        "seed": scenario.run.seed,
        "ride_out": scenario.chain.ride_out,
        "zero_deg": scenario.shafts.zero_deg,
        "wiring": {k: v for k, v in scenario.wiring.model_dump().items() if v not in (False, 1.0)},
        "storms": [list(s) for s in scenario.sea.storm],
        "faults": [_event(e) for e in scenario.event if not is_work(e)],
        "work": [_event(e) for e in scenario.event if is_work(e)],
        "columns": list(columns),
    }
    yield json.dumps(head)[:-1] + ', "rows": [\n'
    before = ""
    for row in _rows(Truth(scenario), duration_s, every_s, columns):
        yield before + json.dumps([round(x, 6) for x in row])
        before = ",\n"
    yield "\n]}\n"


def is_work(event: Event) -> bool:
    """Is it the crew's doing?"""
    return isinstance(event, NutTurn | ChainRenewed) or (isinstance(event, LagChange) and event.kind == "retime")


def _event(event: Event) -> dict[str, object]:
    data = {k: v for k, v in event.model_dump().items() if k not in ("at_s", "for_s")}
    until: float | None = None
    if isinstance(event, Drift):
        until = None
    elif isinstance(event, Restart):
        until = event.at_s + event.down_s
    elif hasattr(event, "until_s") and event.until_s != float("inf"):
        until = event.until_s
    return {"from_s": event.at_s, "to_s": until, **data}


def _rows(truth: Truth, duration_s: float, every_s: float, columns: tuple[str, ...]) -> Iterator[list[float]]:
    times = np.arange(0.0, duration_s + every_s / 2, every_s)
    for i in range(0, len(times), ROWS_AT_ONCE):
        t = times[i : i + ROWS_AT_ONCE]
        yield from np.column_stack([t, *(getattr(truth, name)(t) for name in columns[1:])]).tolist()
