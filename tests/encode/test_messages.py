"""The messages of the interface's section 3: their fields, their bytes, their schemas."""

import json
import math
from dataclasses import asdict, replace
from typing import Any

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from gateway.encode import messages as m
from gateway.encode.checked import SCHEMAS, adapter, parse_event, schema, trend_of
from gateway.encode.inbound import read_request
from gateway.encode.shapes import HoursRange, Range
from gateway.model.enums import AlarmState, Priority, Quality, Running
from gateway.model.errors import Refused
from gateway.model.records import Measured, Reading, Transition

GATEWAY = "3f0c1d2e-0000-4000-8000-00000000abcd"
UTC = 482_196_050.52


def reading(**changed: Any) -> Reading:
    """A reading of the invented vessel at sea."""
    fields: dict[str, Any] = {
        "t_us": 0, "hours": 21_400.12345, "running": Running.AHEAD, "rpm": 92.1234,
        "spring": Measured(180.12345, Quality.GOOD), "compression_mm": 23.07, "tension_n": 1_264.4, "slap_mm": 0.5,
        "lag": Measured(1.23456789, Quality.UNCERTAIN, "few cycles"), "lag_p2p_deg": 0.1, "casing_c": 51.23,
    }  # fmt: skip
    return Reading(**{**fields, **changed})


def transition(**changed: Any) -> Transition:
    """The lag passes its near limit."""
    fields: dict[str, Any] = {
        "t_us": 0, "engine": "main", "tag": "lag-near", "priority": Priority.WARNING, "came_from": AlarmState.NORMAL,
        "to": AlarmState.UNACKNOWLEDGED, "value": 1.51239, "limit": 1.5, "unit": "°", "text": "lag near: late",
        "causes": ("chain wear",),
    }  # fmt: skip
    return Transition(**{**fields, **changed})


def valid(name: str, payload: bytes) -> dict[str, Any]:
    """The message, having passed its published schema under the 2020-12 rules."""
    value: dict[str, Any] = json.loads(payload, parse_constant=lambda what: pytest.fail(f"{what} in JSON"))
    jsonschema.Draft202012Validator(schema(name)).validate(value)
    return value


def trend() -> m.TrendMessage:
    """A trend with one limit in sight and figures still unknown."""
    unknown = {"p05": None, "p50": None, "p95": None}
    return trend_of(
        {
            "ts": m.rfc3339(UTC), "hours": 21_400.0, "lag_deg": {"p05": 1.1, "p50": 1.23456, "p95": 1.3},
            "lag_deg_per_1000h": {"p05": 0.05, "p50": 0.06, "p95": math.inf}, "elongation_percent": unknown,
            "elongation_percent_per_1000h": unknown,
            "limits": [{"limit": "lag-limit", "hours_to": {"p05": 9_000.04, "p50": 11_000.0, "p95": None},
                        "date": {"p05": "2027-12-01", "p50": "2028-03-01", "p95": None}}],
            "hours_since": {"retightened": 1_600.0, "camshaft_set": 11_600.0}, "agreement": "unknown", "causes": [],
            "decision": {"do": "nothing", "why": "No limit is near."},
        }
    )  # fmt: skip


def test_reading_has_the_fields_of_the_interface_in_order() -> None:
    """Pins field names, their order and the rounding of `<base>/reading` to the byte."""
    assert m.dump(m.reading_message(reading(), UTC)).decode() == (
        '{"v":1,"ts":"1985-04-12T23:20:50.520Z","hours":21400.123,"running":"ahead","rpm":92.12,"spring_mm":180.123,'
        '"compression_mm":23.07,"tension_n":1264,"slap_mm":0.5,"lag_deg":1.2346,"lag_p2p_deg":0.1,"casing_c":51.2,'
        '"quality":{"spring":"good","lag":"uncertain"},"why":"lag: few cycles"}'
    )


def test_alarm_event_has_the_fields_of_the_interface_in_order() -> None:
    """Pins an alarm's event to the byte, with `from` spelt as the interface spells it."""
    body = m.alarm_event_body(transition(by="second engineer"), UTC, 21_400.0)
    assert m.event_payload(GATEWAY, 7, body).decode() == (
        f'{{"v":1,"gateway":"{GATEWAY}","seq":7,"ts":"1985-04-12T23:20:50.520Z","hours":21400.0,"kind":"alarm",'
        '"tag":"lag-near","priority":"warning","from":"normal","to":"unacknowledged","value":1.5124,"limit":1.5,'
        '"unit":"°","text":"lag near: late","causes":["chain wear"],"by":"second engineer",'
        '"why":null,"action":"Plan re-timing of the camshaft and check the maximum pressures."}'
    )


def all_messages() -> list[tuple[str, bytes]]:
    """One message of every kind that is published, and odd ones."""
    lost = reading(hours=None, rpm=None, spring=Measured(None, Quality.BAD, "wire"), running=Running.UNKNOWN,
                   lag=Measured(math.nan, Quality.BAD, ""), tension_n=math.inf, casing_c=None)  # fmt: skip
    adjustment = m.adjustment_event_body(
        "retightened", UTC, 21_400.0, by="chief", before={"spring_mm": 183.21, "nut": None}, after={"turns": 1.5}
    )
    alarm = {"tag": "storage-fault", "priority": Priority.WARNING, "utc_s": UTC, "no": 20}
    return [
        ("presence", m.presence_payload("online", UTC, "0.1.0")),
        ("reading", m.dump(m.reading_message(reading(), UTC))),
        ("reading", m.dump(m.reading_message(lost, UTC))),
        ("alarm", m.alarm_state_payload(state=AlarmState.NORMAL, **alarm)),  # type: ignore[arg-type]
        ("alarm", m.alarm_state_payload(state=AlarmState.RETURNED, since_utc_s=UTC - 60, **alarm)),  # type: ignore[arg-type]
        ("alarm", m.dump(m.alarm_message(transition(), 0, UTC, 1.0, UTC))),
        ("event", m.event_payload(GATEWAY, 1, m.alarm_event_body(transition(value=math.nan), UTC, None))),
        ("event", m.event_payload(GATEWAY, 2, adjustment)),
        ("event", m.event_payload(GATEWAY, 3, m.gateway_event_body("started", UTC, version="0.1.0"))),
        ("trend", m.dump(trend())),
        ("done", m.dump(m.DoneMessage(id="a1", ok=False, why="no such alarm"))),
        ("received", m.dump(m.ReceivedMessage(v=1, gateway=GATEWAY, seq=3, ts=m.rfc3339(UTC)))),
        (
            "do",
            m.dump(
                m.DoMessage(
                    v=1,
                    id="a1",
                    do="shelve",
                    engine="main",
                    alarm="lag-near",
                    minutes=30,
                    by="chief",
                    ts="2026-03-01T12:00:00.000Z",
                )
            ),
        ),
    ]


@pytest.mark.parametrize(("name", "payload"), all_messages())
def test_every_message_passes_its_schema(name: str, payload: bytes) -> None:
    """Pins that what is built is what `camdrift schema NAME` promises, and that it is version 1."""
    assert valid(name, payload)["v"] == 1


@pytest.mark.parametrize(("name", "payload"), all_messages())
def test_schema_refuses_a_missing_and_an_unknown_key(name: str, payload: bytes) -> None:
    """Pins that the schemas can fail: each refuses the message without `v` and with a key too many."""
    value = json.loads(payload)
    judge = jsonschema.Draft202012Validator(schema(name))
    assert not judge.is_valid({k: x for k, x in value.items() if k != "v"})
    assert not judge.is_valid(value | {"extra": 1})


@pytest.mark.parametrize("name", SCHEMAS)
def test_schema_is_itself_valid_and_named(name: str) -> None:
    """Pins dialect and identifier of every schema, that of the settings included."""
    made = schema(name)
    jsonschema.Draft202012Validator.check_schema(made)
    assert made["$id"] == f"urn:camdrift:schema:1:{name}"
    assert json.dumps(made) == json.dumps(schema(name))


def test_unknown_schema_is_a_key_error() -> None:
    """Pins the error for a name that no message has."""
    with pytest.raises(KeyError):
        schema("weather")


maybe = st.one_of(st.none(), st.floats(), st.floats(-1e4, 1e4))


@given(maybe, maybe, maybe, maybe, st.floats(-1e9, 1e10))
def test_no_figure_is_ever_not_a_number(
    lag: float | None, mm: float | None, n: float | None, rpm: float | None, utc: float
) -> None:
    """Pins that NaN and infinities become null, whatever comes, and that nothing raises."""
    r = reading(lag=Measured(lag, Quality.BAD), slap_mm=mm, tension_n=n, rpm=rpm)
    value = valid("reading", m.dump(m.reading_message(r, utc)))
    for given_figure, said, digits in ((lag, value["lag_deg"], 4), (mm, value["slap_mm"], 3), (rpm, value["rpm"], 2)):
        if given_figure is None or not math.isfinite(given_figure):
            assert said is None
        else:
            assert abs(said - given_figure) <= 0.5 * 10.0**-digits + 1e-9 * abs(given_figure)


def test_numpy_figures_and_minus_nought_give_the_same_bytes() -> None:
    """Pins that a float64 says what a float says and that −0.00001° is not printed as −0.0."""
    plain = m.dump(m.reading_message(reading(slap_mm=0.25, lag=Measured(0.0, Quality.GOOD)), UTC))
    odd = reading(slap_mm=np.float64(0.25), lag=Measured(float(np.float64(-0.00001)), Quality.GOOD))
    assert m.dump(m.reading_message(odd, UTC)) == plain


@pytest.mark.parametrize("body", [
    m.alarm_event_body(transition(), UTC, 21_400.123456),
    m.adjustment_event_body("pressures", UTC, 1.0, by="chief", before={}, after={"b": 1.00004, "a": "x"}),
    m.gateway_event_body("stopped", UTC, version="0.1.0", text="Ω"),
])  # fmt: skip
def test_an_event_read_back_gives_the_same_bytes(body: dict[str, Any]) -> None:
    """Pins that the bytes are canonical: reading and writing again changes none."""
    payload = m.event_payload(GATEWAY, 12, body)
    assert m.dump(parse_event(payload)) == payload


@pytest.mark.parametrize(("name", "payload"), all_messages())
def test_what_is_read_and_written_again_is_the_same(name: str, payload: bytes) -> None:
    """Pins both ways of writing to each other: our own encoder's bytes are pydantic's of the same shape."""
    message = adapter(name).validate_json(payload)
    assert m.dump(message) == payload
    assert adapter(name).dump_json(message, by_alias=True) == payload


@given(st.lists(maybe, min_size=6, max_size=6), st.dictionaries(st.text(max_size=3), maybe | st.integers() | st.text()))
def test_the_encoder_rounds_as_pydantic_does(x: list[float | None], named: dict[str, Any]) -> None:
    """Pins that a mark rounds what we make and what we read alike, in nested shapes and in named figures."""
    made = replace(
        trend(), hours=x[0], lag_deg=Range(p05=x[1], p50=x[2], p95=x[3]),
        limits=(replace(trend().limits[0], hours_to=HoursRange(p05=x[4], p50=x[5], p95=0.0)),),
    )  # fmt: skip
    assert m.dump(trend_of(asdict(made))) == m.dump(made)
    body = m.adjustment_event_body("pressures", UTC, x[0], by="chief", before=named, after={})
    payload = m.event_payload(GATEWAY, 1, body)
    assert m.dump(parse_event(payload)) == payload


def test_work_that_nobody_did_is_refused() -> None:
    """Pins that no adjustment goes out that the shore would not take: it must say who."""
    with pytest.raises(Refused, match="who did the work"):
        m.adjustment_event_body("retightened", UTC, 1.0, by="", before={}, after={})


def test_order_of_named_figures_does_not_show() -> None:
    """Pins that two bookings of the same figures give the same bytes."""
    one = m.adjustment_event_body("hand-play", UTC, 1.0, by="x", before={"a": 1.0, "b": 2.0}, after={})
    two = m.adjustment_event_body("hand-play", UTC, 1.0, by="x", before={"b": 2.0, "a": 1.0}, after={})
    assert m.event_payload(GATEWAY, 1, one) == m.event_payload(GATEWAY, 1, two)


def test_since_is_null_when_normal() -> None:
    """Pins that a normal alarm does not claim to stand since some time."""
    t = transition(came_from=AlarmState.ACKNOWLEDGED, to=AlarmState.NORMAL)
    assert m.alarm_message(t, 0, UTC, None, UTC - 5).since is None
    assert m.alarm_message(transition(), 0, UTC, None, UTC - 0.52).since == "1985-04-12T23:20:50.000Z"


def test_a_persons_reason_is_not_lost() -> None:
    """Pins that a person's reason has a key of its own, and that one of the program's own ends the text."""
    body = m.alarm_event_body(transition(by="chief", why="sensor being renewed"), UTC, None)
    assert (body["why"], body["text"]) == ("sensor being renewed", "lag near: late")
    body = m.alarm_event_body(transition(why="shelving ended"), UTC, None)
    assert (body["why"], body["text"]) == (None, "lag near: late; shelving ended")


def test_what_to_do_is_in_the_event_while_the_alarm_stands() -> None:
    """Pins that a cleared alarm asks for nothing."""
    assert m.alarm_event_body(transition(), UTC, None)["action"].startswith("Plan re-timing")
    assert m.alarm_event_body(transition(to=AlarmState.RETURNED), UTC, None)["action"] is None


ADDED = {"reading": ("why",), "event": ("why", "action"),
         "trend": ("spring_mm", "lost_motion_deg", "why_unknown", "noise", "announcements_24h")}  # fmt: skip


@pytest.mark.parametrize(("name", "payload"), [pair for pair in all_messages() if pair[0] in ADDED])
def test_a_message_of_the_first_edition_is_taken(name: str, payload: bytes) -> None:
    """Pins that a ship with an older gateway is read: by the published schema, and by our own reader."""
    old = {key: x for key, x in json.loads(payload).items() if key not in ADDED[name]}
    valid(name, json.dumps(old).encode())
    adapter(name).validate_python(old)


@pytest.mark.parametrize("payload", [
    b'{"v":1,"id":"a","do":"shelve","alarm":"lag-near","minutes":1441,"by":"x","ts":"2026-03-01T12:00:00.000Z"}',
    b'{"v":1,"id":"a","do":"silence","alarm":"lag-near","by":"x","ts":"2026-03-01T12:00:00.000Z"}',
    b'{"v":2,"id":"a","do":"acknowledge","alarm":"lag-near","by":"x","ts":"2026-03-01T12:00:00.000Z"}',
    b'{"id":"a","do":"acknowledge","alarm":"lag-near","by":"x","ts":"2026-03-01T12:00:00.000Z"}',
    b'{"v":1,"id":"a","do":"acknowledge","alarm":"LAG/#","by":"x","ts":"2026-03-01T12:00:00.000Z"}',
    b'{"v":1,"id":"a","do":"acknowledge","alarm":"lag-near","by":"x","ts":"2026-03-01T12:00:00.000Z","then":"reboot"}',
    b"[]", b"\xff",
])  # fmt: skip
def test_a_bad_request_is_refused(payload: bytes) -> None:
    """Pins that requests from aboard are taken only as the interface has them: shelving within a day, version 1."""
    with pytest.raises(ValidationError):
        adapter("do").validate_json(payload)
    with pytest.raises(Refused):
        read_request(payload)


def test_topics() -> None:
    """Pins the interface's topics."""
    t = m.Topics("camdrift/1", "tern-passage")
    root = "camdrift/1/tern-passage"
    assert [t.presence, t.do, t.done, t.received] == [f"{root}/{x}" for x in ("presence", "do", "done", "received")]
    assert [t.reading("main"), t.trend("main")] == [f"{root}/main/reading", f"{root}/main/trend"]
    assert [t.alarm("main", "lag-near"), t.alarm(None, "storage-fault")] == [
        f"{root}/main/alarm/lag-near", f"{root}/alarm/storage-fault",
    ]  # fmt: skip
    assert [t.event("main"), t.event(None)] == [f"{root}/main/event", f"{root}/event"]
