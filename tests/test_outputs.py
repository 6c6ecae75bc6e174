"""What comes out of the pipeline of a transition."""

from dataclasses import replace

from gateway.model.enums import AlarmState, Priority
from gateway.model.records import Transition
from gateway.outputs import AlarmChanged, alarms_changed


def test_each_transition_bears_its_own_time() -> None:
    """In their order, at one count of hours; since when only where it was ever raised."""
    raised = Transition(
        2_000_000, "main", "lag-near", Priority.WARNING, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, 1.6, 1.5, "°",
        "text", since_us=1_000_000,
    )  # fmt: skip
    never = replace(raised, t_us=3_000_000, since_us=None)
    assert alarms_changed([raised, never], lambda t_us: 100.0 + t_us / 1e6, 7.0) == [
        AlarmChanged(raised, 102.0, 7.0, 101.0),
        AlarmChanged(never, 103.0, 7.0, None),
    ]
