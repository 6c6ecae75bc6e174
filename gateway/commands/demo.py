"""Show the whole job on this machine: simulated head, broker, daemon and subscriber, a year in about a minute."""

import argparse
import contextlib
import json
import queue
import signal
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from gateway.commands.text import note, out
from gateway.commands.trend import CAUTION, text_of
from gateway.daemon import Daemon
from gateway.encode.shapes import TrendMessage
from gateway.encode.topics import Topics
from gateway.model.errors import PortError, Refused
from gateway.model.settings import Settings, shipped_config
from gateway.ports.broker_embedded import EmbeddedBroker, embedded_broker

START = "2026-01-01T00:00:00Z"
ENGINE = "main"
SECONDS_MAX = 180.0
"""A slow machine sees less of the voyage rather than a demo that does not end."""
QUIET_S = 8.0
"""No message for so long: the head has come to its end."""
LINE_EVERY_H = 250.0
CAUTIONS = (
    "camdrift is a monitoring aid, not a safety device. It stops and starts nothing and never replaces the engine",
    "maker's manual, class rules, the safety management system, a permit to work or a licensed engineer's judgement.",
    "Vessel, engine and all data of this demo are invented.",
)


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    p.add_argument("--seconds", type=float, default=SECONDS_MAX, help="end after so many seconds at the latest")
    p.add_argument("--keep", type=Path, metavar="DIR", help="keep the data folder here")


def main(args: argparse.Namespace) -> int:
    """Start everything, print what arrives from the broker, sum up, end everything."""
    stopping = threading.Event()
    for signum in (signal.SIGTERM, signal.SIGINT):
        signal.signal(signum, lambda *_: stopping.set())
    for line in CAUTIONS:
        out(line)
    with contextlib.ExitStack() as end:
        folder = args.keep or Path(end.enter_context(tempfile.TemporaryDirectory(prefix="camdrift-demo-")))
        broker = end.enter_context(embedded_broker())
        head = end.enter_context(_head(folder))
        settings = _settings(folder, broker)
        topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
        messages = end.enter_context(_subscriber(broker, topics))
        daemon = Daemon(settings)
        end.callback(daemon.stop)
        out("")
        out(f"A simulated sensor head on a pty, broker: {broker.name}, gateway and subscriber, all on this machine.")
        out("A year and more of the Tern Passage in about a minute, one line for some 250 running hours:")
        out("")
        daemon.start()
        voyage = Voyage(daemon)
        _follow(voyage, daemon, messages, head, stopping, time.monotonic() + args.seconds)
    voyage.sum_up()
    if args.keep:
        note(f"kept: {folder}")
    return 0


def _settings(folder: Path, broker: EmbeddedBroker) -> Settings:
    data: dict[str, Any] = tomllib.loads(shipped_config("tern-passage.toml").read_text(encoding="utf-8"))
    data["gateway"] |= {
        "data_dir": str(folder / "data"),
        "reading_every_s": 3_600,
        "trend_every_min": 1_440,
        "repeat_min": 0,
    }
    data["time"] = {"source": "head", "start": START}
    data["capture"]["enabled"] = False
    data["head"][0] |= {"port": str(folder / "head"), "burst_pause_s": 1_800}
    data["broker"] = [{"name": "ship", "host": broker.host, "port": broker.port, "protocol": broker.protocol}]
    return Settings.model_validate(data)


@contextlib.contextmanager
def _head(folder: Path) -> Iterator["subprocess.Popen[bytes]"]:
    """The simulated head, a process of its own, with its pty under a name we know."""
    folder.mkdir(parents=True, exist_ok=True)
    link = folder / "head"
    command = [sys.executable, "-m", "firmware_sim.cli", "demo", "--pty", "--link", str(link)]
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 15.0
        while not link.exists():
            if child.poll() is not None or time.monotonic() > until:
                raise PortError("the simulated head did not start; try `camdrift-head demo --pty` to see why")
            time.sleep(0.05)
        yield child
    finally:
        child.terminate()
        try:
            child.wait(3.0)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait(3.0)


@contextlib.contextmanager
def _subscriber(broker: EmbeddedBroker, topics: Topics) -> "Iterator[queue.SimpleQueue[tuple[str, bytes]]]":
    """A subscriber of its own: what it prints has been through the broker."""
    got: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()

    def take(_client: Client, _data: Any, message: MQTTMessage) -> None:
        got.put((message.topic, bytes(message.payload)))

    client = Client(CallbackAPIVersion.VERSION2, client_id="camdrift-demo-subscriber")
    client.on_message = take
    client.connect(broker.host, broker.port)
    client.subscribe(f"{topics.root}/#", qos=1)
    client.loop_start()
    try:
        yield got
    finally:
        client.disconnect()
        client.loop_stop()


def _follow(
    voyage: "Voyage",
    daemon: Daemon,
    messages: "queue.SimpleQueue[tuple[str, bytes]]",
    head: "subprocess.Popen[bytes]",
    stopping: threading.Event,
    until_s: float,
) -> None:
    heard_s = watched_s = time.monotonic()
    while not stopping.is_set() and time.monotonic() < until_s:
        now_s = time.monotonic()
        if now_s - watched_s >= 1.0:
            watched_s = now_s
            daemon.watch()
        try:
            topic, payload = messages.get(timeout=0.2)
        except queue.Empty:
            if head.poll() is not None and now_s - heard_s > 2.0:
                return
            if now_s - heard_s > QUIET_S:
                return
            continue
        heard_s = now_s
        voyage.take(topic, json.loads(payload))


@dataclass
class Voyage:
    """What the subscriber has seen, and the crew's one piece of work."""

    daemon: Daemon
    next_h: float = 0.0
    retightened: bool = False
    raised: list[str] = field(default_factory=list)
    reading: dict[str, Any] = field(default_factory=dict)
    trend: dict[str, Any] = field(default_factory=dict)

    def take(self, topic: str, message: dict[str, Any]) -> None:
        """One message from the broker."""
        kind = topic.rsplit("/", 1)[-1]
        if kind == "reading":
            self._reading(message)
        elif kind == "trend":
            self.trend = message
        elif kind == "event" and message["kind"] == "alarm":
            self._alarm(message)
        elif kind == "event" and message["kind"] == "adjustment":
            out(f"{_when(message)}  {'BOOKED':<9}{message['what']} by {message['by']}: {_figures(message['after'])}")

    def _reading(self, r: dict[str, Any]) -> None:
        self.reading = r
        if r["running"] == "stopped" and not self.retightened and (r["spring_mm"] or 999.0) < 181.0:
            self._book(r)
        if r["hours"] is not None and r["hours"] >= self.next_h:
            self.next_h = (r["hours"] // LINE_EVERY_H + 1) * LINE_EVERY_H
            spring = (
                "not known" if r["spring_mm"] is None else f"{r['spring_mm']:.1f} mm ({r['compression_mm']:.1f} in)"
            )
            lag = _known(r["lag_deg"], "{:.2f} deg late")
            speed = "" if r["rpm"] is None else f" {r['rpm']:.0f} rpm"
            out(f"{_when(r)}  {r['running'] + speed:<15} spring {spring:<10} camshaft {lag}")
            self._outlook()

    def _outlook(self) -> None:
        ahead = [x for x in self.trend.get("limits", []) if x["hours_to"]["p50"]]
        first = min(ahead, key=lambda x: x["hours_to"]["p50"], default=None)
        if first is not None:
            h, d = first["hours_to"], first["date"]
            late = "?" if h["p95"] is None else f"{h['p95']:,.0f}"
            out(f"{'':32}next: {first['limit']} in {h['p50']:,.0f} h ({h['p05']:,.0f} to {late}), about {d['p50']}")

    def _book(self, r: dict[str, Any]) -> None:
        """The chain was tightened in port; the second engineer books it, with the reading as the new length."""
        self.retightened = True
        entry = {"kind": "retightened", "person": "second engineer", "free_length_mm": 203.0, "utc_s": r["ts"]}
        try:
            self.daemon.desk.handle({"do": "book", "engine": ENGINE, "entry": entry}, "demo")
        except Refused as e:
            out(f"{_when(r)}  the booking was refused: {e}")

    def _alarm(self, e: dict[str, Any]) -> None:
        if e["to"] == "unacknowledged" and e["from"] != "unacknowledged":
            out(f"{_when(e)}  {e['priority'].upper():<9}{e['tag']}: {e['text']}")
            self.raised.append(f"{e['hours']:>9,.0f} h  {e['priority']:<8} {e['tag']:<17} {e['text']}")
        elif e["to"] in ("returned", "normal"):
            out(f"{_when(e)}  {'':<9}{e['tag']}: back to normal")

    def sum_up(self) -> None:
        """What was seen, how it stands, and what an engineer would do now."""
        out("")
        out("What was seen, in order:")
        for line in self.raised or ["  nothing"]:
            out(f"  {line}")
        out("")
        if not self.trend:
            out("The voyage was too short for a trend.")
            return
        out("How it stands, and what to do:")
        out(text_of(ENGINE, TrendMessage.model_validate(self.trend)))
        out(CAUTION)


def _when(message: dict[str, Any]) -> str:
    hours = "" if message.get("hours") is None else f"{message['hours']:>9,.0f} h"
    return f"{message['ts'][:10]} {hours:<11}"


def _known(value: float | None, text: str) -> str:
    return "not known" if value is None else text.format(value)


def _figures(values: dict[str, Any]) -> str:
    return ", ".join(f"{k} {v}" for k, v in values.items())
