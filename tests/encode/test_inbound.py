"""Requests and receipts that come to the running daemon: whatever comes is a message or refused in a sentence."""

import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from gateway.encode.inbound import read_receipt, read_request
from gateway.model.errors import Refused

REQUEST = {
    "v": 1,
    "id": "a1",
    "do": "shelve",
    "engine": "main",
    "alarm": "lag-near",
    "minutes": 30,
    "by": "chief",
    "ts": "2026-03-01T12:00:00.000Z",
}
RECEIPT = {"v": 1, "gateway": "3f0c1d2e-0000-4000-8000-00000000abcd", "seq": 7, "ts": "2026-03-01T12:00:00.000Z"}
READERS: dict[str, tuple[Callable[[bytes], Any], dict[str, Any]]] = {
    "do": (read_request, REQUEST),
    "received": (read_receipt, RECEIPT),
}


def read_or_none(name: str, payload: bytes) -> Any:
    """The message; `None` where it is refused. Anything but a refusal fails the test."""
    why = ""
    try:
        return READERS[name][0](payload)
    except Refused as e:
        why = str(e)
    assert 0 < len(why) < 600 and why.isprintable()
    return None


def compare(name: str, payload: bytes) -> None:
    """What is taken is JSON with these keys only, of the right types; its values are those that stand in the bytes."""
    message = read_or_none(name, payload)
    if message is None:
        return
    data = json.loads(payload)
    assert set(data) <= set(READERS[name][1])
    for key, value in data.items():
        held = getattr(message, key)
        assert held == value and isinstance(held, bool) <= (key == "v"), payload


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


@pytest.mark.parametrize("name", READERS)
@given(data=st.data())
@settings(max_examples=200)
def test_what_is_taken_is_what_stands_in_the_bytes(name: str, data: st.DataObject) -> None:
    """Good and bad messages: nothing is converted, nothing unknown is taken, nothing else is raised."""
    compare(name, data.draw(payloads(READERS[name][1])))


@pytest.mark.parametrize("name", READERS)
@given(payload=st.one_of(st.binary(max_size=60), st.text(max_size=60).map(str.encode), odd.map(str.encode)))
@example(payload=b"\xff")
@example(payload=b"\xef\xbb\xbf{}")
@example(payload=json.dumps(REQUEST).encode("utf-16"))
@example(payload=json.dumps(RECEIPT).encode("utf-32"))
@settings(max_examples=300)
def test_no_bytes_at_all_are_read_otherwise(name: str, payload: bytes) -> None:
    """Pins that what is no object, no JSON, or no UTF-8 is refused in words and never raises anything else."""
    compare(name, payload)


@pytest.mark.parametrize("name", READERS)
@given(at=st.integers(0, 300), byte=st.binary(max_size=2))
@settings(max_examples=300)
def test_a_message_with_a_byte_broken(name: str, at: int, byte: bytes) -> None:
    """Pins that a good message with bytes cut out or put in is taken as it stands or refused."""
    good = json.dumps(READERS[name][1], ensure_ascii=False).encode()
    at %= len(good)
    compare(name, good[:at] + byte + good[at + 1 :])
    compare(name, good[:at] + byte + good[at:])
    compare(name, good[:at])


@pytest.mark.parametrize("name", READERS)
@given(data=st.data())
@settings(max_examples=200)
def test_of_a_key_that_comes_twice_the_last_stands(name: str, data: st.DataObject) -> None:
    """Pins which of two values is believed; pydantic's versions differ in it."""
    pairs = [(key, json.dumps(value)) for key, value in READERS[name][1].items()]
    key = data.draw(st.sampled_from([k for k, _ in pairs]))
    twice = (key, data.draw(st.one_of(numbers, texts.map(json.dumps), st.just("null"))))
    once = [(k, twice[1] if k == key else v) for k, v in pairs]
    assert repr(read_or_none(name, written([*pairs, twice]))) == repr(read_or_none(name, written(once)))


def test_a_good_message_is_taken() -> None:
    """Pins that the comparison is not one of refusals alone."""
    assert read_request(json.dumps(REQUEST).encode()).minutes == 30.0
    assert read_receipt(json.dumps(RECEIPT).encode()).seq == 7


@pytest.mark.parametrize(("changed", "why"), [
    ({"minutes": 1_441}, "minutes: 1441 is not allowed, at most 1440.0 is allowed"),
    ({"do": "silence"}, "do: 'silence' is not allowed, one of 'acknowledge', 'shelve' or 'unshelve' is needed"),
    ({"v": 2}, "v: 2 is not allowed, one of 1 is needed"),
    ({"by": ""}, "by: '' is not allowed, at least 1 characters are needed"),
    ({"then": "reboot"}, "then: unknown key; remove it or correct its spelling"),
])  # fmt: skip
def test_a_refusal_names_the_key_and_what_it_should_be(changed: dict[str, Any], why: str) -> None:
    """Pins the words that whoever sent the request gets back."""
    with pytest.raises(Refused) as refused:
        read_request(json.dumps(REQUEST | changed).encode())
    assert str(refused.value) == why
