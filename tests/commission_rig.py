"""Statuses and a ship for the tests of commissioning."""

from typing import Any

from gateway.model.settings import EngineSettings, Settings
from gateway.worksheet.commission import Finding, Look, Work
from gateway.worksheet.commission_tasks import tasks


def status(**changes: Any) -> dict[str, Any]:
    """One engine in the daemon's status: a head that is heard, an engine that stands. Keys of the head's own part are
    given as `head_NAME`."""
    head = {
        "name": "port-head", "serial": 7, "firmware": [1, 2], "counts": [14_400, 14_400], "turns": [0.0, 0.0],
        "valid": [True, True], "slips": [0, 0], "skew_ns": None, "jitter_us": 1, "lost": 0, "crank_deg": 12.0,
        "mounting_deg": 0.2,
    }  # fmt: skip
    made = {
        "running": "stopped", "rpm": 0.0, "hours": 100.0, "head_heard": True, "head": head, "alarms": [],
        "spring_mm": {"value": 180.0, "quality": "good", "reason": ""}, "lag_deg": {"value": 0.1, "quality": "good"},
        "raw_deg": 17.4, "turned": None, "link": {"good": 100, "lost": 0}, "revolutions": {"used": 0},
    }  # fmt: skip
    for key, value in changes.items():
        if key.startswith("head_") and key != "head_heard":
            head[key[5:]] = value
        else:
            made[key] = value
    return made


def judged(
    settings: Settings,
    key: str,
    before: dict[str, Any],
    now: dict[str, Any],
    engine: EngineSettings | None = None,
    values: dict[str, float] | None = None,
    **typed: object,
) -> Finding:
    """What a task shows."""
    engine = engine or settings.engine[0]
    task = next(t for t in tasks(settings, engine) if t.key == key)
    answers = {k: str(v) for k, v in typed.items()}
    return task.judge(Work(settings, engine, Look.of(before), Look.of(now), answers, values or {}))
