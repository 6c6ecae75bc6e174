"""Modbus requests answered, without any I/O: PDU in, PDU out, and what is asked of the alarms beside it.

Modbus Application Protocol V1.1b3. The order of the checks is that of its state diagrams: function (01), quantity (03),
address (02). Functions 1, 2, 3, 4, 5, 15 and 43/14. Function 3 reads the same map as 4: many panels read nothing else.
"""

import struct
from collections.abc import Callable
from dataclasses import dataclass

from gateway.encode.registers import ACKNOWLEDGE_BASE, BITS, INPUT_REGISTERS, discrete_inputs, input_registers
from gateway.model.limits import ALARMS_PER_ENGINE
from gateway.model.snapshot import GATEWAY, AlarmView, EngineView, Snapshot

ILLEGAL_FUNCTION = 0x01
ILLEGAL_ADDRESS = 0x02
ILLEGAL_VALUE = 0x03
TARGET_SILENT = 0x0B

PDU_BYTES_MAX = 253
READ_BITS_MAX = 2_000
READ_REGISTERS_MAX = 125
WRITE_COILS_MAX = 1_968


@dataclass(frozen=True, slots=True)
class Act:
    """What a coil asks for: `acknowledge` of alarm `no`, or `acknowledge-all` (`no` is `None`)."""

    kind: str
    engine: str
    no: int | None


@dataclass(frozen=True, slots=True)
class Answer:
    """The PDU to send back, and what is to be done."""

    pdu: bytes
    acts: tuple[Act, ...] = ()


@dataclass(frozen=True, slots=True)
class Asked:
    """All that an answer depends on."""

    board: Snapshot
    engine: EngineView
    may_write: bool
    version: str


class _ModbusException(Exception):
    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


def answer(pdu: bytes, asked: Asked) -> Answer:
    """Answer one request PDU of 1–253 bytes; never raises. Where writing is not enabled, functions 5 and 15 give 01."""
    function = pdu[0] if pdu else 0
    handler = _HANDLERS.get(function)
    if handler is None or (function in _WRITING and not asked.may_write):
        return Answer(exception(function, ILLEGAL_FUNCTION))
    try:
        return handler(pdu, asked)
    except _ModbusException as e:
        return Answer(exception(function, e.code))


def exception(function: int, code: int) -> bytes:
    """The exception PDU: function with its top bit set, then the code."""
    return bytes((function | 0x80, code))


def _read_range(pdu: bytes, most: int, size: int) -> slice:
    if len(pdu) != 5:
        raise _ModbusException(ILLEGAL_VALUE)
    start, quantity = struct.unpack_from(">HH", pdu, 1)
    if not 1 <= quantity <= most:
        raise _ModbusException(ILLEGAL_VALUE)
    if start + quantity > size:
        raise _ModbusException(ILLEGAL_ADDRESS)
    return slice(start, start + quantity)


def _read_coils(pdu: bytes, asked: Asked) -> Answer:
    wanted = _read_range(pdu, READ_BITS_MAX, BITS)
    return _bits(pdu[0], ([False] * BITS)[wanted])


def _read_discrete_inputs(pdu: bytes, asked: Asked) -> Answer:
    wanted = _read_range(pdu, READ_BITS_MAX, BITS)
    return _bits(pdu[0], discrete_inputs(asked.board, asked.engine)[wanted])


def _bits(function: int, bits: list[bool]) -> Answer:
    packed = pack_bits(bits)
    return Answer(bytes((function, len(packed))) + packed)


def pack_bits(bits: list[bool]) -> bytes:
    """Bits as the protocol packs them: the first in the lowest bit of the first byte, the last byte filled with 0."""
    value = sum(1 << i for i, bit in enumerate(bits) if bit)
    return value.to_bytes((len(bits) + 7) // 8, "little")


def _read_registers(pdu: bytes, asked: Asked) -> Answer:
    words = input_registers(asked.board, asked.engine)[_read_range(pdu, READ_REGISTERS_MAX, INPUT_REGISTERS)]
    return Answer(struct.pack(f">BB{len(words)}H", pdu[0], 2 * len(words), *words))


def _write_coil(pdu: bytes, asked: Asked) -> Answer:
    if len(pdu) != 5:
        raise _ModbusException(ILLEGAL_VALUE)
    coil, value = struct.unpack_from(">HH", pdu, 1)
    if value not in (0x0000, 0xFF00):
        raise _ModbusException(ILLEGAL_VALUE)
    if not _writable(coil):
        raise _ModbusException(ILLEGAL_ADDRESS)
    return Answer(pdu, acts_of(coil, asked) if value else ())


def _write_coils(pdu: bytes, asked: Asked) -> Answer:
    if len(pdu) < 6:
        raise _ModbusException(ILLEGAL_VALUE)
    start, quantity, size = struct.unpack_from(">HHB", pdu, 1)
    if not 1 <= quantity <= WRITE_COILS_MAX or size != (quantity + 7) // 8 or len(pdu) != 6 + size:
        raise _ModbusException(ILLEGAL_VALUE)
    if not all(_writable(coil) for coil in range(start, start + quantity)):
        raise _ModbusException(ILLEGAL_ADDRESS)
    bits = int.from_bytes(pdu[6:], "little")
    acts = [act for i in range(quantity) if bits >> i & 1 for act in acts_of(start + i, asked)]
    return Answer(pdu[:5], tuple(acts))


def _writable(coil: int) -> bool:
    return coil == 0 or ACKNOWLEDGE_BASE <= coil < ACKNOWLEDGE_BASE + ALARMS_PER_ENGINE


def acts_of(coil: int, asked: Asked) -> tuple[Act, ...]:
    """What writing 1 to a coil asks for. Nothing where nothing waits for acknowledgement, so that a panel that
    writes without end fills no queue and no record."""
    owners = ((asked.engine.slug, asked.engine.alarms), (GATEWAY, asked.board.gateway_alarms))
    if coil == 0:
        return tuple(Act("acknowledge-all", slug, None) for slug, alarms in owners if _waiting(alarms))
    no = coil - ACKNOWLEDGE_BASE
    return tuple(Act("acknowledge", slug, no) for slug, alarms in owners if no in _waiting(alarms))


def _waiting(alarms: tuple[AlarmView, ...]) -> set[int]:
    return {a.no for a in alarms if a.unacknowledged}


_PRODUCT = "camdrift"
_CONFORMITY = 0x82
"""Regular identification, as a stream and one by one."""
_READ_BASIC, _READ_REGULAR, _READ_EXTENDED, _READ_ONE = 1, 2, 3, 4


def _read_identification(pdu: bytes, asked: Asked) -> Answer:
    if len(pdu) != 4:
        raise _ModbusException(ILLEGAL_VALUE)
    kind, code, first = pdu[1:]
    if kind != 0x0E:
        raise _ModbusException(ILLEGAL_FUNCTION)
    if code not in (_READ_BASIC, _READ_REGULAR, _READ_EXTENDED, _READ_ONE):
        raise _ModbusException(ILLEGAL_VALUE)
    sent = _objects(code, first, asked.version)
    body = b"".join(bytes((no, len(text))) + text for no, text in sent)
    return Answer(bytes((0x2B, 0x0E, code, _CONFORMITY, 0, 0, len(sent))) + body)


def _objects(code: int, first: int, version: str) -> list[tuple[int, bytes]]:
    texts = {0: _PRODUCT, 1: _PRODUCT, 2: version, 4: _PRODUCT}
    known = {no: text.encode("ascii", "replace")[:32] for no, text in texts.items()}
    if code == _READ_ONE:
        if first not in known:
            raise _ModbusException(ILLEGAL_ADDRESS)
        return [(first, known[first])]
    upto = 2 if code == _READ_BASIC else 6
    begin = first if first in known else 0
    return [(no, text) for no, text in known.items() if begin <= no <= upto]


_WRITING = frozenset((5, 15))
_HANDLERS: dict[int, Callable[[bytes, Asked], Answer]] = {
    1: _read_coils,
    2: _read_discrete_inputs,
    3: _read_registers,
    4: _read_registers,
    5: _write_coil,
    15: _write_coils,
    43: _read_identification,
}
