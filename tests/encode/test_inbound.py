"""Requests and receipts that come to the running daemon: read without pydantic, and as strictly as it can be."""

import json
from collections.abc import Callable
from typing import Any

import pydantic
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from gateway.encode.checked import ADAPTERS
from gateway.encode.inbound import read_receipt, read_request
from gateway.model.errors import Refused

REQUEST = {"v": 1, "id": "a1", "do": "shelve", "engine": "main", "alarm": "lag-near", "minutes": 30, "by": "chief"}
RECEIPT = {"v": 1, "gateway": "3f0c1d2e-0000-4000-8000-00000000abcd", "seq": 7, "ts": "2026-03-01T12:00:00.000Z"}
as_of_late = pytest.mark.skipif(
    tuple(map(int, pydantic.VERSION.split(".")[:2])) < (2, 12),
    reason="older versions differ in odd corners: of a key that comes twice the first stands, 1.0 is not 1",
)
READERS: dict[str, tuple[Callable[[bytes], Any], dict[str, Any]]] = {
    "do": (read_request, REQUEST),
    "received": (read_receipt, RECEIPT),
}


def by_pydantic(name: str, payload: bytes, strict: bool) -> Any:
    """The message; `None` where it is refused."""
    try:
        return ADAPTERS[name].validate_json(payload, strict=strict)
    except ValidationError:
        return None


def by_hand(name: str, payload: bytes) -> Any:
    """The same of the daemon's own reader."""
    try:
        return READERS[name][0](payload)
    except Refused:
        return None


def compare(name: str, payload: bytes) -> None:
    """What pydantic takes when it is strict is taken; nothing is taken that it refuses when it is lax; the fields and
    their types are its own."""
    ours = by_hand(name, payload)
    if ours is None:
        # As True equals 1 in Python, pydantic takes true for the version.
        assert by_pydantic(name, payload, strict=True) is None or json.loads(payload)["v"] is True, payload
    else:
        assert repr(ours) == repr(by_pydantic(name, payload, strict=False)), payload


def written(pairs: list[tuple[str, str]]) -> bytes:
    """An object of keys and of values that are JSON already; keys may come twice."""
    return ("{" + ",".join(f"{json.dumps(k)}:{v}" for k, v in pairs) + "}").encode()


numbers = st.one_of(
    st.sampled_from(["0", "-0", "-0.0", "1", "1.0", "1e0", "1440", "1440.0001", "1e18", "1e19", "9223372036854775807.0",
                     "1e400", "-1e400", "1e-400", "NaN", "Infinity", "-Infinity", "-NaN", "01", "1.", ".5", "+1",
                     "5e-324", "1" * 400, "1" * 4_301]),
    st.integers().map(str), st.floats().map(json.dumps), st.integers(-(10**30), 10**30).map(str),
)  # fmt: skip
figures_as_text = st.text("0123456789_+-.eE infaty\t\n\x1c\x85\xa0\u2003\u0663", max_size=8).map(json.dumps)
texts = st.one_of(
    st.sampled_from([*(str(x) for x in (*REQUEST.values(), *RECEIPT.values())), "shelve", "unshelve", "lag-near\n", "",
                     "x" * 64, "x" * 65, "\U0001f600" * 64, "٢026-03-01T12:00:00.000Z", "\0"]),
    st.text(max_size=70),
)  # fmt: skip
odd = st.one_of(
    texts.map(json.dumps), texts.map(lambda t: json.dumps(t, ensure_ascii=False)), numbers, figures_as_text,
    st.sampled_from(["true", "false", "null", "[]", "{}", "[1]", '{"v":1}', '"\\ud800"', '"\\ud83d\\ude00"',
                     '"\\x"', '"\t"', "'a'", "", "[" * 90 + "]" * 90, "[" * 300 + "]" * 300,
                     "[" * 20_000 + "]" * 20_000]),
)  # fmt: skip


@st.composite
def payloads(draw: st.DrawFn, whole: dict[str, Any]) -> bytes:
    """A good message of which nothing or something is other, wanting, too much, said twice, or out of order."""
    pairs = [(key, json.dumps(value)) for key, value in whole.items()]
    for _ in range(draw(st.integers(0, 2))):
        at = draw(st.integers(0, len(pairs) - 1)) if pairs else 0
        match draw(st.sampled_from(["other", "other", "other", "without", "extra"])) if pairs else "extra":
            case "other":
                pairs[at] = (pairs[at][0], draw(odd))
            case "without":
                del pairs[at]
            case _:
                pairs.insert(at, (draw(st.one_of(st.text(max_size=5), st.just("then"))), draw(odd)))
    return written(draw(st.permutations(pairs)) if draw(st.booleans()) else pairs)


@as_of_late
@pytest.mark.parametrize("name", READERS)
@given(data=st.data())
@settings(max_examples=3_000)
def test_what_is_taken_lies_between_what_pydantic_takes_strictly_and_at_ease(name: str, data: st.DataObject) -> None:
    """Pins the daemon's reader to pydantic's over good and bad messages, in verdict, values and types."""
    compare(name, data.draw(payloads(READERS[name][1])))


@as_of_late
@pytest.mark.parametrize("name", READERS)
@given(payload=st.one_of(st.binary(max_size=60), st.text(max_size=60).map(str.encode), odd.map(str.encode)))
@example(payload=b"\xff")
@example(payload=b"\xef\xbb\xbf{}")
@example(payload=json.dumps(REQUEST).encode("utf-16"))
@example(payload=json.dumps(RECEIPT).encode("utf-32"))
@settings(max_examples=1_000)
def test_no_bytes_at_all_are_read_otherwise(name: str, payload: bytes) -> None:
    """Pins that what is no object, no JSON, or no UTF-8 is refused in words and never raises anything else."""
    compare(name, payload)


@as_of_late
@pytest.mark.parametrize("name", READERS)
@given(at=st.integers(0, 300), byte=st.binary(max_size=2))
@settings(max_examples=1_000)
def test_a_message_with_a_byte_broken(name: str, at: int, byte: bytes) -> None:
    """Pins that a good message with bytes cut out or put in fares the same with both readers."""
    good = json.dumps(READERS[name][1], ensure_ascii=False).encode()
    at %= len(good)
    compare(name, good[:at] + byte + good[at + 1 :])
    compare(name, good[:at] + byte + good[at:])
    compare(name, good[:at])


@pytest.mark.parametrize("name", READERS)
@given(data=st.data())
@settings(max_examples=500)
def test_of_a_key_that_comes_twice_the_last_stands(name: str, data: st.DataObject) -> None:
    """Pins which of two values is believed; pydantic's versions differ in it."""
    pairs = [(key, json.dumps(value)) for key, value in READERS[name][1].items()]
    key = data.draw(st.sampled_from([k for k, _ in pairs]))
    twice = (key, data.draw(st.one_of(numbers, texts.map(json.dumps), st.just("null"))))
    once = [(k, twice[1] if k == key else v) for k, v in pairs]
    assert repr(by_hand(name, written([*pairs, twice]))) == repr(by_hand(name, written(once)))


def test_a_good_message_is_taken() -> None:
    """Pins that the comparison is not one of refusals alone."""
    assert read_request(json.dumps(REQUEST).encode()).minutes == 30.0
    assert read_receipt(json.dumps(RECEIPT).encode()).seq == 7


@pytest.mark.parametrize(("changed", "why"), [
    ({"minutes": 1_441}, "minutes: 1441.0 cannot be, 1440.0 at most"),
    ({"do": "silence"}, "do: 'silence' cannot be, one of acknowledge, shelve, unshelve"),
    ({"v": 2}, "v: 2 cannot be, one of 1"),
    ({"by": ""}, "by: '' cannot be, a length of at least 1 is needed"),
    ({"then": "reboot"}, "then: is not known here"),
])  # fmt: skip
def test_a_refusal_names_the_key_and_what_it_should_be(changed: dict[str, Any], why: str) -> None:
    """Pins the words that whoever sent the request gets back."""
    with pytest.raises(Refused) as refused:
        read_request(json.dumps(REQUEST | changed).encode())
    assert str(refused.value) == why
