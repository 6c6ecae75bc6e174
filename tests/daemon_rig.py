"""The running daemon in tests: real processes for daemon, head and broker, a lasting subscriber, and the books kept."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from mqtt_fakes import Mosquitto, free_port
from paho.mqtt.client import Client, MQTTMessage, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions
from waiting import PATIENCE_S, until

from gateway.store.reader import StateReader

ROOT = Path(__file__).parents[1]
EXAMPLE = ROOT / "config" / "tern-passage.toml"
ENTRY = [sys.executable, "-m", "gateway.cli"]
HEAD = [sys.executable, "-m", "firmware_sim.cli"]
LASTING = ("allow_anonymous true", "persistence true", "autosave_on_changes true", "autosave_interval 1")
"""A broker that keeps its sessions over kill -9; `persistence_location` must be added."""
RESTLESS_TAGS = ("transducer-fault", "cam-encoder-fault")


# -- settings -----------------------------------------------------------------------------------------------------


def toml_text(table: Mapping[str, Any], prefix: str = "") -> str:
    """A TOML document of plain values, tables, and arrays of tables."""
    plain, deep = [], []
    for key, value in table.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            deep.append(f"[{name}]\n{toml_text(value, name + '.')}")
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            deep += [f"[[{name}]]\n{toml_text(item, name + '.')}" for item in value]
        else:
            plain.append(f"{key} = {json.dumps(value)}\n")
    return "".join([*plain, *deep])


def example(folder: Path, broker_port: int | None, **gateway: object) -> dict[str, Any]:
    """The invented vessel's settings for this folder: head at `folder/head`, alarms without delay."""
    data = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    data["gateway"] |= {"data_dir": str(folder / "data"), "reading_every_s": 1, **gateway}
    data["capture"] = {"enabled": True, "megabytes": 8}
    data["head"][0]["port"] = str(folder / "head")
    at_once = {"on_delay_s": 0, "off_delay_s": 0}
    data["engine"][0]["alarms"] = dict.fromkeys((*RESTLESS_TAGS, "head-silent", "link-poor"), at_once)
    data["alarms"] = dict.fromkeys(("delivery-stalled", "storage-fault"), at_once)
    data["alarms"]["clock-doubtful"] = {"on_delay_s": 3_600}
    data["broker"] = [] if broker_port is None else [broker_table(broker_port)]
    return data


def broker_table(port: int, name: str = "ship") -> dict[str, Any]:
    """One broker with short pauses between its tries."""
    return {"name": name, "host": "127.0.0.1", "port": port, "backoff_s_min": 0.1, "backoff_s_max": 0.5}


def written(folder: Path, data: Mapping[str, Any], name: str = "ship.toml") -> Path:
    """The settings as a file."""
    path = folder / name
    path.write_text(toml_text(data), encoding="utf-8")
    return path


# -- processes ----------------------------------------------------------------------------------------------------


class Process:
    """A child whose stderr goes to a file; `lines` are its JSON log lines."""

    def __init__(self, command: Sequence[str], log: Path, cwd: Path = ROOT, **env: str) -> None:
        self.log = log
        with log.open("ab") as err:
            self.child = subprocess.Popen(
                command, cwd=cwd, stdout=subprocess.DEVNULL, stderr=err, env={**os.environ, **env}
            )

    def lines(self) -> list[dict[str, Any]]:
        """Log lines so far; a line that is still being written is left out."""
        said = []
        for line in self.log.read_text(encoding="utf-8").splitlines():
            with contextlib.suppress(ValueError):
                said.append(json.loads(line))
        return said

    def told(self, text: str) -> bool:
        """Has it said this?"""
        return text in self.log.read_text(encoding="utf-8")

    def kill(self) -> None:
        """As a power cut would."""
        self.child.kill()
        self.child.wait(180)

    def end(self, within_s: float = PATIENCE_S) -> int:
        """SIGTERM, and the exit status."""
        self.child.send_signal(signal.SIGTERM)
        return self.child.wait(within_s)


@contextlib.contextmanager
def daemon(config: Path, **env: str) -> Iterator[Process]:
    """The daemon; whatever happens it is gone afterwards, and no traceback was shown."""
    process = Process([*ENTRY, "run", str(config)], config.with_suffix(".log"), **env)
    try:
        yield process
    finally:
        if process.child.poll() is None:
            process.kill()
        assert not process.told("Traceback")


@contextlib.contextmanager
def head(folder: Path, scenario: str = "steady", *more: str) -> Iterator[Process]:
    """A simulated head at `folder/head`."""
    link = folder / "head"
    process = Process([*HEAD, scenario, "--pty", "--link", str(link), *more], folder / "head.log")
    try:
        until(link.exists, "the head's pty is there")
        yield process
    finally:
        if process.child.poll() is None:
            process.end(10.0)


def restless(folder: Path, rounds: int = 200, spell_s: float = 1.5) -> str:
    """A scenario in which transducer and cam encoder fail and mend over and over, for a quarter of an hour by default:
    longer than any test takes, so that what a test waits for comes however slow the machine is. The cam encoder's fault
    stands from its fifth drop-out on, as intermittent: a test may wait for its return once, and for the transducer's
    as often as it likes."""
    events = []
    for n in range(rounds):
        events.append({"at_s": 3.0 + 2 * spell_s * n, "kind": "loop-broken", "for_s": spell_s})
        events.append({"at_s": 3.7 + 3 * spell_s * n, "kind": "cam-invalid", "for_s": spell_s})
    path = folder / "restless.toml"
    path.write_text(toml_text({"event": sorted(events, key=lambda e: float(str(e["at_s"])))}), encoding="utf-8")
    return str(path)


def lasting_broker(folder: Path, *lines: str) -> Mosquitto:
    """A Mosquitto that keeps sessions, queues and retained messages over kill -9."""
    place = folder / "mosquitto"
    place.mkdir()
    return Mosquitto(folder, *(lines or LASTING), f"persistence_location {place}/", "max_queued_messages 0")


# -- what a subscriber saw ----------------------------------------------------------------------------------------


@dataclass
class Heard:
    """A message as it came."""

    topic: str
    body: dict[str, Any]
    raw: bytes
    retained: bool
    at_s: float = field(default_factory=time.monotonic)


class Listener:
    """A subscriber with a session that lasts; it comes back by itself when the broker does."""

    def __init__(self, port: int, client_id: str = "listener", **login: str) -> None:
        self.heard: list[Heard] = []
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=MQTTv5)
        if login:
            self._client.username_pw_set(login["user"], login["password"])
        self._subscribed = threading.Event()
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message
        self._client.reconnect_delay_set(0.1, 0.2)  # type: ignore[arg-type]
        lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        lasting.SessionExpiryInterval = 86_400
        self._client.connect("127.0.0.1", port, clean_start=False, properties=lasting)
        self._client.loop_start()
        assert self._subscribed.wait(180), "the subscriber has subscribed"

    def _on_connect(self, client: Client, *_: Any) -> None:
        client.subscribe("camdrift/#", options=SubscribeOptions(qos=1))  # type: ignore[no-untyped-call]

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        body = json.loads(message.payload)
        self.heard.append(Heard(message.topic, body, bytes(message.payload), message.retain))

    def events(self) -> list[Heard]:
        """Events in the order of their first coming."""
        return [h for h in self.heard if h.topic.endswith("/event")]

    def alarms(self, tag: str) -> list[str]:
        """States that this alarm's events led to, each event once."""
        story = story_of(self.events())
        return [h.body["to"] for h in story.first if h.body["kind"] == "alarm" and h.body["tag"] == tag]

    def state(self, tag: str) -> str | None:
        """The last retained state that came."""
        states = [h.body["state"] for h in self.heard if h.topic.endswith(f"/alarm/{tag}")]
        return states[-1] if states else None

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def listening(port: int) -> Iterator[Listener]:
    """A listener for one test."""
    listener = Listener(port)
    try:
        yield listener
    finally:
        listener.close()


@dataclass
class Story:
    """Events by first coming, and how many came again."""

    first: list[Heard]
    again: int


def story_of(events: Sequence[Heard]) -> Story:
    """Sort first comings from repeats. Asserts that what came again under a seq is the same to the byte."""
    known: dict[tuple[str, int], bytes] = {}
    first: list[Heard] = []
    for h in events:
        key = (h.body["gateway"], h.body["seq"])
        if key not in known:
            known[key] = h.raw
            first.append(h)
        assert known[key] == h.raw, f"two different events under seq {key[1]}"
    return Story(first, len(events) - len(first))


def check_story(listener: Listener, data_dir: Path) -> Story:
    """Nothing lost, nothing out of order, nothing repeated or forgotten; asserts all of it.

    Against the store: the subscriber has each row, to the byte, in order, from seq 1 without a gap. Against itself:
    each alarm leaves the state that it last went to, and its retained topic shows where it is now.
    """
    story = story_of(listener.events())
    seqs = [h.body["seq"] for h in story.first]
    assert seqs == list(range(1, len(seqs) + 1)), f"seq is not gapless and in order: {_first_break(seqs)}"
    reader = StateReader(data_dir)
    rows = reader.events(0, 1_000_000)
    retained = {row.topic: json.loads(row.payload) for row in reader.retained()}
    reader.close()
    # Delivered rows may have been taken out where room was short; the subscriber has them all.
    assert rows and rows[-1].seq == len(seqs)
    assert [h.raw for h in story.first[rows[0].seq - 1 :]] == [row.payload for row in rows]
    states: dict[tuple[str, str], str] = {}
    for h in story.first:
        if h.body["kind"] == "alarm":
            key = (h.topic, h.body["tag"])
            assert h.body["from"] == states.get(key, "normal"), f"seq {h.body['seq']}: {key} repeats or forgets"
            # An alarm that nobody acknowledges for five minutes is told again as it stands.
            assert h.body["to"] != h.body["from"] or h.body["text"].endswith("still not acknowledged")
            states[key] = h.body["to"]
    latest = {h.topic: h.body for h in listener.heard if "/alarm/" in h.topic}
    for (topic, tag), state in states.items():
        there = topic.replace("/event", f"/alarm/{tag}")
        assert latest[there]["state"] == retained[there]["state"] == state
    return story


def _first_break(seqs: Sequence[int]) -> str:
    for n, seq in enumerate(seqs, start=1):
        if n != seq:
            return f"{seqs[max(0, n - 4) : n + 3]} where {n} was due"
    return "none"


def settled(listener: Listener, data_dir: Path, within_s: float = PATIENCE_S) -> Story:
    """Wait until as much has come as the store has given out, then `check_story`."""
    reader = StateReader(data_dir)
    last = reader.events(0, 1, newest_first=True)[0].seq
    reader.close()
    until(lambda: len(story_of(listener.events()).first) >= last, f"all {last} have come", within_s)
    return check_story(listener, data_dir)


def checkpoint(data_dir: Path, key: str = "engine/main") -> dict[str, Any]:
    """What the daemon last kept."""
    reader = StateReader(data_dir)
    kept = reader.checkpoint(key)
    reader.close()
    assert isinstance(kept, dict)
    return kept


__all__ = ["Mosquitto", "free_port"]
