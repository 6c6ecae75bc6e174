"""How fast the panel's ports answer: the Modbus server beside another implementation, and waits from change to wire.

Prints figures and ratios of the machine that it runs on; run as a script. Both servers are asked by the same plain
socket, sixteen input registers at a time, alone and while another thread keeps the interpreter busy.
"""

import socket
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from statistics import quantiles

sys.path[:0] = [str(Path(__file__).parents[n]) for n in (1, 2)]  # run as a script

from panel_boards import Box, alarm, board, engine  # noqa: E402
from pty_pair import one_pty, read_some  # noqa: E402
from pyModbusTCP.server import ModbusServer  # noqa: E402

from gateway.model.enums import AlarmState  # noqa: E402
from gateway.model.panel_settings import ModbusTcpSettings, RelaySettings, SentenceSettings  # noqa: E402
from gateway.outlets.modbus.frames import mbap  # noqa: E402
from gateway.outlets.modbus.tcp import ModbusTcpServer  # noqa: E402
from gateway.outlets.relay.relay import Relay  # noqa: E402
from gateway.outlets.sentences.port import SentencePort  # noqa: E402

REQUEST = mbap(1, 1, struct.pack(">BHH", 4, 0, 16))
CLIENTS, READS_EACH, READS_PER_S = 10, 50, 10
ROUNDS = 60


def polls_per_s(port: int, polls: int = 3_000) -> float:
    """Polls one after the other on one connection."""
    with socket.create_connection(("127.0.0.1", port)) as peer:
        begin = time.perf_counter()
        for _ in range(polls):
            peer.sendall(REQUEST)
            peer.recv(300)
        return polls / (time.perf_counter() - begin)


def waits_s(port: int) -> list[float]:
    """The waits of ten clients in a process of their own, as a panel's are."""
    command = [sys.executable, __file__, "clients", str(port)]
    told = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120).stdout
    return [float(word) for word in told.split()]


def clients(port: int) -> list[float]:
    """Ten clients at ten reads a second each: the wait for each answer."""
    waits: list[float] = []

    def client() -> None:
        with socket.create_connection(("127.0.0.1", port)) as peer:
            for _ in range(READS_EACH):
                begin = time.perf_counter()
                peer.sendall(REQUEST)
                peer.recv(300)
                waits.append(time.perf_counter() - begin)
                time.sleep(1 / READS_PER_S)

    threads = [threading.Thread(target=client) for _ in range(CLIENTS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return waits


def tell(what: str, waits: list[float]) -> None:
    cuts = quantiles(waits, n=100)
    print(f"{what}: median {cuts[49] * 1e3:.2f} ms, 99 % within {cuts[98] * 1e3:.2f} ms ({len(waits)})")


def while_busy(work: Callable[[], None]) -> None:
    """Do `work` while another thread computes without a pause."""
    done = threading.Event()

    def compute() -> None:
        while not done.is_set():
            sum(range(20_000))

    thread = threading.Thread(target=compute)
    thread.start()
    try:
        work()
    finally:
        done.set()
        thread.join()


def modbus(box: Box) -> None:
    ours = ModbusTcpServer(ModbusTcpSettings(port=0), box.read, box.act, "bench")
    ours.start()
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        other_port = free.getsockname()[1]
    other = ModbusServer("127.0.0.1", other_port, no_block=True)
    other.start()
    ratio = polls_per_s(ours.port) / polls_per_s(other_port)
    print(f"polls a second, ours over the other implementation's: {ratio:.2f}")
    tell("Modbus, interpreter idle", waits_s(ours.port))
    while_busy(lambda: tell("Modbus, interpreter busy", waits_s(ours.port)))
    usual = sys.getswitchinterval()
    sys.setswitchinterval(0.001)
    while_busy(lambda: tell("Modbus, interpreter busy, switch interval 1 ms", waits_s(ours.port)))
    sys.setswitchinterval(usual)
    other.stop()
    ours.stop()


def sentences(box: Box) -> None:
    waits: list[float] = []
    with one_pty() as (fd, name):
        port = SentencePort(SentenceSettings(port=name, baud=38_400), box.read, box.act)
        port.start()
        port.ready.wait(10.0)
        time.sleep(0.5)
        for n in range(ROUNDS):
            while read_some(fd, 0.03 + n * 0.001):
                pass
            state = AlarmState.UNACKNOWLEDGED if n % 2 else AlarmState.ACKNOWLEDGED
            begin = time.perf_counter()
            box.view = board(engine(0, (alarm(3, state, revision=n + 1),)))
            while b"ALF" not in read_some(fd, 5.0):
                pass
            waits.append(time.perf_counter() - begin)
        port.stop()
    tell("alarm to the first characters of ALF, 38,400 baud", waits)


class _Line:
    def __init__(self) -> None:
        self.level: bool | None = None
        self.moved = threading.Event()

    def set(self, energised: bool) -> None:
        if energised != self.level:
            self.level = energised
            self.moved.set()

    def close(self) -> None:
        pass


def relay() -> None:
    line, waits = _Line(), []
    one = Relay(RelaySettings(engine="engine-0", through="gpio", line=0), lambda _: line)
    one.start()
    one.ready.wait(10.0)
    time.sleep(0.2)
    for n in range(ROUNDS):
        line.moved.clear()
        begin = time.perf_counter()
        one.keep(n % 2 == 0)
        line.moved.wait(5.0)
        waits.append(time.perf_counter() - begin)
    one.stop()
    tell("alarm to relay line (simulated)", waits)


if __name__ == "__main__":
    if sys.argv[1:2] == ["clients"]:
        print(*clients(int(sys.argv[2])))
        sys.exit()
    at_start = Box(board(engine(0, tuple(alarm(n, AlarmState.NORMAL) for n in range(21)))))
    modbus(at_start)
    sentences(at_start)
    relay()
