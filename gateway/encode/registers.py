"""The Modbus register map, version 1 (interface page, section 4): a board in, numbers out.

The gateway's own alarms stand in every engine's map at their number, and count in registers 12 to 14.
A board that is not fresh reads unknown, its alarms stay as they last stood: nothing turns normal for want of data.
"""

from itertools import chain

from gateway.model.enums import Priority, Running
from gateway.model.limits import ALARMS_PER_ENGINE
from gateway.model.snapshot import AlarmView, EngineView, Snapshot

MAP_VERSION = 1
INPUT_REGISTERS = 16
ACKNOWLEDGE_BASE = 100
"""Discrete inputs and coils from here on belong to the alarm of that number less 100."""
BITS = ACKNOWLEDGE_BASE + ALARMS_PER_ENGINE
"""Discrete inputs and coils 0 … 120 may be read in one request; those between the two blocks read 0."""

UNKNOWN_SIGNED = 0x8000
UNKNOWN_UNSIGNED = 0xFFFF
HOURS_TO_LIMIT_MAX = 65_534

_RUNNING = {
    Running.UNKNOWN: 0,
    Running.STOPPED: 1,
    Running.TURNING: 2,
    Running.CHANGING: 3,
    Running.AHEAD: 4,
    Running.ASTERN: 5,
}
PRIORITY_RANK = {Priority.CAUTION: 1, Priority.WARNING: 2, Priority.ALARM: 3, Priority.EMERGENCY_ALARM: 4}


def signed(value: float | None, scale: float) -> int:
    """`value`·`scale` as a 16-bit two's complement word, held at ±32,767; `None` or not a number is 0x8000."""
    if value is None or value != value:
        return UNKNOWN_SIGNED
    held = max(-32_767.0, min(32_767.0, value * scale))
    return round(held) & 0xFFFF


def hours_word(hours: float | None) -> int:
    """Hours to a limit, rounded down and held at 65,534; past the limit 0; not known 0xFFFF."""
    if hours is None or hours != hours:
        return UNKNOWN_UNSIGNED
    return int(max(0.0, min(float(HOURS_TO_LIMIT_MAX), hours)))


def hours_pair(hours: float | None) -> tuple[int, int]:
    """Running hours × 10 as u32, high word first; not known 0xFFFF 0xFFFF, and held below that."""
    if hours is None or hours != hours:
        return UNKNOWN_UNSIGNED, UNKNOWN_UNSIGNED
    tenths = int(max(0.0, min(float(0xFFFF_FFFE), round(hours * 10, 3))))
    return tenths >> 16, tenths & 0xFFFF


def input_registers(board: Snapshot, engine: EngineView) -> list[int]:
    """Input registers 0–15 of one engine, each 0–65,535."""
    known = board.fresh
    alarms = _alarms(board, engine)
    active = [a for a in alarms if a.active]

    def measured(value: float | None, scale: float) -> int:
        return signed(value if known else None, scale)

    return [
        MAP_VERSION,
        board.heartbeat & 0xFFFF,
        _RUNNING[engine.running] if known else 0,
        measured(engine.rpm, 10),
        measured(engine.spring_mm, 100),
        measured(engine.compression_mm, 100),
        measured(engine.lag_deg, 1000),
        measured(engine.elongation_percent, 1000),
        measured(engine.slap_mm, 100),
        hours_word(engine.hours_to_limit if known else None),
        *hours_pair(engine.running_hours if known else None),
        len(active),
        sum(a.unacknowledged for a in alarms),
        max((PRIORITY_RANK[a.priority] for a in active), default=0),
        _quality(engine) if known else 0,
    ]


def discrete_inputs(board: Snapshot, engine: EngineView) -> list[bool]:
    """Discrete inputs 0–121: `no` active, 100 + `no` not yet acknowledged."""
    bits = [False] * BITS
    for alarm in _alarms(board, engine):
        if 0 <= alarm.no < ALARMS_PER_ENGINE:
            bits[alarm.no] |= alarm.active
            bits[ACKNOWLEDGE_BASE + alarm.no] |= alarm.unacknowledged
    return bits


def _alarms(board: Snapshot, engine: EngineView) -> list[AlarmView]:
    return list(chain(engine.alarms, board.gateway_alarms))


def _quality(engine: EngineView) -> int:
    flags = (engine.spring_good, engine.lag_good, engine.head_heard, engine.delivery_flowing)
    return sum(1 << bit for bit, good in enumerate(flags) if good)
