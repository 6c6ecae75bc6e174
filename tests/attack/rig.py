"""The daemon under attack: real processes for daemon, head and broker, a panel and a relay that keep time."""

import contextlib
import glob
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from daemon_rig import ENTRY, ROOT, Mosquitto, Process, broker_table, example, free_port, until, written
from page_rig import HASH

from tests.attack.head_process import BROKEN_S, broken_at_s
from tests.attack.panel import PANEL_ADDRESS, ModbusPanel, RelayFile, Watch, delays_s

DESCRIPTORS = 1_024
"""The unit's LimitNOFILE; a case may set fewer."""
READY_S = 180.0
AS_A_SERVICE = {"MALLOC_ARENA_MAX": "1", "OPENBLAS_NUM_THREADS": "1"}
"""The environment that the unit sets."""


@dataclass
class Ship:
    """A daemon at work. `attackers`: what a case has opened and the rig closes."""

    folder: Path
    config: Path
    process: Process
    page_port: int
    modbus_port: int
    broker: Mosquitto
    relay: RelayFile
    watch: Watch
    head_start_s: float
    rounds: int
    protocol: str = "5"
    second_head_port: int = 0
    """Where the second engine's head is looked for; 0: there is no second engine."""
    second_broker_port: int = 0
    clock: Path | None = None
    """The file that moves the daemon's system clock, as libfaketime reads it."""
    env: dict[str, str] = field(default_factory=dict)
    judged_from_s: float = 0.0
    """Alarms before are not judged: the case itself had stopped the daemon. Monotonic."""
    attackers: contextlib.ExitStack = field(default_factory=contextlib.ExitStack)
    head_turn: threading.Lock = field(default_factory=threading.Lock)
    """Held by the case that plays the second head, where several run at once; the other by who plays the broker."""
    broker_turn: threading.Lock = field(default_factory=threading.Lock)

    @property
    def pid(self) -> int:
        """The daemon's."""
        return self.process.child.pid

    @property
    def socket_path(self) -> Path:
        """The local socket."""
        return self.folder / "data" / "control.sock"

    def rss_mib(self) -> float:
        """Resident memory of the daemon alone, MiB."""
        for line in Path(f"/proc/{self.pid}/status").read_text(encoding="ascii").splitlines():
            if line.startswith("VmRSS:"):
                return int(line.split()[1]) / 1024
        raise AssertionError("no VmRSS")

    def descriptors(self) -> int:
        """How many the daemon has open."""
        return len(os.listdir(f"/proc/{self.pid}/fd"))

    def log_bytes(self) -> int:
        """Length of the log so far."""
        return self.process.log.stat().st_size

    def breaks_s(self, from_s: float, to_s: float) -> list[float]:
        """When the loop broke (first bad sample) within this time, monotonic."""
        return [t for t in (self.head_start_s + s for s in broken_at_s(self.rounds)) if from_s <= t <= to_s]

    def alarm_delays_s(self, from_s: float, to_s: float) -> list[float]:
        """From each break within that time to discrete input and relay, the slower of the two."""
        broken = self.breaks_s(from_s, to_s)
        modbus = delays_s(broken, self.watch.seen, True, other_reason=False)
        relay = delays_s(broken, list(self.relay.changes()), False, other_reason=True)
        return [max(pair) for pair in zip(modbus, relay, strict=True)]

    def await_alarm(self, from_s: float) -> float:
        """Wait until a break after `from_s` is over; the longest time until panel and relay had it."""
        last = min(t for t in (self.head_start_s + s for s in broken_at_s(self.rounds)) if t >= from_s)
        time.sleep(max(0.0, last + BROKEN_S - time.monotonic()))
        return max(self.alarm_delays_s(from_s, last))


def settings(folder: Path, broker_port: int, **tables: Any) -> tuple[dict[str, Any], int, int]:
    """Settings as a dictionary, the page's port and the Modbus port."""
    data = example(folder, broker_port)
    page, modbus = free_port(), free_port()
    data["gateway"]["socket"] = str(folder / "data" / "control.sock")
    data["page"] = {"port": page, "users": [{"name": "second", "password_hash": HASH}]}
    data["modbus_tcp"] = {"port": modbus, "acknowledge_enabled": True, "panels": [PANEL_ADDRESS]}
    data["relay"] = [{"engine": "main", "through": "gpio", "line": 1}]
    data["requests"] = {"enabled": True, "broker": "ship"}
    for name, table in tables.items():
        data[name] = {**data.get(name, {}), **table} if isinstance(table, dict) else table
    return data, page, modbus


def with_second(data: dict[str, Any]) -> tuple[int, int]:
    """Add an engine on a head of its own, and a second broker; the ports of loopback where they are looked for."""
    head, broker = free_port(), free_port()
    data["head"].append({"slug": "aux-head", "port": f"socket://127.0.0.1:{head}"})
    data["engine"].append({**data["engine"][0], "slug": "aux", "name": "Second engine", "head": "aux-head"})
    data["broker"].append(broker_table(broker, "shore"))
    return head, broker


def moved_clock(folder: Path) -> tuple[Path, dict[str, str]]:
    """The file that moves a daemon's clock, at first by nothing, and the environment for it."""
    found = next(iter(glob.glob("/usr/lib/*/faketime/libfaketimeMT.so.1")), None)
    if found is None:
        pytest.skip("libfaketime is not installed (apt install faketime)")
    clock = folder / "clock"
    clock.write_text("+0d\n", encoding="ascii")
    return clock, {
        "LD_PRELOAD": found, "FAKETIME_TIMESTAMP_FILE": str(clock), "FAKETIME_CACHE_DURATION": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }  # fmt: skip


def certificate(folder: Path) -> dict[str, str]:
    """A certificate of its own for the page, for a day; the settings that name it."""
    cert, key = folder / "page.pem", folder / "page.key"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days",
             "1", "-subj", "/CN=localhost", "-out", str(cert), "-keyout", str(key)]  # fmt: skip
    subprocess.run(words, check=True, capture_output=True)
    key.chmod(0o600)
    return {"cert_file": str(cert), "key_file": str(key)}


def _daemon(config: Path, descriptors: int, **env: str) -> Process:
    limit = (
        f"import os,resource,sys;resource.setrlimit(resource.RLIMIT_NOFILE,({descriptors},{descriptors}));"
        "os.execv(sys.argv[1],sys.argv[1:])"
    )
    return Process([sys.executable, "-c", limit, *ENTRY, "run", str(config)], config.with_suffix(".log"), **env)


@contextlib.contextmanager
def ship(
    rounds: int = 60,
    *,
    descriptors: int = DESCRIPTORS,
    before: Callable[[Path], None] = lambda _folder: None,
    broker_lines: tuple[str, ...] = ("allow_anonymous true",),
    protocol: str = "5",
    second: bool = False,
    clock: bool = False,
    tls: bool = False,
    **tables: Any,
) -> Iterator[Ship]:
    """A ship for one attack, awaited until the relay is held. `before`: may fill the data folder.

    `second`: with a second engine and a second broker, for attackers to play. `clock`: its clock can be moved.
    `tls`: the page has a certificate.
    """
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="camdrift-attack-")))
        broker = Mosquitto(folder, *broker_lines)
        stack.callback(broker.stop)
        data, page, modbus = settings(folder, broker.port, **tables)
        data["broker"][0]["protocol"] = protocol
        ports = with_second(data) if second else (0, 0)
        if tls:
            data["page"] |= certificate(folder)
        clock_file, clock_env = moved_clock(folder) if clock else (None, {})
        (folder / "data").mkdir()
        before(folder)
        config = written(folder, data)
        relay = RelayFile(folder)
        head = stack.enter_context(_head(folder, rounds))
        env = {**relay.env, **AS_A_SERVICE, **clock_env}
        process = _daemon(config, descriptors, **env)
        watch = Watch(modbus, folder)
        stack.callback(watch.end)
        made = Ship(
            folder, config, process, page, modbus, broker, relay, watch, head, rounds, protocol, *ports, clock_file, env
        )
        stack.callback(lambda: _end(made.process))
        stack.enter_context(made.attackers)
        until(lambda: _runs(modbus), "Modbus answers and the shaft turns", READY_S)
        until(lambda: any(on for _, on in relay.changes()), "the relay is held", READY_S)
        yield made


def restarted(ship: Ship) -> None:
    """Start its daemon again, which is gone, and wait until it watches."""
    ship.process = _daemon(ship.config, DESCRIPTORS, **ship.env)
    until(lambda: _runs(ship.modbus_port), "Modbus answers and the shaft turns", READY_S)
    ship.judged_from_s = time.monotonic()


def _runs(port: int) -> bool:
    try:
        with contextlib.closing(ModbusPanel(port)) as panel:
            return panel.register(2) in (3, 4)
    except OSError:
        return False


@contextlib.contextmanager
def _head(folder: Path, rounds: int) -> Iterator[float]:
    command = [sys.executable, "-m", "tests.attack.head_process", str(folder / "head"), str(rounds)]
    child = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    try:
        yield float(child.stdout.readline())
    finally:
        child.kill()
        child.wait(10)
        child.stdout.close()


def _end(process: Process) -> None:
    if process.child.poll() is None:
        process.end()


def more_descriptors(wanted: int = 4_096) -> None:
    """Let this process, the attacker, open so many."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (min(wanted, hard), hard))
