"""How much of a fleet one machine keeps: keepers with PostgreSQL, beside a bare subscriber that only inserts.

A round is what 2,000 ships say: of ten messages five are trends, two events, two alarm states, one a presence. The
keepers' sessions are made, the round is put into the broker's queues while they are away, and they are started: so the
ships' own publishing costs nothing of what is measured. Counted is from the first kept message to the last. The bare
subscriber does the same with the same batches and acknowledges after its commit too, but checks nothing, knows no
copies, and writes topic and bytes into one table without a key.

Run: `python tests/bench/bench_fleet.py [--ships 2000] [--each 20]`. Needs Mosquitto and PostgreSQL's server; loopback
only. Prints; asserts nothing about time.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, NamedTuple

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

from mqtt_fakes import mosquitto  # noqa: E402
from shore_inside import local  # noqa: E402
from shore_rig import BROKER_LINES, UTC, KeeperProcess, Ship, alarm, event, postgres_server, presence, trend  # noqa: E402

from gateway.encode.messages import rfc3339  # noqa: E402
from gateway.model.enums import AlarmState  # noqa: E402
from gateway.shore.check import filters  # noqa: E402
from gateway.shore.link import FleetLink, Subscription  # noqa: E402

PER_SHIP_AND_DAY = 24 + 10 + 10 + 2
"""Trends, events, alarm states, presences of one engine in normal running."""
WAIT_S = 240.0


class Row(NamedTuple):
    """One line of the bench. `cpu_us`: of the keepers, of the broker, for one message."""

    what: str
    keepers: int
    per_s: float
    cpu_us: float
    broker_us: float


def messages(ships: int, each: int) -> Iterator[tuple[str, bytes]]:
    """`each` messages (a multiple of ten) of each ship, ships in turn, as they would come."""
    for block in range(each // 10):
        stamp = UTC + 3_600.0 * block * 5
        for n in range(ships):
            vessel = f"v{n:05d}"
            yield presence(vessel, "online", stamp)
            for k in range(5):
                yield trend(vessel, 1.0 + k / 100, ts=rfc3339(stamp + 3_600.0 * k))
            for k in range(2):
                yield event(vessel, 2 * block + k + 1)
                yield alarm(vessel, AlarmState.UNACKNOWLEDGED if k else AlarmState.NORMAL, stamp + k)


def cpu_s(pid: int) -> float:
    """User and system time of a process so far."""
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


class Bare:
    """The bound: a subscriber in a process of its own that inserts what comes, and acknowledges after the commit."""

    def __init__(self, port: int, url: str, name: str) -> None:
        self._command = [sys.executable, __file__, "--bare", str(port), url, name]
        self.start()

    def start(self) -> None:
        self.child = subprocess.Popen(self._command)

    def stop(self) -> None:
        self.child.terminate()
        self.child.wait(20)


def bare(port: int, url: str, name: str) -> None:
    """The body of `Bare`."""
    import psycopg

    db = psycopg.connect(url, autocommit=True)
    came: list[Any] = []
    link = FleetLink(
        local(port), Subscription(name, filters("camdrift/1", readings=False), "g", 3_600, 400), came.append
    )
    link.open()
    while True:
        link.step(0.05)
        if came:
            with db.transaction(), db.cursor() as cursor:
                cursor.executemany("INSERT INTO raw VALUES (%s, %s)", [(m.topic, m.payload) for m in came])
            link.ack(came)
            came.clear()


class Team:
    """Keepers or bare subscribers: `start`, `stop`, and their process ids."""

    def __init__(self, kind: str, port: int, url: str, count: int) -> None:
        self.members: list[Any] = [
            KeeperProcess(port, url, str(n)) if kind == "keep" else Bare(port, url, f"bare-{n}") for n in range(count)
        ]

    @property
    def pids(self) -> list[int]:
        return [(m._child if isinstance(m, KeeperProcess) else m.child).pid for m in self.members]

    def start(self) -> None:
        for m in self.members:
            m.start()

    def stop(self) -> None:
        for m in self.members:
            m.stop()


@contextmanager
def rig(kind: str, count: int) -> Iterator[tuple[Any, Team, Any]]:
    """Broker, team with its sessions made, and a connection to count by."""
    import psycopg

    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = stack.enter_context(mosquitto(folder, *BROKER_LINES))
        url = stack.enter_context(postgres_server("max_wal_size=2GB")).database()
        db = stack.enter_context(psycopg.connect(url, autocommit=True))
        db.execute("CREATE TABLE raw (topic text, payload bytea)")
        team = Team(kind, broker.port, url, count)
        time.sleep(4.0)
        team.stop()
        yield broker, team, db


def kept(db: Any, kind: str) -> int:
    """What has arrived: every row of the bare table; trends and events (seven of ten messages) of the keepers."""
    if kind == "bare":
        return int(db.execute("SELECT count(*) FROM raw").fetchone()[0])
    return int(db.execute("SELECT (SELECT count(*) FROM trend) + (SELECT count(*) FROM event)").fetchone()[0])


def measure(kind: str, count: int, ships: int, each: int) -> Row:
    """One round into `count` keepers or bare subscribers."""
    total = ships * each
    wanted = total if kind == "bare" else total * 7 // 10
    with rig(kind, count) as (broker, team, db):
        publisher = Ship(broker.port)
        publisher.say(*messages(ships, each))
        publisher.close()
        broker_before = cpu_s(broker._child.pid)
        team.start()
        try:
            begun, first = 0.0, 0
            end = time.monotonic() + WAIT_S
            at = time.monotonic()
            while (now := kept(db, kind)) < wanted and time.monotonic() < end:
                if now and not first:
                    first, at = now, time.monotonic()
                    begun = sum(cpu_s(pid) for pid in team.pids)
                time.sleep(0.05)
            took = time.monotonic() - at
            if now != wanted:
                raise SystemExit(f"{now} of {wanted} kept within {WAIT_S:g} s")
            done = total * (1 - first / wanted)
            cpu = sum(cpu_s(pid) for pid in team.pids) - begun
            broker_cpu = cpu_s(broker._child.pid) - broker_before
        finally:
            team.stop()
    return Row(kind, count, done / took, 1e6 * cpu / done, 1e6 * broker_cpu / total)


def main() -> None:
    """Print the table."""
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--ships", type=int, default=2_000)
    p.add_argument("--each", type=int, default=20, help="messages of each ship, a multiple of ten")
    p.add_argument("--bare", nargs=3, metavar=("PORT", "URL", "NAME"), help=argparse.SUPPRESS)
    args = p.parse_args()
    if args.bare:
        bare(int(args.bare[0]), args.bare[1], args.bare[2])
    print(f"{args.ships} ships, {args.each} messages each, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    print(f"{'':8}{'processes':>10}{'messages/s':>12}{'each':>8}{'CPU us':>9}{'broker us':>11}{'to bound':>10}")
    for count in (1, 2, 4):
        bound = measure("bare", count, args.ships, args.each)
        row = measure("keep", count, args.ships, args.each)
        for r in (bound, row):
            share = r.per_s / bound.per_s
            print(
                f"{r.what:8}{r.keepers:>10}{r.per_s:>12,.0f}{r.per_s / count:>8,.0f}{r.cpu_us:>9.0f}"
                f"{r.broker_us:>11.0f}{share:>10.2f}"
            )
        for ships in (2_000, 20_000):
            need = ships * PER_SHIP_AND_DAY / 86_400
            print(f"{'':8}{ships:,} ships need {need:.1f} messages/s: {need / row.per_s:.2%} of it")


if __name__ == "__main__":
    main()
