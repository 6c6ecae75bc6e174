"""What a day ashore costs: IP bytes on the wire, both ways, by class of message, over a satellite link.

The real daemon with the example vessel on the ship's side; on the shore's side Mosquitto with the shipped settings
(mutual TLS, access list) and a keeper, which answers with receipts. Link: 600 ms there and back, 2 % loss, 64 kbit/s.

- connection: daemons that may say nothing, presence, and presence with all alarm states; each is measured by itself.
- idle: the connection with the shipped keep-alive and an engine that runs; so many whole keep-alive cycles by the wall.
- black-out: a connection after a day without one, with ten transitions and 24 hourly trends waiting.
- alarm, event: single transitions in real time, of a daemon that may say alarm states, events, or both.
- day: a whole day of head time in ten minutes: hourly trends and ten transitions, all of them sent. Every byte between
  the middle of two pauses belongs to what came between them.

Multiplied is only the keep-alive: it is measured over the cycles asked for and taken for all of the day.

Run: `python tests/bench/bench_shore_bytes.py [CYCLES]` as root; 2 cycles take an hour; 0: no
idle part, -1: nor the units, -2: only the black-out.
"""

import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402
import satellite_rig as sat  # noqa: E402
from satellite_link import GEOSTATIONARY, SHORE, SatelliteLink, Tally, satellite, why_not  # noqa: E402

DAY_S, DAY_IN_S = 86_400, 600.0
FAULTS, FAULT_S = 5, 260
TRANSITIONS_A_DAY = 10
GOAL_BYTES = 80_000
QUIET_S = 6.0


@dataclass
class Scene:
    """What stands: link, broker, keeper, and a folder."""

    link: SatelliteLink
    folder: Path
    tls: Path
    n: int = 0

    @contextmanager
    def ship(self, classes: list[str] | None, scenario: str, *more: str, **settings: Any) -> Iterator[Path]:
        """A daemon with a store of its own and a head; its folder."""
        self.n += 1
        folder = self.folder / f"ship{self.n}"
        folder.mkdir()
        chosen = {} if classes is None else {"classes": classes, "every_trend": "trend" in classes}
        broker = sat.shore_table(self.tls, **chosen)
        data = sat.ship_settings(folder, broker)
        data["engine"][0]["running"] |= settings.pop("running", {})
        waiting: tuple[int, float] | None = settings.pop("waiting", None)
        if waiting is not None:
            sat.fill(folder / "data", broker, *waiting, time.time())
        data |= settings
        if "--every" in more:
            data["head"][0]["burst_pause_s"] = float(more[more.index("--every") + 1])
        # A test machine has no time server; a ship has one.
        data["alarms"] = {"clock-doubtful": {"on_delay_s": DAY_S}}
        # The whole fault is of interest here, not how long it must last.
        data["engine"][0]["alarms"]["transducer-fault"] = {"on_delay_s": 0, "off_delay_s": 0}
        with rig.head(folder, scenario, *more), sat.daemon(self.link.ship, rig.written(folder, data)):
            yield folder

    def quiet(self, quiet_s: float = QUIET_S, within_s: float = 90.0) -> Tally:
        """Wait until nothing has passed for so long; the tally then."""
        end, last, since = time.monotonic() + within_s, self.link.tally(), time.monotonic()
        while time.monotonic() - since < quiet_s:
            assert time.monotonic() < end, "the link does not fall silent"
            time.sleep(0.1)
            now = self.link.tally()
            if now != last:
                last, since = now, time.monotonic()
        return last


@dataclass
class Log:
    """What a listener ashore heard, and the tally ten times a second."""

    heard: list[tuple[float, str]] = field(default_factory=list)
    tallies: list[tuple[float, int]] = field(default_factory=list)


@contextmanager
def logging(scene: Scene) -> Iterator[Log]:
    """Listen ashore beside the keeper, and watch the counters."""
    log, over = Log(), threading.Event()
    secret = sat.PASSWORD
    words = ["mosquitto_sub", "-h", SHORE, "-p", str(sat.KEEPERS_DOOR), "--cafile", f"{scene.tls}/ca.pem", "-u",
             "shore.watch", "-P", secret, "-q", "1", "-t", "camdrift/#", "-R", "-F", "%t", "-V", "mqttv5"]  # fmt: skip
    with sat.reading_lines(scene.link.shore, words, lambda line: log.heard.append((time.monotonic(), line))):

        def count() -> None:
            while not over.wait(0.1):
                log.tallies.append((time.monotonic(), scene.link.tally().bytes))

        thread = threading.Thread(target=count, daemon=True)
        thread.start()
        time.sleep(2.0)
        try:
            yield log
        finally:
            over.set()
            thread.join(5)


def klass(topic: str) -> str:
    """The class of message of a topic."""
    parts = topic.split("/")
    return "alarm" if "alarm" in parts else parts[-1]


def split(log: Log) -> dict[str, list[tuple[int, int]]]:
    """By the classes that came together: (bytes, messages) of each spell between two pauses."""
    groups: list[list[tuple[float, str]]] = []
    for at, topic in log.heard:
        if not groups or at - groups[-1][-1][0] > 5.0:
            groups.append([])
        groups[-1].append((at, topic))
    found: dict[str, list[tuple[int, int]]] = {}
    for n, group in enumerate(groups):
        begin = (groups[n - 1][-1][0] + group[0][0]) / 2 if n else 0.0
        end = (group[-1][0] + groups[n + 1][0][0]) / 2 if n + 1 < len(groups) else float("inf")
        inside = [size for at, size in log.tallies if begin <= at < end]
        key = "+".join(sorted({klass(topic) for _, topic in group}))
        found.setdefault(key, []).append((inside[-1] - inside[0], len(group)))
    return found


def connection(scene: Scene) -> list[tuple[str, Tally, int]]:
    """What a connection costs, by what may be said at it."""
    rows = []
    for name, classes in (("nothing", []), ("presence", ["presence"]), ("presence, alarm", ["presence", "alarm"])):
        before = scene.quiet()
        with scene.ship(classes, "steady"):
            rows.append((name, scene.quiet().since(before), 21 if "alarm" in classes else len(classes)))
        scene.quiet()
    return rows


def black_out(scene: Scene) -> Tally:
    """A day without a link and the connection after it, until all of it is ashore and its receipt aboard."""
    before = scene.quiet()
    with scene.ship(None, "steady", waiting=(TRANSITIONS_A_DAY, 1.0)):
        after = scene.quiet(45.0, 240.0)
    scene.quiet()
    return after.since(before)


def idle(scene: Scene, cycles: int) -> tuple[Tally, float]:
    """Whole keep-alive cycles of a connection on which nothing is said."""
    every_s = sat.shore_broker_as_shipped()["keepalive_s"]
    with scene.ship(None, "steady"):
        # A first receipt comes half a minute after the event that it is for.
        scene.quiet(45.0, 180.0)
        before, began = scene.link.tally(), time.monotonic()
        while time.monotonic() - began < cycles * every_s:
            time.sleep(1.0)
        scene.quiet()
        return scene.link.tally().since(before), cycles * every_s


def transitions(scene: Scene, classes: list[str]) -> tuple[int, int]:
    """(bytes, transitions) of two faults in real time, each raised and gone."""
    path = scene.folder / "faults.toml"
    events = [{"at_s": 30.0 + 30 * n, "kind": "loop-broken", "for_s": 15} for n in range(2)]
    path.write_text(rig.toml_text({"event": events}), encoding="utf-8")
    with scene.ship(classes, str(path)):
        before = scene.quiet()
        time.sleep(90.0)
        after = scene.quiet()
    scene.quiet()
    return after.since(before).bytes, 2 * len(events)


def day(scene: Scene) -> tuple[Log, int]:
    """A day of head time; what was heard, and the bytes from before the connection to the end."""
    path = scene.folder / "day.toml"
    # Not on the hour, when trends are due.
    events = [{"at_s": 9_000 + 14_400 * n, "kind": "loop-broken", "for_s": FAULT_S} for n in range(FAULTS)]
    path.write_text(rig.toml_text({"event": events}), encoding="utf-8")
    clock = {"source": "head", "start": "2026-03-01T00:00:00Z"}
    speed = DAY_S / DAY_IN_S
    # From the first hour on, as on every day but the first: else eight hours of trends would be missing.
    running = {"trend_after_min": 10}
    pace = ["--speed", str(speed), "--rate", "100", "--burst", "10", "--every", "60"]
    with logging(scene) as log:
        before = scene.link.tally().bytes
        with scene.ship(None, str(path), *pace, running=running, time=clock) as folder:
            data = folder / "data"
            began = time.monotonic()
            while time.monotonic() - began < DAY_IN_S + 10:
                time.sleep(1.0)
            scene.quiet(within_s=60.0)
            total = scene.link.tally().bytes - before
            assert data.exists()
    return log, total


def main(cycles: int) -> None:
    """Measure and print."""
    if why_not() or sat.missing():
        sys.exit(f"cannot run here: {why_not() or sat.missing() + ' not installed'}")
    with tempfile.TemporaryDirectory(prefix="camdrift-bytes-") as name, satellite(GEOSTATIONARY) as link:
        folder = Path(name)
        tls = sat.authority(folder / "tls")
        with sat.shore_broker(link.shore, folder / "shore", tls):
            words = sat.keeper_words(tls, folder, folder / "fleet.db")
            with sat.process(link.shore, words, folder / "keeper.log"):
                report(Scene(link, folder, tls), cycles)


def report(scene: Scene, cycles: int) -> None:
    """All parts in turn."""
    t = black_out(scene)
    print(f"after a day's black-out: {t.bytes} bytes ({t.up_bytes} up, {t.down_bytes} down)", flush=True)
    if cycles < -1:
        return
    if cycles >= 0:
        units(scene)
    log, total = day(scene)
    for key, spells in split(log).items():
        size, count = sum(s for s, _ in spells), sum(n for _, n in spells)
        print(f"day, {key}: {size} bytes in {len(spells)} spells, {count} messages", flush=True)
    print(f"day in ten minutes, all of it: {total} bytes, {len(log.heard)} messages", flush=True)
    if cycles > 0:
        report_idle(scene, cycles, total)


def units(scene: Scene) -> None:
    """A connection and a transition, by what may be said."""
    for name, t, n in connection(scene):
        print(f"connection, may say {name}: {t.bytes} bytes ({t.up_bytes} up, {t.down_bytes} down), {n} states")
    for classes in (["alarm"], ["event"], ["alarm", "event"]):
        size, count = transitions(scene, classes)
        print(f"a transition as {' and '.join(classes)}: {size / count:.0f} bytes (of {count})", flush=True)


def report_idle(scene: Scene, cycles: int, total: int) -> None:
    """The keep-alive, and the sum."""
    tally, seconds = idle(scene, cycles)
    pings = tally.bytes * DAY_S / seconds
    print(f"idle, {seconds:.0f} s: {tally.bytes} bytes in {tally.up_packets + tally.down_packets} packets", flush=True)
    print(f"keep-alive of a whole day, from that: {pings:.0f} bytes", flush=True)
    print(f"a day: {total + pings:.0f} bytes (goal {GOAL_BYTES})", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)
