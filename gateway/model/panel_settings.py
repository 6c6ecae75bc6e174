"""The settings of what stands between the gateway and the ship's alarm panel: Modbus, sentences, relay."""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import IPv4Address
from typing import Annotated, Literal

from pydantic import Field

from gateway.model.fields import Finite, Integer, Ipv4, Line, Network, Section, Slug, Switch, in_words, schema_default

PortNumber = Annotated[Integer, Field(ge=1, le=65_535)]


@dataclass(frozen=True, kw_only=True, slots=True)
class ModbusTcpSettings(Section):
    """The Modbus TCP server. Name the panel network's address in `listen`; by default only this machine reads."""

    listen: Line = "127.0.0.1"
    port: Annotated[Integer, Field(ge=0, le=65_535)] = 1502
    """0 = any free port (tests)."""
    acknowledge_enabled: Switch = False
    acknowledge_from: Annotated[list[Network], Field(max_length=32)] = field(
        default_factory=list, metadata=schema_default([])
    )
    """Who may write the coils where that is enabled; empty = everyone who can connect."""
    connections_max: Annotated[Integer, Field(ge=1, le=64)] = 16
    panels: Annotated[list[Network], Field(max_length=16)] = field(default_factory=list, metadata=schema_default([]))
    """Addresses of the ship's own panels: half of the connections are reserved for these."""
    idle_timeout_s: Annotated[Finite, Field(gt=0, le=86_400)] = 300.0


@dataclass(frozen=True, kw_only=True, slots=True)
class ModbusRtuSettings(Section):
    """The Modbus RTU server on a serial line. 19,200 baud with even parity is the serial guide's default."""

    port: Line
    baud: Annotated[Integer, Field(ge=1_200, le=921_600)] = 19_200
    parity: Literal["N", "E", "O"] = "E"
    stop_bits: Literal[1, 2] = 1
    gap_ms: Annotated[Finite, Field(gt=0, le=200)] | None = None
    """Silence that ends a request; left out: 3.5 characters, 1.75 ms above 19,200 baud."""
    acknowledge_enabled: Switch = False


@dataclass(frozen=True, kw_only=True, slots=True)
class SentenceSettings(Section):
    """One outlet of IEC 61162-1 sentences: a serial line, or UDP after IEC 61162-450."""

    transport: Literal["serial", "udp"] = "serial"
    port: Line | None = None
    baud: Literal[4_800, 38_400] = 4_800
    group: Ipv4 = field(default=IPv4Address("239.192.0.1"))
    udp_port: PortNumber = 60_001
    interface: Ipv4 = field(default=IPv4Address("0.0.0.0"))
    """Own address on the network that the datagrams leave by."""
    receive_port: Annotated[Integer, Field(ge=0, le=65_535)] | None = None
    """UDP port on which ACN or ACK is heard; left out: none. 0 = any free port (tests)."""
    receive_group: Ipv4 | None = None
    sfi: Annotated[str, Field(pattern=in_words(r"^[A-Z]{2}[0-9]{4}$", "an identifier such as ER0001"))] = "ER0001"
    """System function identifier in the datagram's tag block."""
    mnemonic: Annotated[str, Field(pattern=in_words(r"^[A-Z]{3}$", "a mnemonic of three capital letters"))] = "XXX"
    """Manufacturer mnemonic; XXX belongs to nobody: set the one that the panel's maker expects."""
    dialect: Literal["alf", "alr"] = "alf"
    """`alf`: ALF, ALC, ARC, HBT. `alr`, older panels: ALR, HBT."""
    accept: Switch = False
    """Whether ACN (dialect `alf`) or ACK (dialect `alr`) is acted on."""
    list_every_s: Annotated[Finite, Field(ge=1, le=120)] = 30.0
    heartbeat_every_s: Annotated[Finite, Field(ge=1, le=999)] = 30.0

    def __post_init__(self) -> None:
        if self.transport == "serial" and self.port is None:
            raise ValueError('transport = "serial" needs port, the serial device')
        if self.transport == "udp" and self.port is not None:
            raise ValueError('port is a serial device; with transport = "udp" set group and udp_port instead')
        if self.receive_group is not None and self.receive_port is None:
            raise ValueError("receive_group needs receive_port")
        if self.receive_port is not None and self.transport == "serial":
            raise ValueError('receive_port belongs to transport = "udp"')


@dataclass(frozen=True, kw_only=True, slots=True)
class RelaySettings(Section):
    """One dry contact for one engine: energised = healthy and no alarm."""

    engine: Slug
    through: Literal["gpio", "rts"]
    chip: Line = "/dev/gpiochip0"
    line: Annotated[Integer, Field(ge=0, le=1_023)] | None = None
    active_low: Switch = False
    port: Line | None = None
    cautions: Switch = False
    """Whether a caution drops the contact too; it may stand for weeks and would hide what comes after."""
    dead_after_s: Annotated[Finite, Field(ge=0.5, le=4.0)] = 3.0
    """The contact drops when nothing has refreshed it for so long."""

    def __post_init__(self) -> None:
        if self.through == "gpio" and self.line is None:
            raise ValueError('through = "gpio" needs line, the number of the GPIO line on the chip')
        if self.through == "rts" and self.port is None:
            raise ValueError('through = "rts" needs port, the serial device whose RTS drives the relay')
        if self.through == "rts" and self.active_low:
            raise ValueError('active_low with through = "rts": a dead box would read as healthy; wire it the other way')
