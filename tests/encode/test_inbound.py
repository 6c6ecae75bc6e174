"""Requests and receipts that come to the running daemon: read without pydantic as pydantic would read them."""

import json
import re
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
READERS: dict[str, tuple[Callable[[bytes], Any], dict[str, Any]]] = {
    "do": (read_request, REQUEST),
    "received": (read_receipt, RECEIPT),
}
SAYS_OTHERWISE = {
    "Unexpected keyword argument": "Extra inputs are not permitted",
    "v: Unable to parse input string as an integer, exceeded maximum size": "v: Input should be 1",
}
"""Where pydantic speaks of its own ways and the daemon of what was sent."""
as_of_late = pytest.mark.skipif(
    tuple(map(int, pydantic.VERSION.split(".")[:2])) < (2, 12),
    reason="older versions differ in odd corners, such as what a number of 400 digits is called",
)


def by_pydantic(name: str, payload: bytes) -> Any:
    """The message, or the first fault in words."""
    try:
        return ADAPTERS[name].validate_json(payload)
    except ValidationError as e:
        first = e.errors()[0]
        words = SAYS_OTHERWISE.get(first["msg"], first["msg"])
        told = f"{first['loc'][0]}: {words}" if first["loc"] else words
        return SAYS_OTHERWISE.get(told, told)


def by_hand(name: str, payload: bytes) -> Any:
    """The same of the daemon's own reader."""
    try:
        return READERS[name][0](payload)
    except Refused as e:
        return str(e)


def compare(name: str, payload: bytes) -> None:
    """Both take it, with the same fields of the same types, or both refuse it, in the same words if it is JSON."""
    theirs, ours = by_pydantic(name, payload), by_hand(name, payload)
    if isinstance(theirs, str) and theirs.startswith("Invalid JSON"):
        # Where it breaks, and how deep brackets may lie, two parsers tell in two ways.
        assert isinstance(ours, str), (payload, theirs, ours)
    else:
        assert repr(ours) == repr(theirs), payload


def written(pairs: list[tuple[str, str]]) -> bytes:
    """An object of keys and of values that are JSON already; keys may come twice."""
    return ("{" + ",".join(f"{json.dumps(k)}:{v}" for k, v in pairs) + "}").encode()


numbers = st.one_of(
    st.sampled_from(["0", "-0", "-0.0", "1", "1.0", "1e0", "1440", "1440.0001", "1e18", "1e19", "9223372036854775807.0",
                     "1e400", "-1e400", "1e-400", "NaN", "Infinity", "-Infinity", "-NaN", "01", "1.", ".5", "+1",
                     "5e-324", "1" * 400, "1" * 4_301]),
    st.integers().map(str), st.floats().map(json.dumps), st.integers(-(10**30), 10**30).map(str),
)  # fmt: skip
figures_as_text = (
    st.text("0123456789_+-.eE infaty\t\n\x1c\x85\xa0\u2003\u0663", max_size=8)
    # Pydantic reads "0-5" as -5 and "0-0" as 0: it strips noughts before it looks for a sign. That is not followed.
    .filter(lambda text: not re.search(r"0[+-]", text))
    .map(json.dumps)
)
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
@settings(max_examples=3_000, deadline=None)
def test_what_is_taken_and_refused_is_what_pydantic_takes_and_refuses(name: str, data: st.DataObject) -> None:
    """Pins the daemon's reader to pydantic's over good and bad messages, in verdict, values, types and words."""
    compare(name, data.draw(payloads(READERS[name][1])))


@as_of_late
@pytest.mark.parametrize("name", READERS)
@given(text=figures_as_text)
@settings(max_examples=2_000, deadline=None)
def test_figures_in_texts_are_read_as_pydantic_reads_them(name: str, text: str) -> None:
    """Pins signs, spaces, underscores and exponents of a figure that comes in quotes."""
    key = {"do": "minutes", "received": "seq"}[name]
    compare(name, written([(k, text if k == key else json.dumps(v)) for k, v in READERS[name][1].items()]))


@as_of_late
@pytest.mark.parametrize("name", READERS)
@given(payload=st.one_of(st.binary(max_size=60), st.text(max_size=60).map(str.encode), odd.map(str.encode)))
@example(payload=b"\xff")
@example(payload=b"\xef\xbb\xbf{}")
@example(payload=json.dumps(REQUEST).encode("utf-16"))
@example(payload=json.dumps(RECEIPT).encode("utf-32"))
@settings(max_examples=1_000, deadline=None)
def test_no_bytes_at_all_are_read_otherwise(name: str, payload: bytes) -> None:
    """Pins that what is no object, no JSON, or no UTF-8 is refused in words and never raises anything else."""
    compare(name, payload)


@as_of_late
@pytest.mark.parametrize("name", READERS)
@given(at=st.integers(0, 300), byte=st.binary(max_size=2))
@settings(max_examples=1_000, deadline=None)
def test_a_message_with_a_byte_broken(name: str, at: int, byte: bytes) -> None:
    """Pins that a good message with bytes cut out or put in fares the same with both readers."""
    good = json.dumps(READERS[name][1], ensure_ascii=False).encode()
    at %= len(good)
    compare(name, good[:at] + byte + good[at + 1 :])
    compare(name, good[:at] + byte + good[at:])
    compare(name, good[:at])


@as_of_late
@pytest.mark.parametrize("name", READERS)
@given(data=st.data())
@settings(max_examples=500, deadline=None)
def test_of_a_key_that_comes_twice_the_last_stands(name: str, data: st.DataObject) -> None:
    """Pins that both readers believe the same one of two values."""
    pairs = [(key, json.dumps(value)) for key, value in READERS[name][1].items()]
    key = data.draw(st.sampled_from([k for k, _ in pairs]))
    twice = (key, data.draw(st.one_of(numbers, texts.map(json.dumps), st.just("null"))))
    compare(name, written([*pairs, twice] if data.draw(st.booleans()) else [twice, *pairs]))


def test_a_good_message_is_taken() -> None:
    """Pins that the comparison is not one of refusals alone."""
    assert read_request(json.dumps(REQUEST).encode()).minutes == 30.0
    assert read_receipt(json.dumps(RECEIPT).encode()).seq == 7


@pytest.mark.parametrize(("changed", "why"), [
    ({"minutes": 1_441}, "minutes: Input should be less than or equal to 1440"),
    ({"do": "silence"}, "do: Input should be 'acknowledge', 'shelve' or 'unshelve'"),
    ({"v": 2}, "v: Input should be 1"),
    ({"by": ""}, "by: String should have at least 1 character"),
    ({"then": "reboot"}, "then: Extra inputs are not permitted"),
])  # fmt: skip
def test_a_refusal_names_the_key_and_what_it_should_be(changed: dict[str, Any], why: str) -> None:
    """Pins the words that whoever sent the request gets back."""
    with pytest.raises(Refused) as refused:
        read_request(json.dumps(REQUEST | changed).encode())
    assert str(refused.value) == why
