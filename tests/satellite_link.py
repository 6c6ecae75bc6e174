"""A satellite link in one process: two network namespaces, and a relay that carries packets between them.

The namespaces have no name and no file: they live as long as an open descriptor or a process in them, so nothing is
left behind however a run ends, and two runs beside each other never meet. Each side sees a TUN device; what is written
to one is read here, counted, perhaps lost, held back by the rate and the delay, and written to the other.

Counted are IP bytes as the sender offers them, its repeats included: what a satellite's meter counts, without the
modem's own framing.
"""

import contextlib
import ctypes
import fcntl
import heapq
import os
import random
import select
import shutil
import struct
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import pytest

SHIP, SHORE = "10.83.0.1", "10.83.0.2"
MTU_BYTES = 1_400
_CLONE_NEWNET = 0x4000_0000
_TUNSETIFF, _IFF_TUN, _IFF_NO_PI = 0x4004_54CA, 0x0001, 0x1000
_libc = ctypes.CDLL(None, use_errno=True)


def why_not() -> str:
    """Why there can be no such link here, or an empty text."""
    if os.geteuid() != 0:
        return "network namespaces need root"
    if not os.path.exists("/dev/net/tun"):
        return "there is no /dev/net/tun (modprobe tun)"
    missing = [name for name in ("ip", "nsenter", "setpriv") if shutil.which(name) is None]
    return f"{', '.join(missing)} not installed (apt install iproute2 util-linux)" if missing else ""


needs_satellite = pytest.mark.skipif(bool(why_not()), reason=f"the satellite link is left out: {why_not()}")


@dataclass(frozen=True)
class Weather:
    """How the link behaves. `delay_s`: one way; `rate`: bytes a second each way, 0 = no bound; `queue_s`: a modem's
    buffer, in seconds of that rate, beyond which packets are dropped."""

    delay_s: float = 0.3
    loss: float = 0.0
    rate: float = 0.0
    queue_s: float = 4.0
    up: bool = True


GEOSTATIONARY = Weather(delay_s=0.3, loss=0.02, rate=8_000.0)
"""600 ms there and back, 2 % of the packets lost each way, 64 kbit/s."""


@dataclass(frozen=True)
class Tally:
    """Packets and IP bytes offered, ship to shore and shore to ship, and how many of the packets were lost."""

    up_packets: int = 0
    up_bytes: int = 0
    down_packets: int = 0
    down_bytes: int = 0
    lost: int = 0

    @property
    def bytes(self) -> int:
        """Both ways."""
        return self.up_bytes + self.down_bytes

    def since(self, before: "Tally") -> "Tally":
        """What has come on top of `before`."""
        return Tally(*(getattr(self, k) - getattr(before, k) for k in self.__dataclass_fields__))


def _check(result: int) -> None:
    if result != 0:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))


class Side:
    """One end: a network namespace with a loopback and, once joined, a device `sat0` of `address`."""

    def __init__(self, name: str, address: str) -> None:
        self.name, self.address = name, address
        with open("/proc/thread-self/ns/net") as here:
            _check(_libc.unshare(_CLONE_NEWNET))
            try:
                self._fd = os.open("/proc/thread-self/ns/net", os.O_RDONLY | os.O_CLOEXEC)
            finally:
                _check(_libc.setns(here.fileno(), _CLONE_NEWNET))

    def command(self, words: Sequence[str]) -> list[str]:
        """The words of a command that runs in here, and dies with us."""
        enter = ["nsenter", f"--net=/proc/{os.getpid()}/fd/{self._fd}"]
        return ["setpriv", "--pdeathsig", "KILL", *enter, *words]

    def run(self, *words: str) -> str:
        """Run a command in here to its end; its stdout. Raises CalledProcessError."""
        return subprocess.run(self.command(words), check=True, timeout=180, capture_output=True, text=True).stdout

    @contextlib.contextmanager
    def inside(self) -> Iterator[None]:
        """This thread, and it alone, is in here meanwhile; sockets opened so stay here."""
        with open("/proc/thread-self/ns/net") as here:
            _check(_libc.setns(self._fd, _CLONE_NEWNET))
            try:
                yield
            finally:
                _check(_libc.setns(here.fileno(), _CLONE_NEWNET))

    def tun(self, peer: str) -> int:
        """Make the device; its descriptor."""
        with self.inside():
            fd = os.open("/dev/net/tun", os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)
            fcntl.ioctl(fd, _TUNSETIFF, struct.pack("16sH22x", b"sat0", _IFF_TUN | _IFF_NO_PI))
            # As Debian has it by default, whatever this machine's own settings are.
            for key, value in (("tcp_timestamps", "1"), ("tcp_congestion_control", "cubic")):
                with contextlib.suppress(OSError), open(f"/proc/sys/net/ipv4/{key}", "w") as file:
                    file.write(value)
        self.run("ip", "addr", "add", f"{self.address}/32", "peer", peer, "dev", "sat0")
        self.run("ip", "link", "set", "sat0", "mtu", str(MTU_BYTES), "up")
        self.run("ip", "link", "set", "lo", "up")
        return fd

    def close(self) -> None:
        """Give the namespace up; it goes with its last process."""
        os.close(self._fd)


@dataclass
class _Lane:
    """One direction. `free_at`: when the sender's modem has sent what it has; `due`: heap of (time, n, packet)."""

    source: int
    target: int
    free_at: float = 0.0
    packets: int = 0
    size: int = 0
    lost: int = 0
    due: list[tuple[float, int, bytes]] = field(default_factory=list)

    def offer(self, packet: bytes, now: float, weather: Weather, lot: random.Random) -> None:
        """A packet comes to the sender's modem."""
        self.packets += 1
        self.size += len(packet)
        begins = max(now, self.free_at)
        if not weather.up or lot.random() < weather.loss or (weather.rate and begins - now > weather.queue_s):
            self.lost += 1
            return
        # One sender, one delay: what was sent later never comes earlier.
        self.free_at = begins + (len(packet) / weather.rate if weather.rate else 0.0)
        heapq.heappush(self.due, (self.free_at + weather.delay_s, self.packets, packet))

    def deliver(self, now: float) -> None:
        """Hand over what has arrived."""
        while self.due and self.due[0][0] <= now:
            packet = heapq.heappop(self.due)[2]
            with contextlib.suppress(OSError):
                os.write(self.target, packet)


class SatelliteLink:
    """Two sides and the relay between them. `weather` may be changed at any time through `set`."""

    def __init__(self, weather: Weather = GEOSTATIONARY, seed: int = 1) -> None:
        self.weather, self._lot = weather, random.Random(seed)
        self._over, self._lock = threading.Event(), threading.Lock()
        with contextlib.ExitStack() as undo:
            self.ship = Side("ship", SHIP)
            undo.callback(self.ship.close)
            self.shore = Side("shore", SHORE)
            undo.callback(self.shore.close)
            ship = self.ship.tun(SHORE)
            undo.callback(os.close, ship)
            shore = self.shore.tun(SHIP)
            undo.callback(os.close, shore)
            self._up, self._down = _Lane(ship, shore), _Lane(shore, ship)
            self._thread = threading.Thread(target=self._relay, name="satellite", daemon=True)
            self._thread.start()
            self._undo = undo.pop_all()

    def set(self, **changed: float | bool) -> None:
        """Change the weather: `set(up=False)`, `set(loss=0.1, delay_s=0.6)`."""
        with self._lock:
            self.weather = replace(self.weather, **changed)  # type: ignore[arg-type]
            if not self.weather.up:
                for lane in (self._up, self._down):
                    lane.lost += len(lane.due)
                    lane.due.clear()
                    lane.free_at = 0.0

    def tally(self) -> Tally:
        """What was offered so far."""
        with self._lock:
            up, down = self._up, self._down
            return Tally(up.packets, up.size, down.packets, down.size, up.lost + down.lost)

    def close(self) -> None:
        """End the relay; the devices go, and the namespaces with their last process."""
        self._over.set()
        self._thread.join(180)
        self._undo.close()

    def _relay(self) -> None:
        lanes = {lane.source: lane for lane in (self._up, self._down)}
        while not self._over.is_set():
            due = [lane.due[0][0] for lane in lanes.values() if lane.due]
            left = min(due) - time.monotonic() if due else 0.2
            ready = select.select(list(lanes), [], [], max(0.0, min(left, 0.2)))[0]
            with self._lock:
                now = time.monotonic()
                for fd in ready:
                    self._take(lanes[fd], now)
                for lane in lanes.values():
                    lane.deliver(now)

    def _take(self, lane: _Lane, now: float) -> None:
        for _ in range(256):
            try:
                packet = os.read(lane.source, 65_536)
            except OSError:
                return
            # What the kernel says of itself in IPv6 is not ours.
            if packet and packet[0] >> 4 == 4:
                lane.offer(packet, now, self.weather, self._lot)


@contextlib.contextmanager
def satellite(weather: Weather = GEOSTATIONARY, seed: int = 1) -> Iterator[SatelliteLink]:
    """A link for one test or bench."""
    link = SatelliteLink(weather, seed)
    try:
        yield link
    finally:
        link.close()
