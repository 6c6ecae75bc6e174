"""What comes from ships is judged before anything else sees it."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shore_rig import PREFIX, UTC, alarm, event, presence, trend

from gateway.encode.checked import dump_checked
from gateway.encode.messages import dump, rfc3339
from gateway.model.enums import AlarmState
from gateway.shore.check import MESSAGE_BYTES_MAX, Checked, NotTaken, Reason, address_of, check, filters
from gateway.shore.rate import Rates


def refused(topic: str, payload: bytes) -> NotTaken:
    found = check(topic, payload, PREFIX)
    assert isinstance(found, NotTaken)
    return found


def changed(message: tuple[str, bytes], **fields: Any) -> tuple[str, bytes]:
    topic, payload = message
    return topic, json.dumps({**json.loads(payload), **fields}).encode()


@pytest.mark.parametrize(
    "message", [event("a", 1), alarm("a", AlarmState.NORMAL), trend("a"), presence("a")], ids=lambda m: m[0]
)
def test_every_class_of_message_as_the_ship_encodes_it_passes(message: tuple[str, bytes]) -> None:
    """Pins that ship and shore agree: what the ship's own encoder makes is taken, unchanged."""
    found = check(*message, PREFIX)
    assert isinstance(found, Checked)
    assert json.loads(dump(found.message)) == json.loads(message[1])


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"seq": 0}, Reason.SCHEMA),
        ({"seq": "7"}, Reason.SCHEMA),
        ({"seq": 2**53 + 1}, Reason.RANGE),
        ({"v": 2}, Reason.SCHEMA),
        ({"extra": 1}, Reason.SCHEMA),
        ({"kind": "other"}, Reason.SCHEMA),
        ({"gateway": "../../etc"}, Reason.SCHEMA),
        ({"ts": "2026-02-30T00:00:00.000Z"}, Reason.RANGE),
        ({"ts": "yesterday"}, Reason.SCHEMA),
        ({"value": 1e300}, Reason.RANGE),
        ({"text": "a\0b"}, Reason.RANGE),
        ({"to": "on fire"}, Reason.SCHEMA),
    ],
)
def test_a_wrong_field_is_refused_with_its_reason(fields: dict[str, Any], reason: Reason) -> None:
    """Pins the reason for each kind of fault in an otherwise good event."""
    assert refused(*changed(event("a", 7), **fields)).reason is reason


def test_v_must_be_said_and_not_guessed() -> None:
    """Pins that a message that does not say its version is refused."""
    topic, payload = event("a", 7)
    body = json.loads(payload)
    del body["v"]
    assert refused(topic, json.dumps(body).encode()).detail == "v: Field required"


def test_size_is_judged_before_anything_is_read() -> None:
    """Pins that a message one byte too long is refused for its size, and one at the limit is read."""
    topic, payload = event("a", 7)
    at_limit = payload[:-1] + b" " * (MESSAGE_BYTES_MAX - len(payload)) + b"}"
    assert isinstance(check(topic, at_limit, PREFIX), Checked)
    assert refused(topic, at_limit + b" ").reason is Reason.SIZE


def test_an_alarm_must_be_the_one_its_topic_names() -> None:
    """Pins that a state cannot be put under another alarm's topic."""
    _, payload = alarm("a", AlarmState.NORMAL)
    assert refused("camdrift/1/a/main/alarm/lag-near", payload).detail == "the topic's tag is not the message's"


@pytest.mark.parametrize(
    "topic",
    ["camdrift/1/a/do", "camdrift/1/a/received", "camdrift/2/a/event", "camdrift/1/A/event", "camdrift/1//event",
     "camdrift/1/a/main/x/event", "event", "camdrift/1/" + "a" * 33 + "/event"],
)  # fmt: skip
def test_what_is_not_the_interfaces_topic_is_none(topic: str) -> None:
    """Pins that requests, receipts, other prefixes and broken slugs are not read as a ship's message."""
    assert address_of(topic, PREFIX) is None


@given(st.text(max_size=60), st.binary(max_size=300))
def test_nothing_that_a_sender_can_send_raises(tail: str, payload: bytes) -> None:
    """Pins that any topic and any bytes give a verdict."""
    for topic in (f"{PREFIX}/{tail}", f"{PREFIX}/a/main/event", f"{PREFIX}/a/main/trend"):
        assert isinstance(check(topic, payload, PREFIX), Checked | NotTaken)


@pytest.mark.parametrize("key", ["ts", "since"])
@pytest.mark.parametrize(("figure", "stands"), [(1400.1, True), (7, True), (None, True), ("yesterday", False)])
def test_a_figure_may_be_named_like_a_time(key: str, figure: object, stands: bool) -> None:
    """Pins that a sender cannot stop the keeper by the name of a figure: a number is one, a text must be a time."""
    topic, payload = event("a", 7)
    head = {k: json.loads(payload)[k] for k in ("v", "gateway", "seq", "ts", "hours")}
    work = {"kind": "adjustment", "what": "hand-play", "by": "2/E", "before": {}, "after": {key: figure}, "text": ""}
    found = check(topic, json.dumps(head | work).encode(), PREFIX)
    assert isinstance(found, Checked) is stands
    assert stands or (isinstance(found, NotTaken) and found.reason is Reason.RANGE)


@pytest.mark.parametrize("figure", [10**17, 10**400, -(10**400)])
def test_a_whole_number_that_no_float_holds_is_out_of_range(figure: int) -> None:
    """Pins that JSON's endless whole numbers neither stop the keeper nor pass, where whole numbers are wanted."""
    fields: dict[str, Any] = dict.fromkeys(
        ("hours", "rpm", "spring_mm", "compression_mm", "tension_n", "slap_mm", "lag_deg", "lag_p2p_deg", "casing_c")
    )
    said = {"v": 1, "ts": rfc3339(UTC), "running": "ahead", **fields, "quality": {"spring": "good", "lag": "good"}}
    topic = f"{PREFIX}/a/main/reading"
    assert isinstance(check(topic, json.dumps(said).encode(), PREFIX), Checked)
    assert refused(topic, json.dumps(said | {"tension_n": figure}).encode()).reason is Reason.RANGE


@pytest.mark.parametrize(
    "figure",
    [
        "1e17",
        "1E17",
        "1.0e+17",
        "100e15",
        "12345678901234567",
        "-12345678901234567.5",
        "123456789.5e8",
        "Infinity",
        "NaN",
    ],
)
@pytest.mark.parametrize("where", ["trend", "event"])
def test_however_a_figure_is_written_its_range_is_judged(figure: str, where: str) -> None:
    """Pins that the quick look for odd bytes lets no spelling of a figure beyond the range by."""
    topic, payload = trend("a") if where == "trend" else event("a", 7)
    body = json.loads(payload)
    body["hours"] = "HERE"
    found = check(topic, json.dumps(body).replace('"HERE"', figure).encode(), PREFIX)
    # What is no number at all becomes null, as the ship's own encoder has it.
    assert isinstance(found, Checked) is (figure in ("Infinity", "NaN"))


texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40)


@given(st.floats(-1e16, 1e16), texts)
def test_what_is_kept_is_spelled_as_the_encoder_spells_it(figure: float, text: str) -> None:
    """Pins that the quick encoding of a checked message gives the encoder's bytes, for any figure and text."""
    decision = {"do": "nothing", "why": text}
    for topic, payload in (
        changed(event("a", 7), value=figure, text=text, causes=[text]),
        changed(alarm("a", AlarmState.NORMAL), hours=figure, unit=text),
        changed(trend("a"), hours=figure, lag_deg=dict.fromkeys(("p05", "p50", "p95"), figure), decision=decision),
        changed(presence("a"), version=text),
    ):
        found = check(topic, payload, PREFIX)
        assert isinstance(found, Checked)
        assert dump_checked(found.address.klass, found.message) == dump(found.message)


def test_deeply_nested_json_is_refused_and_not_followed() -> None:
    """Pins that nesting does not exhaust the stack."""
    assert refused("camdrift/1/a/main/event", b"[" * 4_000).reason is Reason.SCHEMA


def _matches(topic: str, wanted: str) -> bool:
    parts, words = topic.split("/"), wanted.split("/")
    return len(parts) == len(words) and all(w in ("+", p) for p, w in zip(parts, words, strict=True))


def test_no_topic_falls_under_two_filters_and_receipts_under_none() -> None:
    """Pins that a message comes once, and that a keeper does not hear its own receipts."""
    wanted = filters(PREFIX, readings=True)
    for topic in (event("a", 1)[0], alarm("a", AlarmState.NORMAL)[0], trend("a")[0], presence("a")[0],
                  "camdrift/1/a/event", "camdrift/1/a/alarm/storage-fault", "camdrift/1/a/main/reading"):  # fmt: skip
        assert sum(_matches(topic, w) for w in wanted) == 1, topic
    assert not any(_matches("camdrift/1/a/received", w) or _matches("camdrift/1/a/do", w) for w in wanted)


def test_a_ship_may_send_its_outbox_at_once_and_then_its_rate() -> None:
    """Pins the bucket: the burst at once, then so many a second, each ship for itself."""
    rates = Rates(per_s=2.0, burst=100.0)
    assert sum(rates.allow("a", 0.0) for _ in range(150)) == 100
    assert sum(rates.allow("a", 10.0) for _ in range(150)) == 20
    assert rates.allow("b", 10.0)
