"""`deploy/MQTT.md` against the program: its table, its examples, and a real run over a real broker."""

import json
import re
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from daemon_rig import daemon, example, head, until, written
from mqtt_fakes import mosquitto, needs_mosquitto
from paho.mqtt.client import Client, MQTTMessage, MQTTProtocolVersion
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from gateway.alarm.table import ENGINE_TAGS, GATEWAY_TAGS
from gateway.encode.checked import SCHEMAS, schema
from gateway.encode.times import rfc3339
from gateway.encode.topics import Topics
from gateway.outlets.control_client import ask

GUIDE = (Path(__file__).parents[2] / "deploy" / "MQTT.md").read_text(encoding="utf-8")
TOPICS = Topics("camdrift/1", "tern-passage")
ENGINE = "main"


@dataclass(frozen=True)
class Row:
    """A row of the guide's table."""

    topic: str
    qos: int
    retained: bool
    outward: bool
    schema: str


def rows() -> list[Row]:
    """All of them."""
    cells = [
        [c.strip().strip("`") for c in line.strip("|").split("|")] for line in GUIDE.splitlines() if "| `<" in line
    ]
    return [Row(c[0], int(c[1]), c[2] == "yes", c[3] == "from the gateway", c[4]) for c in cells]


def row_of(topic: str) -> Row:
    """The one row that describes a topic. Raises ValueError where none or several do."""
    found = [r for r in rows() if re.fullmatch(_pattern(r.topic), topic)]
    if len(found) != 1:
        raise ValueError(f"{topic}: {len(found)} rows of the guide")
    return found[0]


def _pattern(topic: str) -> str:
    return topic.replace("<base>", f"{TOPICS.root}/{ENGINE}").replace("<root>", TOPICS.root).replace("<tag>", "[a-z-]+")


def examples() -> list[tuple[str, dict[str, Any]]]:
    """(schema's name, message) of each example."""
    found = []
    for part in re.split(r"^### ", GUIDE, flags=re.MULTILINE)[1:]:
        name = part.splitlines()[0].strip()
        found += [(name, json.loads(block)) for block in re.findall(r"```json\n(.*?)```", part, flags=re.DOTALL)]
    return found


def test_every_topic_of_the_program_has_its_row_and_every_message_an_example() -> None:
    """Each topic that the program can make is described once; all schemas of messages are named and shown."""
    engine = [TOPICS.reading(ENGINE), TOPICS.trend(ENGINE), TOPICS.event(ENGINE)]
    engine += [TOPICS.alarm(ENGINE, tag) for tag in ENGINE_TAGS] + [TOPICS.alarm(None, tag) for tag in GATEWAY_TAGS]
    own = [TOPICS.presence, TOPICS.event(None), TOPICS.do, TOPICS.done, TOPICS.received]
    assert {row_of(t).topic for t in (*engine, *own)} == {r.topic for r in rows()}
    messages = set(SCHEMAS) - {"settings"}
    inside = {"learned"}  # in an event's text
    assert {r.schema for r in rows()} == messages - inside
    assert messages == {name for name, _ in examples()}


@pytest.mark.parametrize(("name", "message"), examples())
def test_the_examples_pass_their_schemas(name: str, message: dict[str, Any]) -> None:
    """As `camdrift schema NAME` prints them, judged by a library for JSON Schema."""
    jsonschema.Draft202012Validator(schema(name)).validate(message)


@contextmanager
def hearing(port: int) -> Iterator[tuple[Client, list[MQTTMessage]]]:
    """A client of MQTT 5 that gets each message with the QoS and the flag with which it was published."""
    got: list[MQTTMessage] = []
    client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.on_message = lambda _client, _data, message: got.append(message)
    client.connect("127.0.0.1", port)
    client.subscribe("#", options=SubscribeOptions(qos=2, retainAsPublished=True))
    client.loop_start()
    try:
        yield client, got
    finally:
        client.disconnect()
        client.loop_stop()


@needs_mosquitto
@pytest.mark.slow
def test_a_real_run_is_as_the_guide_has_it(tmp_path: Path) -> None:
    """Start, readings, an alarm, a request with its answer, a receipt, a maintenance record with its trend, the end:
    each topic seen on the broker is listed with its QoS and its flag, each message passes its schema, and every row of
    the guide was seen."""
    with mosquitto(tmp_path) as broker, hearing(broker.port) as (client, got):
        data = example(tmp_path, broker.port)
        data["requests"] = {"enabled": True}
        config = written(tmp_path, data)

        def seen(topic: str) -> bool:
            return any(m.topic == topic for m in got)

        with head(tmp_path), daemon(config) as process:
            until(lambda: seen(TOPICS.reading(ENGINE)) and seen(TOPICS.event(None)), "readings and the start")
            socket = tmp_path / "data" / "camdrift.sock"
            until(lambda: _spring(socket) is not None, "the spring is read")
            entry = {"kind": "retightened", "person": "Second Engineer", "free_length_mm": 202.4}
            ask(socket, {"do": "book", "engine": ENGINE, "entry": entry})
            ask(socket, {"do": "try-alarm", "engine": ENGINE, "alarm": "trial", "why": "the path"})
            until(
                lambda: seen(TOPICS.event(ENGINE)) and seen(TOPICS.alarm(ENGINE, "trial")), "the record and the trial"
            )
            wish = {"v": 1, "id": str(uuid.uuid4()), "do": "acknowledge", "engine": ENGINE, "alarm": "trial",
                    "by": "bridge", "ts": rfc3339(time.time())}  # fmt: skip
            client.publish(TOPICS.do, json.dumps(wish), qos=1)
            until(lambda: seen(TOPICS.done), "the answer")
            event = next(json.loads(m.payload) for m in got if m.topic == TOPICS.event(None))
            receipt = {"v": 1, "gateway": event["gateway"], "seq": 1, "ts": rfc3339(time.time())}
            client.publish(TOPICS.received, json.dumps(receipt), qos=1, retain=True)
            until(lambda: seen(TOPICS.received) and seen(TOPICS.trend(ENGINE)), "the receipt and the trend")
            assert process.end() == 0
        until(lambda: json.loads(_last(got, TOPICS.presence))["state"] == "offline", "the end")
        met = set()
        for message in list(got):
            row = row_of(message.topic)
            met.add(row.topic)
            assert (message.qos, bool(message.retain)) == (row.qos, row.retained), message.topic
            jsonschema.Draft202012Validator(schema(row.schema)).validate(json.loads(message.payload))
        assert met == {r.topic for r in rows()}


def _spring(socket: Path) -> float | None:
    try:
        found = ask(socket, {"do": "status"})["status"]["engines"][ENGINE]["spring_mm"]["value"]
    except Exception:
        return None
    return None if found is None else float(found)


def _last(got: list[MQTTMessage], topic: str) -> bytes:
    return next(bytes(m.payload) for m in reversed(got) if m.topic == topic)
