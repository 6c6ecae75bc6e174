"""CRC and COBS against published values, and the decoder's own use of both against a second implementation.

CRC: check values of the ASCII digits 1 to 9 and the residue, as catalogued by the CRC RevEng project
(reveng.sourceforge.io/crc-catalogue) and carried by the PyPI package crccheck 1.3.1.
COBS: the table of worked examples published with the algorithm's encyclopaedia entry (Wikipedia, "Consistent Overhead
Byte Stuffing", examples 1 to 11), and the figure of S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing",
IEEE/ACM Transactions on Networking 7(2), 1999 (from memory, recomputed).
"""

from zlib import crc32

import pytest
from cobs import cobs
from crccheck.crc import ALLCRCCLASSES, Crc32IsoHdlc
from hypothesis import given
from hypothesis import strategies as st

from gateway.link import Decoder
from gateway.link.frames import CRC_RESIDUE
from gateway.model.records import Health

EXAMPLES = [
    ("00", "01 01"),
    ("00 00", "01 01 01"),
    ("00 11 00", "01 02 11 01"),
    ("11 22 00 33", "03 11 22 02 33"),
    ("11 22 33 44", "05 11 22 33 44"),
    ("11 00 00 00", "02 11 01 01 01"),
    (bytes(range(1, 255)).hex(), "ff" + bytes(range(1, 255)).hex()),
    (bytes(range(255)).hex(), "01ff" + bytes(range(1, 255)).hex()),
    (bytes(range(1, 256)).hex(), "ff" + bytes(range(1, 255)).hex() + "02ff"),
    (bytes([*range(2, 256), 0]).hex(), "ff" + bytes(range(2, 256)).hex() + "0101"),
    (bytes([*range(3, 256), 0, 1]).hex(), "fe" + bytes(range(3, 256)).hex() + "0201"),
    ("45 00 00 2C 4C 79 00 00 40 06 4F 37", "02 45 01 04 2C 4C 79 01 05 40 06 4F 37"),
]


@pytest.mark.parametrize(("plain", "stuffed"), EXAMPLES)
def test_cobs_examples(plain: str, stuffed: str) -> None:
    """The COBS that the decoder rests on undoes every published example."""
    assert cobs.decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)


def test_crc_check_value() -> None:
    """The CRC that the decoder rests on gives the catalogue's check value CBF43926."""
    assert crc32(b"123456789") == 0xCBF43926


def test_crc_is_that_algorithm_and_no_other() -> None:
    """Of all algorithms that the second implementation knows, those that agree on the digits are names of this one."""
    agreeing = {c.__name__ for c in ALLCRCCLASSES if c.calc(b"123456789") == crc32(b"123456789")}
    assert "Crc32IsoHdlc" in agreeing or "Crc32" in agreeing
    assert all(c.calc(b"camdrift") == crc32(b"camdrift") for c in ALLCRCCLASSES if c.__name__ in agreeing)


def test_crc_residue_is_the_catalogue_s() -> None:
    """The constant that proves a frame is the catalogue's residue DEBB20E3 with the final exclusive-or undone."""
    assert CRC_RESIDUE == 0xDEBB20E3 ^ 0xFFFFFFFF


@given(st.binary(max_size=600))
def test_crc_against_a_second_implementation(data: bytes) -> None:
    """CRC and residue agree with crccheck on any bytes."""
    crc = Crc32IsoHdlc.calc(data)
    assert crc32(data) == crc
    assert crc32(data + crc.to_bytes(4, "little")) == CRC_RESIDUE


def test_a_frame_made_with_the_second_implementation_is_heard() -> None:
    """A health frame whose CRC comes from crccheck is good to the decoder; with its CRC big-endian it is refused."""
    payload = bytes([1, 3, *range(2, 14), 0, 0, *range(16, 36)])
    crc = Crc32IsoHdlc.calc(payload)
    decoder = Decoder()
    items = decoder.feed(b"\0" + cobs.encode(payload + crc.to_bytes(4, "little")) + b"\0")
    assert len(items) == 1 and isinstance(items[0], Health)
    decoder.feed(cobs.encode(payload + crc.to_bytes(4, "big")) + b"\0")
    assert decoder.counts.refused["crc"] == 1
