"""Modbus against its published examples.

Sources: MODBUS Application Protocol Specification V1.1b3 (examples of chapters 6 and 7); MODBUS over Serial Line V1.02,
6.2.2, figure 30; the catalogue of CRC algorithms for CRC-16/MODBUS. Frames marked M were remembered, then recomputed.
"""

import struct

import pytest
from panel_boards import board, engine

from gateway.outlets.modbus.frames import MbapSplitter, RtuReceiver, RtuRequest, TcpRequest, crc16, mbap, rtu_frame
from gateway.outlets.modbus.pdu import Asked, answer, pack_bits


def ask(request: str, may_write: bool = True, **figures: float) -> str:
    one = engine(**figures)
    view = board(one)
    return answer(bytes.fromhex(request), Asked(view, one, may_write, "0")).pdu.hex(" ").upper()


def test_crc_check_value() -> None:
    """Pins CRC-16/MODBUS of "123456789" (catalogue: 4B37) and the serial guide's 1241h, sent as 41 12."""
    assert crc16(b"123456789") == 0x4B37
    assert crc16(b"\x02\x07") == 0x1241
    assert rtu_frame(2, b"\x07").hex(" ") == "02 07 41 12"


@pytest.mark.parametrize(
    "frame",
    [
        "01 03 00 6B 00 03 74 17",
        "01 03 06 02 2B 00 00 00 64 05 7A",
        "11 03 00 6B 00 03 76 87",
        "11 03 06 02 2B 00 00 00 64 C8 BA",
        "02 03 00 00 00 03 05 F8",
    ],
)
def test_published_serial_frames_are_taken_and_made(frame: str) -> None:
    """Pins published RTU frames in both directions: found by the receiver, reproduced by the writer."""
    wire = bytes.fromhex(frame)
    receiver = RtuReceiver(frozenset((1,)))
    receiver.feed(wire)
    assert receiver.silence() == RtuRequest(wire[0], wire[1:-2])
    assert rtu_frame(wire[0], wire[1:-2]) == wire


@pytest.mark.parametrize(
    ("shown", "packed"),
    [
        # V1.1b3, 6.1 read coils 20–38: 27–20, 35–28, 38–36, each shown with the highest number first
        (("11001101", "01101011", "101"), "CD 6B 05"),
        # V1.1b3, 6.2 read discrete inputs 197–218
        (("10101100", "11011011", "110101"), "AC DB 35"),
    ],
)
def test_bits_are_packed_as_the_specification_shows(shown: tuple[str, ...], packed: str) -> None:
    """Pins the order of bits within bytes and the zero filling of the last one."""
    bits = [digit == "1" for byte in shown for digit in reversed(byte)]
    assert pack_bits(bits) == bytes.fromhex(packed)


def test_read_input_register_9() -> None:
    """Pins the example of 6.4 (M): one input register at address 8 that holds 10."""
    assert ask("04 00 08 00 01", slap_mm=0.10) == "04 02 00 0A"


def test_exception_example() -> None:
    """Pins the example of chapter 7: reading an output that is not there is answered with 81 02."""
    assert ask("01 04 A1 00 01") == "81 02"


@pytest.mark.parametrize(
    ("request_pdu", "reply"),
    [
        ("05 00 AC FF 00", "85 02"),  # 6.5: write coil 173; we have none there
        ("0F 00 13 00 0A 02 CD 01", "8F 02"),  # 6.11: write coils 20–29; none of ours
        ("03 00 6B 00 03", "83 02"),  # 6.3: read holding registers 108 to 110; we have none there
        ("06 00 01 00 03", "86 01"),  # 6.6
        ("10 00 01 00 02 04 00 0A 01 02", "90 01"),  # 6.12
        ("17 00 03 00 06 00 0E 00 03 06 00 FF 00 FF 00 FF", "97 01"),  # 6.17 (M)
    ],
)
def test_published_requests_for_what_we_have_not(request_pdu: str, reply: str) -> None:
    """Pins that well-formed requests of the specification get address or function exceptions, never value ones."""
    assert ask(request_pdu) == reply


def test_function_15_is_understood_bit_by_bit() -> None:
    """Pins the layout of the example of 6.11 (quantity 10, two bytes), moved to coils that we have."""
    assert ask("0F 00 64 00 0A 02 CD 01") == "0F 00 64 00 0A"


@pytest.mark.parametrize(("function", "most"), [(1, 2_000), (2, 2_000), (3, 125), (4, 125)])
def test_published_limits_of_quantity(function: int, most: int) -> None:
    """Pins the limits of chapter 6: at the limit the quantity passes (and the address fails), one more is 03."""
    assert ask(struct.pack(">BHH", function, 0, most).hex()) == f"{function | 0x80:02X} 02"
    assert ask(struct.pack(">BHH", function, 0, most + 1).hex()) == f"{function | 0x80:02X} 03"


def test_header_example() -> None:
    """Pins the MBAP header example: 15 01 00 00 00 06 FF 03 00 6B 00 03, answered under 15 01 00 00 00 09 FF."""
    requests, is_modbus = MbapSplitter().feed(bytes.fromhex("15 01 00 00 00 06 FF 03 00 6B 00 03"))
    assert is_modbus
    assert requests == [TcpRequest(0x1501, 0xFF, bytes.fromhex("03 00 6B 00 03"))]
    reply = mbap(0x1501, 0xFF, bytes.fromhex("03 06 02 2B 00 00 00 64"))
    assert reply[:7] == bytes.fromhex("15 01 00 00 00 09 FF")
