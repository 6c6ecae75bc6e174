"""The register map of the interface page."""

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from panel_boards import alarm, board, engine

from gateway.encode.registers import BITS, INPUT_REGISTERS, discrete_inputs, input_registers, signed
from gateway.model.enums import AlarmState, Priority, Running

FLOATS = st.none() | st.floats(allow_nan=True, allow_infinity=True)


def test_every_register_of_a_known_engine() -> None:
    """Pins position, scale and sign of all sixteen input registers."""
    one = engine(alarms=(alarm(3), alarm(8, AlarmState.RETURNED, priority=Priority.WARNING)))
    words = input_registers(board(one, heartbeat=65_537), one)
    assert words == [1, 1, 4, 884, 18_025, 2_295, 1_234, 335, 42, 4_321, 3, 17_393, 1, 2, 3, 0b0111]
    assert (words[10] << 16 | words[11]) / 10 == 21_400.1


def test_astern_and_early_are_two_s_complement() -> None:
    """Pins that negative speed and lag go out as two's complement."""
    one = engine(running=Running.ASTERN, rpm=-63.2, lag_deg=-0.5)
    words = input_registers(board(one), one)
    assert (words[2], words[3], words[6]) == (5, 0x10000 - 632, 0x10000 - 500)


@pytest.mark.parametrize("value", [40.0, 1e9, math.inf])
def test_beyond_the_range_is_held(value: float) -> None:
    """Pins that an overflow is held at ±32,767 and never wraps into 0x8000."""
    assert signed(value, 1000) == 32_767
    assert signed(-value, 1000) == 0x10000 - 32_767


def test_unknown_reads_as_unknown() -> None:
    """Pins 0x8000 and 0xFFFF for what is not known."""
    none = dict.fromkeys(("rpm", "spring_mm", "compression_mm", "lag_deg", "elongation_percent", "slap_mm"))
    one = engine(running=Running.UNKNOWN, hours_to_limit=None, running_hours=None, **none)
    assert input_registers(board(one), one)[2:12] == [0, *[0x8000] * 6, 0xFFFF, 0xFFFF, 0xFFFF]


def test_a_board_that_is_not_fresh_reads_unknown_but_keeps_its_alarms() -> None:
    """Pins that old figures are not shown and that no alarm turns normal for want of data."""
    one = engine(alarms=(alarm(3),))
    old = board(one, fresh=False)
    words = input_registers(old, one)
    assert words[2:12] == [0, *[0x8000] * 6, 0xFFFF, 0xFFFF, 0xFFFF]
    assert words[12:] == [1, 1, 3, 0]
    assert discrete_inputs(old, one)[3]


@pytest.mark.parametrize(
    ("hours", "word"), [(-5.0, 0), (0.0, 0), (65_533.9, 65_533), (65_534.0, 65_534), (1e7, 65_534)]
)
def test_hours_to_a_limit_round_down_and_are_held(hours: float, word: int) -> None:
    """Pins that hours never read longer than they are, and that 65,534 stands for that many or more."""
    one = engine(hours_to_limit=hours)
    assert input_registers(board(one), one)[9] == word


def test_discrete_inputs_of_an_engine_and_of_the_gateway() -> None:
    """Pins both blocks, and that the gateway's own alarm shows at every engine."""
    first, second = engine(0, (alarm(1), alarm(2, AlarmState.ACKNOWLEDGED))), engine(1)
    both = board(first, second, gateway_alarms=(alarm(20, AlarmState.RETURNED, priority=Priority.WARNING),))
    assert [i for i, bit in enumerate(discrete_inputs(both, first)) if bit] == [1, 2, 101, 120]
    assert [i for i, bit in enumerate(discrete_inputs(both, second)) if bit] == [120]


def test_priority_is_of_the_active_ones_only() -> None:
    """Pins that a returned alarm no longer counts in register 14."""
    one = engine(alarms=(alarm(1, AlarmState.RETURNED), alarm(11, AlarmState.ACKNOWLEDGED, priority=Priority.CAUTION)))
    assert input_registers(board(one), one)[12:15] == [1, 1, 1]


@given(FLOATS, FLOATS, FLOATS, st.integers(0, 2**40), st.booleans())
def test_any_figure_makes_words(a: float | None, b: float | None, c: float | None, beat: int, fresh: bool) -> None:
    """Pins that whatever the figures are, sixteen 16-bit words and 121 bits come out."""
    one = engine(rpm=a, spring_mm=b, lag_deg=c, hours_to_limit=a, running_hours=b, elongation_percent=c)
    view = board(one, heartbeat=beat, fresh=fresh)
    words = input_registers(view, one)
    assert len(struct.pack(f">{INPUT_REGISTERS}H", *words)) == 32
    assert len(discrete_inputs(view, one)) == BITS
    if a is not None and not math.isnan(a) and fresh:
        assert words[3] != 0x8000
