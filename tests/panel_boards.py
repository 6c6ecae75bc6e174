"""Boards for the tests of the panel's ports: made by hand, changed at will."""

from dataclasses import replace
from typing import Any

from gateway.model.enums import AlarmState, Priority, Running
from gateway.model.snapshot import AlarmView, EngineView, Snapshot


def alarm(no: int = 3, state: AlarmState = AlarmState.UNACKNOWLEDGED, **changes: Any) -> AlarmView:
    """Alarm `no` in `state`, `active` and `unacknowledged` to match."""
    view = AlarmView(
        no=no,
        tag=f"tag-{no}",
        title=f"ALARM {no}",
        text=f"Text of alarm {no}",
        priority=Priority.ALARM,
        state=state,
        active=state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
        unacknowledged=state in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED),
        instance=1,
        revision=1,
        changed_utc_s=45_296.0,
    )
    return replace(view, **changes)


def engine(index: int = 0, alarms: tuple[AlarmView, ...] = (), **changes: Any) -> EngineView:
    """An engine running ahead with everything known."""
    view = EngineView(
        slug=f"engine-{index}",
        index=index,
        running=Running.AHEAD,
        rpm=88.4,
        spring_mm=180.25,
        compression_mm=22.95,
        lag_deg=1.234,
        elongation_percent=0.335,
        slap_mm=0.42,
        hours_to_limit=4321.9,
        running_hours=21_400.1,
        spring_good=True,
        lag_good=True,
        head_heard=True,
        delivery_flowing=False,
        alarms=alarms,
    )
    return replace(view, **changes)


def board(*engines: EngineView, gateway_alarms: tuple[AlarmView, ...] = (), **changes: Any) -> Snapshot:
    """A fresh board of these engines, or of one in good order."""
    return replace(Snapshot(engines or (engine(),), gateway_alarms, 7, True), **changes)


class Box:
    """A board that a test may change while a port reads it, and the acts that came out."""

    def __init__(self, view: Snapshot) -> None:
        self.view = view
        self.acts: list[tuple[str, str, int | None, str]] = []

    def read(self) -> Snapshot:
        return self.view

    def act(self, kind: str, engine: str, no: int | None, by: str) -> None:
        self.acts.append((kind, engine, no, by))
