"""Requests answered without I/O: codes, order of the checks, what coils ask for."""

import struct
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from panel_boards import alarm, board, engine

from gateway.model.enums import AlarmState
from gateway.model.snapshot import Snapshot
from gateway.outlets.modbus.pdu import Act, Answer, Asked, answer


def ask(pdu: bytes, view: Snapshot | None = None, may_write: bool = True) -> Answer:
    view = view or board()
    return answer(pdu, Asked(view, view.engines[0], may_write, "0.1.0"))


def request(function: int, *words: int) -> bytes:
    return bytes((function,)) + struct.pack(f">{len(words)}H", *words)


def test_input_registers_are_answered() -> None:
    """Pins byte count and content of function 4, and that function 3 reads the same map."""
    assert ask(request(4, 0, 3)).pdu == bytes.fromhex("04 06 0001 0007 0004")
    assert len(ask(request(4, 0, 16)).pdu) == 2 + 32
    assert ask(request(3, 0, 16)).pdu[1:] == ask(request(4, 0, 16)).pdu[1:]


def test_bits_are_packed_with_the_first_in_the_lowest() -> None:
    """Pins function 2 across byte borders and function 1, which reads 0 everywhere."""
    view = board(engine(0, (alarm(0), alarm(9, AlarmState.ACKNOWLEDGED))))
    assert ask(request(2, 0, 21), view).pdu == bytes.fromhex("02 03 01 02 00")
    assert ask(request(2, 100, 1), view).pdu == bytes.fromhex("02 01 01")
    assert ask(request(1, 0, 121), view).pdu == bytes((1, 16)) + bytes(16)


@pytest.mark.parametrize(
    ("pdu", "code"),
    [
        (request(3, 16, 1), 2),
        (request(6, 0, 1), 1),
        (request(99, 0, 0), 1),
        (request(4, 0, 0), 3),
        (request(4, 0, 126), 3),
        (request(4, 60_000, 126), 3),  # quantity comes before address
        (request(4, 16, 1), 2),
        (request(4, 0, 17), 2),
        (request(4, 65_535, 2), 2),
        (request(2, 0, 2_001), 3),
        (request(2, 125, 1), 2),
        (request(1, 0, 0), 3),
        (request(5, 0, 1), 3),
        (request(5, 99, 1), 3),  # value comes before address
        (request(5, 99, 0xFF00), 2),
        (request(5, 125, 0xFF00), 2),
        (request(15, 0, 0) + b"\0", 3),
        (request(15, 0, 9) + b"\1\1", 3),
        (request(15, 0, 2) + b"\1\1", 2),
        (request(15, 100, 26) + b"\4\0\0\0\0", 2),
        (request(4, 0), 3),
        (request(4, 0, 1) + b"\0", 3),
        (bytes((43, 13, 1, 0)), 1),
        (bytes((43, 14, 5, 0)), 3),
        (bytes((43, 14, 4, 3)), 2),
    ],
)
def test_exceptions(pdu: bytes, code: int) -> None:
    """Pins the exception of each mistake: the request's function with the top bit set, never 0x80."""
    assert ask(pdu).pdu == bytes((pdu[0] | 0x80, code))


def test_writing_is_an_illegal_function_where_it_is_not_enabled() -> None:
    """Pins that a coil neither acknowledges nor pretends to unless the settings say so."""
    view = board(engine(0, (alarm(3),)))
    for pdu in (request(5, 0, 0xFF00), request(15, 103, 1) + b"\1\1"):
        assert ask(pdu, view, may_write=False) == Answer(bytes((pdu[0] | 0x80, 1)))


def test_coil_of_one_alarm() -> None:
    """Pins that a coil acknowledges its own alarm only, by echo, and that 0 does nothing."""
    view = board(engine(0, (alarm(3), alarm(4))))
    pdu = request(5, 103, 0xFF00)
    assert ask(pdu, view) == Answer(pdu, (Act("acknowledge", "engine-0", 3),))
    assert ask(request(5, 103, 0), view).acts == ()


def test_coil_of_an_alarm_that_waits_for_nobody() -> None:
    """Pins that acknowledging what is acknowledged makes no act: a panel that repeats itself fills no record."""
    view = board(engine(0, (alarm(3, AlarmState.ACKNOWLEDGED),)))
    assert ask(request(5, 103, 0xFF00), view) == Answer(request(5, 103, 0xFF00))
    assert ask(request(5, 0, 0xFF00), view).acts == ()


def test_coil_0_is_for_the_engine_and_the_gateway() -> None:
    """Pins that acknowledge-all reaches everything this unit shows and nothing of another engine."""
    view = board(engine(0, (alarm(3),)), engine(1, (alarm(5),)), gateway_alarms=(alarm(20),))
    acts = ask(request(5, 0, 0xFF00), view).acts
    assert acts == (Act("acknowledge-all", "engine-0", None), Act("acknowledge-all", "", None))
    assert ask(request(5, 120, 0xFF00), view).acts == (Act("acknowledge", "", 20),)


def test_several_coils() -> None:
    """Pins function 15: only the bits that are 1 act, the answer repeats start and quantity."""
    view = board(engine(0, tuple(alarm(n) for n in range(12))))
    result = ask(request(15, 100, 10) + bytes((2, 0b00000101, 0b10)), view)
    assert result.pdu == request(15, 100, 10)
    assert [a.no for a in result.acts] == [0, 2, 9]


def test_identification() -> None:
    """Pins the basic, the regular and the single answer of function 43/14."""
    basic = ask(bytes((43, 14, 1, 0))).pdu
    assert basic == b"\x2b\x0e\x01\x82\x00\x00\x03" + b"\x00\x08camdrift" + b"\x01\x08camdrift" + b"\x02\x050.1.0"
    assert ask(bytes((43, 14, 2, 0))).pdu[6] == 4
    assert ask(bytes((43, 14, 4, 2))).pdu == b"\x2b\x0e\x04\x82\x00\x00\x01\x02\x050.1.0"


@given(st.binary(max_size=253), st.booleans())
def test_any_request_gets_a_lawful_answer(pdu: bytes, may_write: bool) -> None:
    """Pins that no request raises, that answers fit, and that only a well-formed write ever acts."""
    view = board(engine(0, (alarm(3), alarm(4))))
    result = ask(pdu, view, may_write)
    assert 2 <= len(result.pdu) <= 253
    if result.acts:
        assert may_write and pdu[0] in (5, 15) and result.pdu == pdu[:5]


@given(st.integers(0, 65_535), st.integers(0, 65_535), st.sampled_from([1, 2, 3, 4]))
def test_reads_obey_a_second_statement_of_the_rules(start: int, quantity: int, function: int) -> None:
    """Pins the order quantity, then address, against the rule written a second way."""
    most, size = {1: (2_000, 125), 2: (2_000, 125), 3: (125, 16), 4: (125, 16)}[function]
    expected: Any = None
    if quantity == 0 or quantity > most:
        expected = 3
    elif set(range(start, start + quantity)) - set(range(size)):
        expected = 2
    got = ask(request(function, start, quantity)).pdu
    assert got[0] == (function | 0x80 if expected else function)
    assert expected is None or got[1] == expected
