"""Attacks over the broker: what it may send, what a request may ask again, what a receipt may claim."""

import json
import threading
import time
from collections import Counter, defaultdict

from daemon_rig import until
from paho.mqtt.client import Client, MQTTMessage, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from gateway.encode.messages import rfc3339
from gateway.model.limits import EVENTS_AGAIN_PER_S
from gateway.outlets.control_client import ask
from gateway.store.reader import StateReader
from tests.attack.case import case
from tests.attack.rig import Ship, restarted

ROOT = "camdrift/1/tern-passage"
MEGABYTES = 100


class Stranger:
    """A client of the ship's broker. `heard`: payloads by topic; `connections`: how often it had to connect."""

    def __init__(self, port: int, *topics: str) -> None:
        self.heard: defaultdict[str, list[bytes]] = defaultdict(list)
        self.connections = 0
        self._ready = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTv311)
        self._topics = topics
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert not topics or self._ready.wait(20)

    def _on_connect(self, client: Client, *_: object) -> None:
        self.connections += 1
        for topic in self._topics:
            client.subscribe(topic, qos=1)

    def _on_message(self, _client: Client, _data: object, message: MQTTMessage) -> None:
        self.heard[message.topic].append(bytes(message.payload))

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        """QoS 1, and wait until the broker has it."""
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(60)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


def _large(ship: Ship, retain: bool) -> None:
    events = f"{ROOT}/main/event"
    stranger = Stranger(ship.broker.port, events)
    ship.attackers.callback(stranger.close)
    stranger.publish(f"{ROOT}/received", b" " * (MEGABYTES * 1_000_000), retain)
    until(
        lambda: ship.process.told("not read, connection closed") or ship.protocol == "5",
        "the connection was closed",
        30.0,
    )
    heard = len(stranger.heard[events])
    until(lambda: len(stranger.heard[events]) > heard, "alarms go on to the broker", 30.0)
    if retain:
        stranger.publish(f"{ROOT}/received", b"", True)


@case("a message of 100 MB to `received`, MQTT 3.1.1", protocol="3.1.1")
def large_message_311(ship: Ship) -> None:
    """Not read; alarms go on to that broker."""
    _large(ship, retain=False)


@case("a retained message of 100 MB to `received`, MQTT 3.1.1", protocol="3.1.1")
def large_retained_311(ship: Ship) -> None:
    """Nor at the next connection."""
    _large(ship, retain=True)


@case("a message of 100 MB to `received`, MQTT 5")
def large_message_5(ship: Ship) -> None:
    """The broker keeps it to itself, or it is not read."""
    _large(ship, retain=False)


@case("1,000 requests and receipts that are none, at once", quick=True)
def broken_messages(ship: Ship) -> None:
    """None is done, and the log hardly grows."""
    logged = ship.log_bytes()
    stranger = Stranger(ship.broker.port, f"{ROOT}/done")
    ship.attackers.callback(stranger.close)
    for n in range(500):
        for topic in ("do", "received"):
            stranger.publish(f"{ROOT}/{topic}", b'{"v":1,"id":' + b"[" * (n % 400) + b"9" * (n % 300))
    time.sleep(2.0)
    assert ship.log_bytes() - logged < 20_000, f"{ship.log_bytes() - logged} bytes of log"


@case("2,000 well-formed requests, each with an id of its own and the time of now")
def requests_by_thousands(ship: Ship) -> None:
    """The record hardly grows, nothing stays shelved, and the log hardly grows."""
    logged, reader = ship.log_bytes(), StateReader(ship.folder / "data")
    ship.attackers.callback(reader.close)
    last = max((row.seq for row in reader.events(0, 1, newest_first=True)), default=0)
    stranger = Stranger(ship.broker.port, f"{ROOT}/done")
    ship.attackers.callback(stranger.close)
    for n in range(2_000):
        body = {"v": 1, "id": f"flood-{n}", "do": ("shelve", "unshelve")[n % 2], "engine": "main",
                "alarm": "lag-limit", "by": "\x1b[2J=1+1", "ts": rfc3339(time.time())}  # fmt: skip
        if n % 2 == 0:
            body["minutes"] = 5
        stranger.publish(f"{ROOT}/do", json.dumps(body).encode())
    time.sleep(2.0)
    rows = reader.events(last, 10_000)
    assert len(rows) < 200, f"{len(rows)} events of the record"
    assert ship.log_bytes() - logged < 60_000, f"{ship.log_bytes() - logged} bytes of log"


@case("a request that is old, and one that comes again after 70 others and after a kill", together=False)
def repeated_requests(ship: Ship) -> None:
    """Neither is done; `by` stands on the record as what was stated over MQTT."""
    stranger = Stranger(ship.broker.port, f"{ROOT}/done")
    ship.attackers.callback(stranger.close)

    def sent(name: str, minutes_old: float = 0.0) -> str:
        """Why it was not done; empty where it was."""
        before = len(stranger.heard[f"{ROOT}/done"])
        body = {"v": 1, "id": name, "do": "shelve", "engine": "main", "alarm": "lag-limit", "by": "chief engineer",
                "minutes": 5, "ts": rfc3339(time.time() - 60 * minutes_old)}  # fmt: skip
        stranger.publish(f"{ROOT}/do", json.dumps(body).encode())
        until(lambda: len(stranger.heard[f"{ROOT}/done"]) > before, f"{name} is answered", 30.0)
        answer = json.loads(stranger.heard[f"{ROOT}/done"][-1])
        assert answer["id"] == name, answer
        return "" if answer["ok"] else str(answer["why"])

    for name, minutes in (("old", 10.0), ("of tomorrow", -24 * 60.0)):
        assert "its time" in sent(name, minutes_old=minutes), f"{name} was done"
    assert sent("first") == ""
    ask(ship.socket_path, {"do": "unshelve", "engine": "main", "alarm": "lag-limit"})
    for n in range(70):
        sent(f"n{n}")
    assert "was used" in sent("first"), "done again after 70 others"
    ship.process.kill()
    restarted(ship)
    brokers = lambda: ask(ship.socket_path, {"do": "status"})["status"]["brokers"].values()  # noqa: E731
    until(lambda: all(b["connected"] for b in brokers()), "connected again", 30.0)
    assert "was used" in sent("first"), "done again after a kill"
    reader = StateReader(ship.folder / "data")
    ship.attackers.callback(reader.close)
    shelved = [json.loads(row.payload) for row in reader.events(0, 10_000, kind="alarm")]
    by = {str(e["by"]) for e in shelved if e["to"] == "shelved"}
    assert by and all("stated" in name for name in by), by


RECEIPTS_S = 20.0


@case("receipts without end, each of which names the whole record as missing", together=False)
def receipts_without_end(ship: Ship) -> None:
    """Twenty events a second go again and no more (and 20,000 a day, `tests/outlets/test_mqtt_resend.py`); fresh ones
    go on between them, and no receipt is believed beyond what was sent."""
    logged = ship.log_bytes()
    reader = StateReader(ship.folder / "data")
    ship.attackers.callback(reader.close)
    events = reader.events(0, 10_000)
    gateway = json.loads(events[0].payload)["gateway"]
    stranger = Stranger(ship.broker.port, f"{ROOT}/+/event", f"{ROOT}/event")
    ship.attackers.callback(stranger.close)

    def seqs() -> list[int]:
        return [json.loads(p)["seq"] for payloads in list(stranger.heard.values()) for p in list(payloads)]

    begun_s, n = time.monotonic(), 0
    while time.monotonic() < begun_s + RECEIPTS_S:
        n += 1
        receipt = {"v": 1, "gateway": gateway, "seq": (0, 2**40)[n % 2], "ts": rfc3339(time.time() + n),
                   "missing": [[1, 2**40]]}  # fmt: skip
        stranger.publish(f"{ROOT}/received", json.dumps(receipt).encode())
        time.sleep(0.01)
    took_s = time.monotonic() - begun_s
    again = Counter(seqs())
    most = EVENTS_AGAIN_PER_S * (took_s + 2.0)
    assert 0 < sum(again.values()) - len(again) <= most, f"{sum(again.values()) - len(again)} again in {took_s:.0f} s"
    newest = max(row.seq for row in reader.events(0, 1, newest_first=True))
    until(lambda: any(seq > newest for seq in seqs()), "fresh events go on", 30.0)
    status = ask(ship.socket_path, {"do": "status"})["status"]
    assert all(b["sent_again"] <= most for b in status["brokers"].values()), status["brokers"]
    assert ship.log_bytes() - logged < 20_000, f"{ship.log_bytes() - logged} bytes of log"
