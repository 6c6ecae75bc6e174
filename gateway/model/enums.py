"""The closed word lists that cross the program's borders, spelt as the interface spells them."""

from enum import StrEnum


class Running(StrEnum):
    """What the crankshaft is doing."""

    STOPPED = "stopped"
    TURNING = "turning"
    CHANGING = "changing"
    AHEAD = "ahead"
    ASTERN = "astern"
    UNKNOWN = "unknown"


STANDING = (Running.STOPPED, Running.TURNING)
"""Under no power of its own: at rest or on the turning gear."""


class Quality(StrEnum):
    """How far a figure may be believed."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Priority(StrEnum):
    """Alert priorities after IEC 62923."""

    EMERGENCY_ALARM = "emergency-alarm"
    ALARM = "alarm"
    WARNING = "warning"
    CAUTION = "caution"


class AlarmState(StrEnum):
    """Alarm states after IEC 62682 / ISA-18.2."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"
