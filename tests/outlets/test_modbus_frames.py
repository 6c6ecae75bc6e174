"""Where requests begin and end, whole, byte by byte and in garbage."""

from hypothesis import given
from hypothesis import strategies as st

from gateway.outlets.modbus.frames import (
    RTU_BYTES_KEPT,
    MbapSplitter,
    RtuReceiver,
    RtuRequest,
    TcpRequest,
    mbap,
    rtu_frame,
)

READ = bytes.fromhex("04 0000 0002")
WRITE = bytes.fromhex("05 0000 ff00")


REQUESTS = st.tuples(st.integers(0, 65_535), st.integers(0, 255), st.binary(min_size=1, max_size=253))


@given(st.lists(REQUESTS, max_size=6), st.data())
def test_a_stream_is_cut_the_same_however_it_arrives(wanted: list[tuple[int, int, bytes]], data: st.DataObject) -> None:
    """Pins that requests survive any cutting of the stream, pipelined ones included."""
    stream = b"".join(mbap(*request) for request in wanted)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=8)))
    splitter, got = MbapSplitter(), []
    for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True):
        requests, is_modbus = splitter.feed(stream[a:b])
        assert is_modbus
        got += requests
    assert got == [TcpRequest(*request) for request in wanted]


def test_one_byte_at_a_time() -> None:
    """Pins the same for the finest cutting of all."""
    splitter = MbapSplitter()
    got = [r for byte in mbap(9, 1, READ) * 2 for r in splitter.feed(bytes((byte,)))[0]]
    assert got == [TcpRequest(9, 1, READ)] * 2


def test_garbage_is_told_and_what_stood_before_it_is_kept() -> None:
    """Pins that a wrong protocol identifier or length is not waited on."""
    good = mbap(1, 1, READ)
    assert MbapSplitter().feed(good + b"GET / HTTP/1.1\r\n") == ([TcpRequest(1, 1, READ)], False)
    assert MbapSplitter().feed(b"\0\1\0\0\0\1\1") == ([], False)
    assert MbapSplitter().feed(b"\0\1\0\0\0\xff\1") == ([], False)
    assert MbapSplitter().feed(b"HEL") == ([], False)


@given(st.lists(st.binary(max_size=600), max_size=10))
def test_garbage_does_not_grow(chunks: list[bytes]) -> None:
    """Pins that neither receiver keeps more than its cap, whatever comes."""
    splitter, receiver = MbapSplitter(), RtuReceiver(frozenset((1,)))
    for chunk in chunks:
        splitter.feed(chunk)
        receiver.feed(chunk)
        receiver.silence()
        assert len(splitter._rest) < 260
        assert len(receiver._kept) <= RTU_BYTES_KEPT
        assert len(receiver._starts) <= 16


def test_rtu_frame_in_one_piece_and_in_pieces() -> None:
    """Pins that a silence made by the driver in the middle of a frame loses nothing."""
    receiver, frame = RtuReceiver(frozenset((1,))), rtu_frame(1, READ)
    receiver.feed(frame)
    assert receiver.silence() == RtuRequest(1, READ)
    for byte in frame[:-1]:
        receiver.feed(bytes((byte,)))
        assert receiver.silence() is None
    receiver.feed(frame[-1:])
    assert receiver.silence() == RtuRequest(1, READ)


def test_request_right_after_garbage() -> None:
    """Pins that a read after garbage without any pause is heard, a write only after a silence."""
    receiver = RtuReceiver(frozenset((1,)))
    receiver.feed(b"\x00\xff\x81garbage" + rtu_frame(1, READ))
    assert receiver.silence() == RtuRequest(1, READ)
    receiver.feed(b"\xff\xff" + rtu_frame(1, WRITE))
    assert receiver.silence() is None
    receiver.quiet()
    receiver.feed(b"\xff\xff")
    assert receiver.silence() is None
    receiver.feed(rtu_frame(1, WRITE))
    assert receiver.silence() == RtuRequest(1, WRITE)


@given(st.binary(max_size=300), st.integers(0, 63))
def test_a_damaged_write_is_never_taken(before: bytes, bit: int) -> None:
    """Pins that one flipped bit anywhere in a write makes it garbage."""
    frame = bytearray(rtu_frame(1, WRITE))
    frame[bit // 8] ^= 1 << bit % 8
    receiver = RtuReceiver(frozenset((1,)))
    receiver.feed(before)
    receiver.silence()
    receiver.quiet()
    receiver.feed(bytes(frame))
    assert receiver.silence() is None
