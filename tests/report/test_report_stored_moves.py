"""Alarm events as the daemon reads them back from its own record."""

import json
from typing import Any

import pytest

from gateway.encode.checked import parse_event
from gateway.encode.messages import AlarmEvent, alarm_event_body, event_payload
from gateway.model.enums import AlarmState, Priority
from gateway.model.records import Transition
from gateway.report.alarms import moved, stored_move

RAISED = Transition(
    0, "main", "lag-near", Priority.WARNING, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, 1.5, 1.5, "°", "late"
)
PAYLOAD = event_payload("3f0c1d2e-0000-4000-8000-00000000abcd", 1, alarm_event_body(RAISED, 1.75e9, 1.0))


def test_a_stored_move_is_what_the_checked_event_says() -> None:
    """Pins the daemon's short way to the long one over pydantic."""
    event = parse_event(PAYLOAD)
    assert isinstance(event, AlarmEvent)
    assert stored_move(PAYLOAD, "main") == moved(event, "main")


@pytest.mark.parametrize(
    "changed", [{"to": "on fire"}, {"priority": None}, {"ts": "yesterday"}, {"ts": 5}, {"from": []}]
)
def test_a_row_that_cannot_be_read_is_passed_over(changed: dict[str, Any]) -> None:
    """Pins that one bad row does not take the load on people away."""
    assert stored_move(json.dumps(json.loads(PAYLOAD) | changed).encode(), "main") is None


@pytest.mark.parametrize("payload", [b"", b"\xff", b"[]", b"{}", b"7"])
def test_a_row_that_is_no_event_is_passed_over(payload: bytes) -> None:
    """Pins the same for what is no JSON or no object."""
    assert stored_move(payload, None) is None
