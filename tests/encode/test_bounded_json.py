"""JSON from outside: what is refused before anything looks at it."""

import pytest

from gateway.encode.bounded_json import DEPTH_MAX, WHOLE_MAX, read_object
from gateway.model.errors import Refused


def nested(levels: int) -> bytes:
    """An object of so many levels."""
    return b'{"a":' * (levels - 1) + b"{}" + b"}" * (levels - 1)


def test_depth_is_bounded() -> None:
    """Pins the bound to the level, in objects and lists, and far beyond what a recursive reader stands."""
    assert read_object(nested(DEPTH_MAX))
    for data in (nested(DEPTH_MAX + 1), nested(400), nested(100_000), b'{"a":' + b"[" * 400 + b"]" * 400 + b"}"):
        with pytest.raises(Refused, match=f"{DEPTH_MAX} levels"):
            read_object(data)


@pytest.mark.parametrize("number", ["9007199254740992", "-9007199254740992", "9" * 5_000, "1e999", "NaN", "-Infinity"])
def test_numbers_are_bounded(number: str) -> None:
    """Pins that no number passes that a database or another reader cannot hold (RFC 8259, section 6)."""
    with pytest.raises(Refused):
        read_object(b'{"before":%s}' % number.encode())


def test_the_largest_numbers_pass() -> None:
    """Pins both ends of the range."""
    assert read_object(b'{"a":%d,"b":%d}' % (WHOLE_MAX, -WHOLE_MAX)) == {"a": WHOLE_MAX, "b": -WHOLE_MAX}


@pytest.mark.parametrize("data", [b"", b"[]", b"1", b"\xff{}", b'{"a":"\\ud800"}', b'{"a":1', b"{}{}"])
def test_what_is_no_object_is_refused(data: bytes) -> None:
    """Pins that it is refused in one line."""
    with pytest.raises(Refused) as refused:
        read_object(data)
    assert len(str(refused.value)) < 120
