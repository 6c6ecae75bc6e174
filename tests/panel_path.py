"""The whole way to the panel in one process: head bytes in, discrete input, ALF and relay out; broker and disk gone."""

import contextlib
import socket
import threading
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

from mqtt_fakes import free_port
from pyModbusTCP.client import ModbusClient
from waiting import PATIENCE_S

from firmware_sim import Head, parse_scenario
from gateway.app import panel
from gateway.app.daemon import Daemon
from gateway.model.errors import StorageError
from gateway.model.output import Batch
from gateway.model.panel_settings import RelaySettings
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings, fingerprint
from gateway.outlets.relay.relay import Relay

TERN = Path(__file__).parents[1] / "config" / "tern-passage.toml"
TRANSDUCER_FAULT = 13


@dataclass
class FakeLine:
    """A relay's line that remembers when it was told what."""

    told: list[tuple[float, bool]] = field(default_factory=list)

    def set(self, energised: bool) -> None:
        """Remember."""
        if not self.told or self.told[-1][1] != energised:
            self.told.append((time.monotonic(), energised))

    def close(self) -> None:
        """Nothing to close."""


@dataclass
class Rig:
    """A daemon at work with its panel; `decided`: when which transition of the transducer's alarm was made."""

    daemon: Daemon
    modbus_port: int
    udp: socket.socket
    line: FakeLine
    decided: list[tuple[float, str]] = field(default_factory=list)


class HeadServer(threading.Thread):
    """Plays a scenario in real time to whoever connects: the transducer's wire breaks and is mended over and over."""

    def __init__(self, rounds: int, spell_s: float = 1.0, first_s: float = 3.0) -> None:
        """`rounds`: how often it breaks, each time for `spell_s`; the first time after `first_s`."""
        super().__init__(daemon=True)
        events = "".join(
            f'[[event]]\nat_s = {first_s + 2 * spell_s * n}\nkind = "loop-broken"\nfor_s = {spell_s}\n'
            for n in range(rounds)
        )
        self.duration_s = first_s + 1.0 + 2 * spell_s * rounds
        self._scenario = parse_scenario(f"[run]\nduration_s = {self.duration_s}\n{events}")
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._server.getsockname()[1])

    def run(self) -> None:
        """Send each frame when it is due."""
        with self._server, contextlib.suppress(OSError):
            self._server.settimeout(180)
            peer, _ = self._server.accept()
            with peer:
                begun = time.monotonic()
                for data, due_us in Head(self._scenario).frames():
                    wait_s = begun + due_us / 1e6 - time.monotonic()
                    if wait_s > 0:
                        time.sleep(wait_s)
                    peer.sendall(data)
                time.sleep(1.0)


def settings(
    folder: Path, head_port: int, modbus_port: int, udp_port: int, broker_port: int | None = None, page_port: int = 0
) -> Settings:
    """The invented vessel with a panel on loopback, no delays, and a broker where none listens unless one is given."""
    data: dict[str, Any] = tomllib.loads(TERN.read_text(encoding="utf-8"))
    data["gateway"]["data_dir"] = str(folder / "data")
    data["capture"]["enabled"] = False
    data["page"] = {"port": page_port}
    data["head"][0]["port"] = f"socket://127.0.0.1:{head_port}"
    data["engine"][0]["alarms"] = {"transducer-fault": {"on_delay_s": 0, "off_delay_s": 0}}
    data["broker"][0] |= {"port": broker_port or free_port(), "backoff_s_min": 0.5, "backoff_s_max": 1.0}
    data["modbus_tcp"] = {"port": modbus_port, "acknowledge_enabled": True}
    data["sentences"] = [{"transport": "udp", "group": "127.0.0.1", "udp_port": udp_port, "interface": "127.0.0.1"}]
    data["relay"] = [{"engine": "main", "through": "gpio", "line": 1}]
    return checked_settings(data)


@contextlib.contextmanager
def at_work(
    folder: Path,
    head: HeadServer,
    *,
    disk_full: bool = False,
    broker_port: int | None = None,
    page_port: int = 0,
) -> Iterator[Rig]:
    """The rig, started; with `disk_full` nothing can be stored any more."""
    line, modbus_port = FakeLine(), free_port()
    udp = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    udp.bind(("127.0.0.1", 0))
    udp.settimeout(0.2)

    def relay(s: RelaySettings) -> Relay:
        return Relay(s, line=lambda _: line)

    with mock.patch.object(panel, "Relay", relay):
        s = settings(folder, head.port, modbus_port, int(udp.getsockname()[1]), broker_port, page_port)
        daemon = Daemon(s, fingerprint(s))
    rig = Rig(daemon, modbus_port, udp, line)
    record = daemon.publisher.record

    def noted(batch: Batch) -> Any:
        now_s = time.monotonic()
        rig.decided += [(now_s, str(e.body["to"])) for e in batch.events if e.body.get("tag") == "transducer-fault"]
        return record(batch)

    def full(*_: object, **__: object) -> list[int]:
        raise StorageError("no space left on the device")

    with mock.patch.object(daemon.publisher, "record", noted):
        with mock.patch.object(daemon.stores.state, "commit", full) if disk_full else contextlib.nullcontext():
            head.start()
            daemon.start()
            stop = threading.Event()
            watcher = threading.Thread(target=lambda: [daemon.watch() for _ in iter(lambda: stop.wait(1.0), True)])
            watcher.start()
            try:
                yield rig
            finally:
                stop.set()
                watcher.join(180)
                daemon.stop()
                udp.close()


def discrete(port: int) -> ModbusClient:
    """A foreign Modbus client."""
    return ModbusClient(host="127.0.0.1", port=port, unit_id=1, auto_open=True, timeout=PATIENCE_S)
