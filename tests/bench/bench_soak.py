"""An hour of everything at once, twenty times faster than time: does anything grow, slow down or get lost?

Real processes: head on a pty, Mosquitto, the daemon with capture ring, history, Modbus server and page. A panel client
polls five times a second, a viewer holds the page's stream and asks for the history, another viewer connects and never
reads, a subscriber with a lasting session keeps every event. Alarms come and go all the time; the broker is stopped
and started again every five minutes, the head killed every seven. Memory, threads, descriptors, bytes on disk and the
waits are read twenty-four times. At the end the subscriber's events are compared with the store to the byte.

Due: the last third is no higher than the middle third: memory within one block of the allocator (1 MiB), descriptors
within two, waits within half as much again. The daemon has the service unit's environment. Run:
`python tests/bench/bench_soak.py [SECONDS] [TIMES_FASTER]`.
"""

import contextlib
import http.client
import socket
import struct
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean, quantiles

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1]), str(Path(__file__).parent)]

import daemon_rig as rig  # noqa: E402
from bench_live import Use, use_of  # noqa: E402
from service_environment import service_environment  # noqa: E402

from gateway.encode.times import rfc3339, utc_of  # noqa: E402

LOOKS = 24
BROKER_EVERY_S, BROKER_AWAY_S = 300.0, 10.0
HEAD_EVERY_S, HEAD_AWAY_S = 420.0, 5.0
POLL_S = 0.2
HISTORY_EVERY_S = 30.0
ASK = struct.pack(">HHHBBHH", 1, 0, 6, 1, 4, 0, 16)
"""Modbus TCP: read the sixteen input registers of unit 1."""


@dataclass(frozen=True, slots=True)
class Look:
    """All that is looked at, at one moment. `waits_ms`: of the panel's polls since the look before."""

    at_s: float
    use: Use
    state_mb: float
    history_mb: float
    captures_mb: float
    waits_ms: list[float]
    stream_ms: list[float]


class Waits:
    """Waits in ms, gathered in one thread and taken by another."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ms: list[float] = []
        self.faults = 0

    def add(self, seconds: float) -> None:
        """One more."""
        with self._lock:
            self._ms.append(1e3 * seconds)

    def take(self) -> list[float]:
        """All since the last time."""
        with self._lock:
            out, self._ms = self._ms, []
        return out


def panel(port: int, waits: Waits, stopping: threading.Event) -> None:
    """A panel: the same question five times a second, on one connection as long as it holds."""
    while not stopping.is_set():
        try:
            with socket.create_connection(("127.0.0.1", port), 5) as peer:
                while not stopping.wait(POLL_S):
                    begin = time.perf_counter()
                    peer.sendall(ASK)
                    if not peer.recv(300):
                        raise OSError("closed")
                    waits.add(time.perf_counter() - begin)
        except OSError:
            waits.faults += 1
            stopping.wait(1.0)


def viewer(port: int, waits: Waits, stopping: threading.Event) -> None:
    """A page that is looked at: how far the present's coming is from once a second; and the history now and then."""
    while not stopping.is_set():
        try:
            stream = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
            stream.request("GET", "/api/stream")
            lines = stream.getresponse()
            last = 0.0
            asked = time.monotonic()
            while not stopping.is_set() and (line := lines.readline()):
                if line.startswith(b"event: present"):
                    now = time.perf_counter()
                    if last:
                        waits.add(abs(now - last - 1.0))
                    last = now
                if time.monotonic() - asked > HISTORY_EVERY_S:
                    asked = time.monotonic()
                    ask_history(port)
            stream.close()
        except (OSError, http.client.HTTPException):
            waits.faults += 1
            stopping.wait(1.0)


def ask_history(port: int) -> None:
    """As a browser that is opened."""
    once = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    now_s = int(time.time())
    for path in ("/", "/api/present", f"/api/history?engine=main&from={now_s}&to={now_s + 86_400}", "/api/events"):
        once.request("GET", path)
        answer = once.getresponse()
        answer.read()
        assert answer.status == 200, f"{path}: {answer.status}"
    once.close()


def megabytes(*paths: Path) -> float:
    """On disk, all files together."""
    sizes = []
    for path in paths:
        with contextlib.suppress(OSError):
            sizes.append(path.stat().st_size)
    return sum(sizes) / 1e6


class Soak:
    """The processes and what looks at them."""

    def __init__(self, place: Path, seconds: float, faster: float) -> None:
        self.place, self.seconds, self.faster = place, seconds, faster
        self.broker = rig.lasting_broker(place)
        self.ports = rig.free_port(), rig.free_port()
        data = rig.example(place, self.broker.port, reading_every_s=10)
        # From today on: events of ninety days ago would be taken out as soon as they are delivered.
        self.start_s = float(int(time.time()))
        data["time"] = {"source": "head", "start": rfc3339(self.start_s)}
        data["modbus_tcp"] = {"port": self.ports[0]}
        data["page"] = {"port": self.ports[1]}
        # The trend's first fit then falls into the first third: it brings in what of the libraries only it calls.
        data["engine"][0]["running"] |= {"trend_after_min": 10}
        self.config = rig.written(place, data)
        self.scenario = rig.restless(place, rounds=int(seconds * faster / 20) + 200, spell_s=10.0)
        self.begun_s = time.monotonic()
        self.lives: list[float] = []
        """When each head began, monotonic s."""
        self.stopping = threading.Event()
        self.panel, self.page = Waits(), Waits()
        self.fault = "not judged"
        self.done = {"broker stops": 0, "head kills": 0}

    def _daemon(self) -> contextlib.AbstractContextManager[rig.Process]:
        """The daemon, in the environment that the service unit gives it."""
        return rig.daemon(self.config, **service_environment())

    def run(self) -> tuple[list[Look], rig.Story, int]:
        """Looks, the story, and bytes written to the device by the daemon."""
        with rig.listening(self.broker.port) as listener, self._daemon() as process, self._stuck_viewer():
            work: list[Callable[[], None]] = [
                lambda: panel(self.ports[0], self.panel, self.stopping),
                lambda: viewer(self.ports[1], self.page, self.stopping),
                self._broker_faults,
                self._heads,
            ]
            threads = [threading.Thread(target=w, daemon=True) for w in work]
            for t in threads:
                t.start()
            looks = [self._look(process.child.pid, n) for n in range(LOOKS)]
            self.stopping.set()
            for t in threads:
                t.join(60)
            time.sleep(3.0)
            written = io_of(process.child.pid)["write_bytes"]
            assert process.end() == 0
            try:
                story = rig.settled(listener, self.place / "data", 120.0)
                self.fault = ""
            except AssertionError as e:
                # The course of the hour is worth reading all the same.
                story = rig.story_of(listener.events())
                self.fault = str(e) or "the events differ from the store"
        return looks, story, written

    @contextlib.contextmanager
    def _stuck_viewer(self):  # type: ignore[no-untyped-def]
        """Connects, asks for the stream, and never reads."""
        rig.until(lambda: answers(self.ports[1]), "the page answers")
        with socket.create_connection(("127.0.0.1", self.ports[1])) as peer:
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
            peer.sendall(b"GET /api/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
            yield

    def _heads(self) -> None:
        while not self.stopping.is_set():
            with rig.head(self.place, self.scenario, "--speed", f"{self.faster}"):
                self.lives.append(time.monotonic())
                if self.stopping.wait(HEAD_EVERY_S):
                    return
                self.done["head kills"] += 1
            (self.place / "head").unlink(missing_ok=True)
            self.stopping.wait(HEAD_AWAY_S)

    def _broker_faults(self) -> None:
        while not self.stopping.wait(BROKER_EVERY_S):
            # Ended in order: what a broker forgets that it has acknowledged is no fault of the daemon's.
            self.broker.stop()
            self.done["broker stops"] += 1
            time.sleep(BROKER_AWAY_S)
            self.broker.start()

    def _look(self, pid: int, n: int) -> Look:
        due_s = self.begun_s + (n + 1) * self.seconds / LOOKS
        time.sleep(max(0.0, due_s - time.monotonic()))
        data = self.place / "data"
        return Look(
            at_s=time.monotonic() - self.begun_s,
            use=use_of(pid),
            state_mb=megabytes(*data.glob("state*")),
            history_mb=megabytes(*data.glob("history*")),
            captures_mb=megabytes(*(data / "captures").glob("*")),
            waits_ms=self.panel.take(),
            stream_ms=self.page.take(),
        )


def io_of(pid: int) -> dict[str, int]:
    """/proc/PID/io."""
    pairs = (line.split(":") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    return {key: int(value) for key, value in pairs}


def answers(port: int) -> bool:
    """Does anything listen there?"""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
        return True
    return False


def lateness_ms(story: rig.Story, soak: Soak) -> list[tuple[float, float]]:
    """(When it came, how much later than the promptest of its head's life), s and ms, for each alarm event.

    Head time runs at a known pace while a head lives; a broker's absence is not latency, and is left out.
    """
    alarms = [h for h in story.first if h.body["kind"] == "alarm"]
    out = []
    for k, begun_s in enumerate(soak.lives):
        until_s = soak.lives[k + 1] if k + 1 < len(soak.lives) else float("inf")
        life = [h for h in alarms if begun_s <= h.at_s < until_s]
        pace = [h.at_s - (utc_of(h.body["ts"]) - soak.start_s) / soak.faster for h in life]
        out += [(h.at_s - soak.begun_s, 1e3 * (p - min(pace))) for h, p in zip(life, pace, strict=True)]
    return [(at_s, ms) for at_s, ms in out if at_s % BROKER_EVERY_S > 3 * BROKER_AWAY_S or at_s < BROKER_EVERY_S]


def p99(values: list[float]) -> float:
    """99 of 100 lie below."""
    return quantiles(values, n=100)[98] if len(values) > 1 else float("nan")


def p50(values: list[float]) -> float:
    """The middle."""
    return sorted(values)[len(values) // 2] if values else float("nan")


def tell(looks: list[Look], late: list[tuple[float, float]]) -> None:
    """The course of it, and thirds against each other."""
    print(
        f"{'min':>6s} {'RSS MiB':>8s} {'threads':>8s} {'fds':>5s} {'CPU %':>6s} {'state MB':>9s} {'hist. MB':>9s} "
        f"{'capt. MB':>9s} {'panel p50':>10s} {'p99 ms':>7s} {'page p50':>9s} {'alarm p50':>10s} {'p99 ms':>8s}"
    )
    before_s = before_cpu = 0.0
    for x in looks:
        came = [ms for at_s, ms in late if before_s <= at_s < x.at_s]
        cpu = 100 * (x.use.cpu_s - before_cpu) / (x.at_s - before_s)
        print(
            f"{x.at_s / 60:6.1f} {x.use.resident_mib:8.2f} {x.use.threads:8d} {x.use.descriptors:5d} {cpu:6.1f} "
            f"{x.state_mb:9.2f} {x.history_mb:9.2f} {x.captures_mb:9.2f} {p50(x.waits_ms):10.2f} "
            f"{p99(x.waits_ms):7.1f} {p50(x.stream_ms):9.2f} {p50(came):10.1f} {p99(came):8.1f}"
        )
        before_s, before_cpu = x.at_s, x.use.cpu_s
    third = LOOKS // 3
    middle, last = looks[third : 2 * third], looks[2 * third :]
    late_from = [middle[0].at_s, last[0].at_s]
    lates = (
        [ms for at_s, ms in late if late_from[0] <= at_s < late_from[1]],
        [ms for at_s, ms in late if at_s >= late_from[1]],
    )
    print(f"{'last third beside the middle third':44s} {'middle':>8s} {'last':>8s}   due")
    rows: list[tuple[str, float, float, str]] = [
        ("resident, MiB", *(fmean(x.use.resident_mib for x in part) for part in (middle, last)), "+1"),
        ("descriptors", *(fmean(x.use.descriptors for x in part) for part in (middle, last)), "+2"),
        ("threads", *(fmean(x.use.threads for x in part) for part in (middle, last)), "+0"),
        ("panel's wait, half within, ms", *(p50([w for x in p for w in x.waits_ms]) for p in (middle, last)), "x 1.5"),
        ("page's second, half within ±, ms", *(p50([w for x in p for w in x.stream_ms]) for p in (middle, last)), ""),
        ("alarm later than the promptest, half, ms", p50(lates[0]), p50(lates[1]), "x 1.5"),
    ]
    for what, a, b, due in rows:
        print(f"{what:44s} {a:8.2f} {b:8.2f}   {due}")


def main(seconds: float, faster: float) -> None:
    """Soak and print."""
    with tempfile.TemporaryDirectory() as folder:
        soak = Soak(Path(folder), seconds, faster)
        try:
            looks, story, written = soak.run()
        finally:
            soak.broker.stop()
        tell(looks, lateness_ms(story, soak))
    seqs = {h.body["seq"] for h in story.first}
    missing = sorted(set(range(1, max(seqs) + 1)) - seqs)
    print(f"{'events that reached the subscriber':60s} {len(story.first)}")
    print(f"{'missing up to the last, and other faults of the story':60s} {missing or 'none'} {soak.fault or 'none'}")
    print(f"{'repeats under the same seq, same bytes':60s} {story.again}")
    for what, n in soak.done.items():
        print(f"{what:60s} {n}")
    print(f"{'times the panel / the viewer had to connect anew':60s} {soak.panel.faults} / {soak.page.faults}")
    print(f"{'written to the device, MB (head time counts: x ' + f'{faster:g})':60s} {written / 1e6:.1f}")
    if soak.fault:
        sys.exit(1)


if __name__ == "__main__":
    main(
        float(sys.argv[1]) if len(sys.argv) > 1 else 3_600.0,
        float(sys.argv[2]) if len(sys.argv) > 2 else 20.0,
    )
