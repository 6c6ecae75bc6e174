"""A fleet that comes back after a shore outage of a week: all ships connect at once, each with 240 messages.

Each ship first publishes the alarm that stands, then a week of hourly trends, events, alarm states. Two keepers, one of
them killed in between and started again; one notifier with a web endpoint on loopback. Measured for each ship from its
CONNACK: when its alarm is in the table, and when a notice that covers it was sent; and when all messages are kept. At
the end the table must hold every event and trend once. PostgreSQL and Mosquitto are real, and so are keepers and
notifier, as processes of their own; the ships are in processes of 200 connections each. All on this machine.

Run: `python tests/bench/bench_coming_back.py [--ships 200] [--each 240]`.
"""

import argparse
import json
import selectors
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from statistics import median
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from mqtt_fakes import mosquitto  # noqa: E402
from paho.mqtt.client import Client, MQTTv5  # noqa: E402
from paho.mqtt.enums import CallbackAPIVersion  # noqa: E402
from shore_rig import BROKER_LINES, SRC, KeeperProcess, alarm, event, postgres_server, presence, trend  # noqa: E402

from gateway.encode.messages import rfc3339, utc_of  # noqa: E402
from gateway.model.enums import AlarmState  # noqa: E402
from gateway.shore.database import Database, open_database, plain  # noqa: E402
from gateway.shore.store import FleetStore  # noqa: E402

TRENDS, WAIT_S, SHIPS_EACH = 168, 900.0, 200


def messages(vessel: str, each: int, now_s: float) -> Iterator[tuple[str, bytes]]:
    """What waits aboard: what stands first, then the record."""
    yield alarm(vessel, AlarmState.UNACKNOWLEDGED, now_s - 3_600)
    yield presence(vessel, "online", now_s)
    for k in range(min(TRENDS, each - 2)):
        yield trend(vessel, 1.0 + k / 1_000, ts=rfc3339(now_s - 3_600.0 * (TRENDS - k)))
    for seq in range(1, each - 2 - TRENDS + 1):
        yield event(vessel, seq)


def fleet(port: int, first: int, ships: int, each: int, now_s: float) -> dict[str, float]:
    """Connect them all, publish all, wait for every PUBACK. Gives each ship's CONNACK."""
    found: dict[str, float] = {}
    left: set[str] = set()
    clients = []
    for n in range(first, first + ships):
        name = f"v{n:05d}"
        client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTv5)
        client.max_inflight_messages_set(20)
        client.on_connect = lambda *_, name=name: found.setdefault(name, time.time())
        for topic, payload in messages(name, each, now_s):
            client.publish(topic, payload, qos=1, retain="/alarm/" in topic)
        left.add(name)
        clients.append((name, client))
    with selectors.DefaultSelector() as selector:
        counts = dict.fromkeys(left, 0)

        def acked(name: str) -> None:
            counts[name] += 1
            if counts[name] == each:
                left.discard(name)

        for name, client in clients:
            client.on_publish = lambda *_, name=name: acked(name)
            client.connect("127.0.0.1", port, keepalive=600)
            selector.register(client.socket(), selectors.EVENT_READ, client)  # type: ignore[arg-type]
        end = time.monotonic() + WAIT_S
        while left and time.monotonic() < end:
            for key, _ in selector.select(0.05):
                key.data.loop_read()
            for _, client in clients:
                if client.want_write():
                    client.loop_write()
    return found


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
    end, killed = time.monotonic() + WAIT_S, False
    while time.monotonic() < end:
        for (vessel,) in db.run("SELECT vessel FROM alarm WHERE state = 'unacknowledged'"):
            seen.setdefault(str(vessel), time.time())
        ((kept,),) = db.run("SELECT (SELECT count(*) FROM event) + (SELECT count(*) FROM trend)")
        if not killed and kept > ships * each / 3:
            killed = True
            kill()
        if kept >= ships * (each - 2) and len(seen) == ships:
            return time.time()
        time.sleep(0.25)
    raise SystemExit(f"not all is kept after {WAIT_S:.0f} s: {kept} of {ships * (each - 2)}")


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
        victim.kill()
        threading.Timer(5.0, victim.start).start()

    began, seen = time.time(), dict[str, float]()
    parts = [(first, min(SHIPS_EACH, ships - first)) for first in range(0, ships, SHIPS_EACH)]
    with ProcessPoolExecutor(len(parts)) as pool:
        jobs = [pool.submit(fleet, port, first, count, each, began) for first, count in parts]
        done = watch(db, ships, each, seen, kill)
        linked = {name: at for job in jobs for name, at in job.result().items()}
    end = time.monotonic() + 120
    while len(sent := notified(db)) < ships and time.monotonic() < end:
        time.sleep(0.5)
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
    wanted = ships * (each - 2 - TRENDS), ships * TRENDS
    print(f"events {events:,} of {wanted[0]:,}, trends {trends:,} of {wanted[1]:,}: "
          f"{'nothing missing' if (events, trends) == wanted else 'NOT ALL'}; their keys allow none twice")  # fmt: skip


if __name__ == "__main__":
    main()
