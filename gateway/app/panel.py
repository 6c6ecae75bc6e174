"""The ship's alarm panel: Modbus, sentences and relays, all reading the one board and sending acts one way."""

import sys
from collections.abc import Callable
from typing import Protocol

from gateway import __version__
from gateway.model.settings import Settings
from gateway.model.snapshot import ActSender, Snapshot, SnapshotReader
from gateway.outlets.relay.relay import Relay, may_energise

SWITCH_S = 0.001
"""How long one thread may keep the interpreter from another: with the usual 5 ms, a busy pipeline would let a Modbus
reader wait for more than the 20 ms that a panel expects (measured: 54 ms against 9 ms for 99 of 100)."""


class PanelPort(Protocol):
    """What all of them have. `fault`: plain words, empty when well."""

    name: str

    @property
    def fault(self) -> str: ...

    def start(self) -> None: ...

    def stop(self) -> object: ...


class Panel:
    """Starts and stops the panel's ports; none of them needs broker, disk or network ashore."""

    def __init__(self, settings: Settings, board: SnapshotReader, act: ActSender) -> None:
        self.ports: list[PanelPort] = []
        # Brought in only where they are wanted: the Modbus server's event loop alone takes some megabytes.
        if settings.modbus_tcp is not None:
            from gateway.outlets.modbus.tcp import ModbusTcpServer

            self.ports.append(ModbusTcpServer(settings.modbus_tcp, board, act, __version__))
        if settings.modbus_rtu:
            from gateway.outlets.modbus.rtu import ModbusRtuServer

            self.ports += [ModbusRtuServer(s, board, act, __version__) for s in settings.modbus_rtu]
        if settings.sentences:
            from gateway.outlets.sentences.port import SentencePort

            self.ports += [SentencePort(s, board, act) for s in settings.sentences]
        self._relays = [(Relay(s), s) for s in settings.relay]
        self.ports += [relay for relay, _ in self._relays]

    def start(self) -> None:
        """Start all. Raises PortError where the Modbus TCP port cannot be had; the others try again by themselves."""
        if self.ports:
            sys.setswitchinterval(SWITCH_S)
        for port in self.ports:
            port.start()

    def stop(self) -> None:
        """Stop all; the relays last, so that they fall when all else is over."""
        for port in self.ports:
            port.stop()

    def keeper(self, slug: str) -> Callable[[Snapshot], None]:
        """What the thread of engine `slug` calls once a turn: holds its relay, or lets it fall."""
        mine = [(relay, s) for relay, s in self._relays if s.engine == slug]

        def keep(board: Snapshot) -> None:
            for relay, s in mine:
                relay.keep(may_energise(board, slug, s.cautions))

        return keep

    def faults(self) -> dict[str, str]:
        """Ports that are not well, and why."""
        return {port.name: port.fault for port in self.ports if port.fault}
