"""A fleet that comes back after a shore outage of a week: all ships connect at once, each with 240 messages.

Each ship first publishes the alarm that stands, then a week of hourly trends, events, alarm states. Two keepers, one of
them killed in between and started again; one notifier with a web endpoint on loopback. Measured for each ship from its
CONNACK: when its alarm is in the table, and when a notice that covers it was sent; and when all messages are kept. At
the end the table must hold every event and trend once. PostgreSQL and Mosquitto are real, and so are keepers and
notifier, as processes of their own; the ships are in processes of 1,000 connections each, without a client library. All
on this machine; the CPU time of each part is printed.

Run: `python tests/bench/bench_coming_back.py [--ships 200] [--each 240]`.
"""

import argparse
import contextlib
import json
import os
import resource
import selectors
import socket
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from statistics import median
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from mqtt_fakes import mosquitto  # noqa: E402
from shore_rig import BROKER_LINES, SRC, KeeperProcess, alarm, event, gateway_of, postgres_server, presence, trend  # noqa: E402

from gateway.encode.messages import rfc3339, utc_of  # noqa: E402
from gateway.model.enums import AlarmState  # noqa: E402
from gateway.shore.database import Database, open_database, plain  # noqa: E402
from gateway.shore.store import FleetStore  # noqa: E402

TRENDS, WAIT_S, SHIPS_EACH = 168, 900.0, 1_000
WINDOW = 20
"""Messages of a ship under way and not acknowledged, as aboard."""
CONNACK, PUBACK = 0x20, 0x40
KEPT_OPEN: list[Any] = []
"""Ships that have sent all, in the process that they belong to."""


class Packets:
    """What waits aboard each ship, as MQTT packets: what stands first, then the record.

    Made once by the product's own code for one ship, then with another's names in place: names are all of one length.
    """

    def __init__(self, each: int, now_s: float) -> None:
        vessel = name_of(0)
        said = [alarm(vessel, AlarmState.UNACKNOWLEDGED, now_s - 3_600), presence(vessel, "online", now_s)]
        hours = range(min(TRENDS, each - 2))
        said += [trend(vessel, 1.0 + k / 1_000, ts=rfc3339(now_s - 3_600.0 * (TRENDS - k))) for k in hours]
        said += [event(vessel, seq) for seq in range(1, each - 2 - TRENDS + 1)]
        self._first = vessel.encode(), gateway_of(vessel).encode()
        self._packets = [
            publish(topic, payload, number, retain="/alarm/" in topic)
            for number, (topic, payload) in enumerate(said, start=1)
        ]

    def of(self, name: str, at: int, to: int) -> bytes:
        """Those from `at` up to `to` of a ship, as they go into her socket."""
        vessel, gateway = self._first
        some = b"".join(self._packets[at:to])
        return some.replace(vessel, name.encode()).replace(gateway, gateway_of(name).encode())


def name_of(number: int) -> str:
    """A ship's name."""
    return f"v{number:05d}"


def publish(topic: str, payload: bytes, mid: int, *, retain: bool) -> bytes:
    """A PUBLISH of QoS 1, MQTT 5 without properties (section 3.3)."""
    body = len(topic).to_bytes(2, "big") + topic.encode() + mid.to_bytes(2, "big") + b"\0" + payload
    return bytes([0x33 if retain else 0x32]) + _length(len(body)) + body


def _length(size: int) -> bytes:
    """A variable byte integer (section 1.5.5)."""
    found = bytearray()
    while True:
        size, low = divmod(size, 128)
        found.append(low | (0x80 if size else 0))
        if not size:
            return bytes(found)


class Boat:
    """One ship's connection: no client library, which at this number would take more of the machine than the shore."""

    def __init__(self, name: str, port: int, packets: Packets, each: int) -> None:
        self.name, self._packets, self._each = name, packets, each
        self.linked_at, self.acked, self._given = 0.0, 0, 0
        self._in, self._out = b"", b""
        self.sock = socket.create_connection(("127.0.0.1", port), timeout=60)
        self.sock.setblocking(False)
        ident = name.encode()
        body = b"\0\4MQTT\5\2" + (1_200).to_bytes(2, "big") + b"\0" + len(ident).to_bytes(2, "big") + ident
        self._send(b"\x10" + _length(len(body)) + body)

    @property
    def waits(self) -> bool:
        """There is more to be written than the socket took."""
        return bool(self._out)

    def _send(self, more: bytes) -> None:
        self._out += more
        with contextlib.suppress(BlockingIOError):
            self._out = self._out[self.sock.send(self._out) :]

    def turn(self) -> bool:
        """Read, answer with what the window allows; True once all is acknowledged."""
        with contextlib.suppress(BlockingIOError):
            came = self.sock.recv(65_536)
            if not came:
                raise SystemExit(f"the broker has closed {self.name}'s connection")
            self._in += came
        while len(self._in) >= 2 and len(self._in) >= 2 + self._in[1]:
            kind, self._in = self._in[0], self._in[2 + self._in[1] :]
            if kind == CONNACK:
                self.linked_at = time.time()
            elif kind == PUBACK:
                self.acked += 1
            else:
                raise SystemExit(f"the broker sent {self.name} a packet of type {kind:#x}")
        to = min(self._each, self.acked + WINDOW)
        if self.linked_at and to > self._given:
            more, self._given = self._packets.of(self.name, self._given, to), to
            self._send(more)
        elif self._out:
            self._send(b"")
        return self.acked == self._each


def fleet(port: int, first: int, ships: int, each: int, now_s: float) -> dict[str, float]:
    """Connect them all, publish all, wait for every PUBACK. Gives each ship's CONNACK."""
    packets = Packets(each, now_s)
    boats = [Boat(name_of(n), port, packets, each) for n in range(first, first + ships)]
    end = time.monotonic() + WAIT_S
    with selectors.DefaultSelector() as selector:
        for boat in boats:
            selector.register(boat.sock, selectors.EVENT_READ, boat)
        left = len(boats)
        while left and time.monotonic() < end:
            for key, _ in selector.select(1.0):
                boat = key.data
                if boat.turn():
                    # Her connection stays, as a ship's does: she is there.
                    selector.unregister(boat.sock)
                    left -= 1
                    continue
                wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if boat.waits else 0)
                if wanted != key.events:
                    selector.modify(boat.sock, wanted, boat)
    KEPT_OPEN.extend(boats)
    return {boat.name: boat.linked_at for boat in boats}


class Web(BaseHTTPRequestHandler):
    """The endpoint of the one person who is notified."""

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["content-length"]))
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        return


def watch(db: Database, ships: int, each: int, seen: dict[str, float], kill: Any) -> float:
    """Note when each ship's alarm is in the table; kill a keeper at a third. Returns when all is kept."""
    end, killed, count_at = time.monotonic() + WAIT_S, False, 0.0
    kept = 0
    while time.monotonic() < end:
        if len(seen) < ships:
            for (vessel,) in db.run("SELECT vessel FROM alarm WHERE state = 'unacknowledged'"):
                seen.setdefault(str(vessel), time.time())
        if time.monotonic() >= count_at:
            began = time.monotonic()
            ((kept,),) = db.run("SELECT (SELECT count(*) FROM event) + (SELECT count(*) FROM trend)")
            # Counting is no part of what is measured: a fiftieth of the time at most.
            count_at = time.monotonic() + max(1.0, 50 * (time.monotonic() - began))
            print(f"{time.strftime('%H:%M:%S', time.gmtime())} {kept:,} kept, {len(seen):,} ships' alarms", flush=True)
        if not killed and kept > ships * each / 3:
            killed = True
            kill()
        if kept >= ships * (each - 2) and len(seen) == ships:
            return time.time()
        time.sleep(0.25)
    raise SystemExit(f"not all is kept after {WAIT_S:.0f} s: {kept} of {ships * (each - 2)}")


PARTS = {"keep": "keepers", "notify": "notifier", "postgres": "PostgreSQL", "mosquitto": "broker"}


def cpu_s() -> dict[str, float]:
    """CPU that each part has used by now, in s; what is none of the programs is the ships and this bench."""
    found = dict.fromkeys([*PARTS.values(), "ships"], 0.0)
    parents: dict[int, int] = {}
    kinds: dict[int, str] = {}
    used: dict[int, float] = {}
    for path in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            pid, stat = int(path.name), (path / "stat").read_text()
            name, words = stat[stat.index("(") + 1 : stat.rindex(")")], stat.rsplit(")", 1)[1].split()
            given = (path / "cmdline").read_bytes().split(b"\0")
            kinds[pid] = next((PARTS[w] for w in PARTS if w.encode() in given or w == name), "ships")
            parents[pid] = int(words[1])
            # Of PostgreSQL's and this bench's children that have ended as well.
            used[pid] = sum(int(w) for w in words[11:15]) / os.sysconf("SC_CLK_TCK")
    for first, s in used.items():
        pid = first
        while pid in parents and pid != os.getpid():
            pid = parents[pid]
        if pid == os.getpid():
            found[kinds[first]] += s
    return found


def notified(db: Database) -> dict[str, float]:
    """When the first delivery that covers a ship's notice was sent."""
    of = {int(i): json.loads(s)["vessel"] for i, s in db.run("SELECT id, situation FROM notice")}
    found: dict[str, float] = {}
    for about, at in db.run("SELECT about, sent_at FROM delivery WHERE sent_at IS NOT NULL ORDER BY sent_at"):
        for i in json.loads(about):
            found.setdefault(of[i], utc_of(str(plain(at))))
    return found


def main() -> None:
    """Run it."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--ships", type=int, default=200)
    p.add_argument("--each", type=int, default=240)
    args = p.parse_args()
    resource.setrlimit(resource.RLIMIT_NOFILE, (resource.getrlimit(resource.RLIMIT_NOFILE)[1],) * 2)
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="camdrift-back-")))
        server = stack.enter_context(postgres_server())
        url = server.database()
        FleetStore(url).close()
        broker = stack.enter_context(mosquitto(folder, *BROKER_LINES))
        web = ThreadingHTTPServer(("127.0.0.1", 0), Web)
        threading.Thread(target=web.serve_forever, daemon=True).start()
        config = folder / "shore.toml"
        config.write_text(
            f'[[person]]\nname = "duty"\naddresses = ["json://127.0.0.1:{web.server_address[1]}/"]\n'
            '[[rule]]\nnotify = ["duty"]\n[notices]\nspacing_s = 5.0\ngather_s = 5.0\nper_hour_max = 1000\n'
        )
        keepers = [KeeperProcess(broker.port, url, str(n)) for n in (1, 2)]
        words = [sys.executable, "-m", "gateway.cli", "shore", "notify", str(config), "--store", url]
        notifier = subprocess.Popen(words, cwd=SRC, stderr=subprocess.DEVNULL)
        try:
            while sum(k.words().count("keeper.connected") for k in keepers) < 2:
                time.sleep(0.2)
            with closing(open_database(url, make=False)) as db:
                _measure(db, args.ships, args.each, broker.port, keepers[0])
        finally:
            notifier.kill()
            for k in keepers:
                k.kill()
            web.shutdown()


def _measure(db: Database, ships: int, each: int, port: int, victim: KeeperProcess) -> None:
    def kill() -> None:
        lost.update(cpu_s())
        victim.kill()
        lost["keepers"] -= cpu_s()["keepers"]
        threading.Timer(5.0, victim.start).start()

    began, seen, lost, before = time.time(), dict[str, float](), dict[str, float](), cpu_s()
    parts = [(first, min(SHIPS_EACH, ships - first)) for first in range(0, ships, SHIPS_EACH)]
    with ProcessPoolExecutor(len(parts)) as pool:
        jobs = [pool.submit(fleet, port, first, count, each, began) for first, count in parts]
        done = watch(db, ships, each, seen, kill)
        linked = {name: at for job in jobs for name, at in job.result().items()}
    end = time.monotonic() + 120
    while len(sent := notified(db)) < ships and time.monotonic() < end:
        time.sleep(0.5)
    cpu = {part: s - before[part] for part, s in cpu_s().items()}
    cpu["keepers"] += lost["keepers"]
    cpu["ships"] -= lost["keepers"]  # of which this process has waited for what was killed
    ((events,),) = db.run("SELECT count(*) FROM event")
    ((trends,),) = db.run("SELECT count(*) FROM trend")
    first = min(linked.values())
    in_table = sorted(seen[v] - linked[v] for v in linked)
    after = sorted(sent[v] - linked[v] for v in linked if v in sent)
    print(f"{ships} ships, {ships * each:,} messages; all kept {done - first:.0f} s after the first link; one killed")
    print(
        f"a ship's alarm in the table: {median(in_table):.1f} s after its link (median), {in_table[-1]:.1f} s at most"
    )
    print(f"notified: {len(after)} of {ships}, {median(after):.1f} s (median), {after[-1]:.1f} s at most")
    print("CPU: " + ", ".join(f"{part} {s:.0f} s" for part, s in cpu.items()) + f"; load {os.getloadavg()[0]:.1f}")
    wanted = ships * (each - 2 - TRENDS), ships * TRENDS
    print(f"events {events:,} of {wanted[0]:,}, trends {trends:,} of {wanted[1]:,}: "
          f"{'nothing missing' if (events, trends) == wanted else 'NOT ALL'}; their keys allow none twice")  # fmt: skip


if __name__ == "__main__":
    main()
