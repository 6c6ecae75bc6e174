"""Why a revolution is not averaged, in the order in which it is told."""

import numpy as np
import pytest

from gateway.measure.cycles import CycleFigures, causes
from gateway.measure.sensors import NO_FAULTS, SensorFaults
from gateway.model.enums import Running

GOOD = CycleFigures(0, 0.6, 1, 96.0, 1.5, 0.1, False, False, 180.0, 0.5, False, [0.0] * 8, np.zeros(64))


@pytest.mark.parametrize(
    ("changes", "state", "faults", "told"),
    [
        ({}, Running.AHEAD, NO_FAULTS, ()),
        ({}, Running.CHANGING, NO_FAULTS, ("not steady",)),
        ({}, Running.UNKNOWN, NO_FAULTS, ("not steady",)),
        ({"direction": -1}, Running.ASTERN, NO_FAULTS, ("astern",)),
        ({"direction": -1}, Running.CHANGING, NO_FAULTS, ("astern",)),
        ({"lag_bad": True}, Running.AHEAD, NO_FAULTS, ("cam not valid",)),
        ({"lag_bad": True}, Running.AHEAD, SensorFaults(cam="not valid"), ("cam not valid",)),
        ({"torn": True}, Running.AHEAD, NO_FAULTS, ("encoder fault",)),
        ({}, Running.AHEAD, SensorFaults(crank="slips"), ("encoder fault",)),
        ({}, Running.AHEAD, SensorFaults(cam="slips"), ("encoder fault",)),
        ({"spring_bad": True}, Running.AHEAD, NO_FAULTS, ("loop doubtful",)),
        ({"spring_bad": True}, Running.AHEAD, SensorFaults(transducer="broken"), ("loop doubtful",)),
        ({}, Running.AHEAD, SensorFaults(transducer="frozen"), ("transducer fault",)),
        (
            {"direction": -1, "lag_bad": True},
            Running.ASTERN,
            SensorFaults(transducer="frozen"),
            ("astern", "cam not valid", "transducer fault"),
        ),
    ],
)
def test_each_cause_is_told(
    changes: dict[str, object], state: Running, faults: SensorFaults, told: tuple[str, ...]
) -> None:
    """One cause of each kind: how she runs, the encoders, the transducer."""
    assert causes(GOOD._replace(**changes), state, faults) == told
