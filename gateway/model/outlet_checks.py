"""Warnings for `camdrift check` about the outlets: what is allowed but looks like a slip. Each names what to do."""

from collections import defaultdict
from collections.abc import Iterator

from gateway.model.settings import Settings

ALL_ADDRESSES = ("0.0.0.0", "::", "0:0:0:0:0:0:0:0", "*", "")
ONLY_HERE = ("127.0.0.1", "::1", "localhost")
PRIVILEGED = 1_024
UNSET_MNEMONIC = "XXX"


def outlet_warnings(settings: Settings) -> list[str]:
    """Plain sentences, one per slip, empty where there is none."""
    return [
        *_shared_devices(settings),
        *_open_panels(settings),
        *_unset_mnemonics(settings),
        *_engines_without_relay(settings),
        *_modbus(settings),
        *_sentences(settings),
    ]


def _devices(s: Settings) -> Iterator[tuple[str, str]]:
    """Each device that a part opens: its path, and which part of the settings names it."""
    for h in s.head:
        if "://" not in h.port:
            yield h.port, f"head {h.slug}"
    for n, rtu in enumerate(s.modbus_rtu):
        yield rtu.port, f"modbus_rtu.{n}"
    for n, out in enumerate(s.sentences):
        if out.port is not None:
            yield out.port, f"sentences.{n}"
    for n, relay in enumerate(s.relay):
        if relay.through == "rts" and relay.port is not None:
            yield relay.port, f"relay.{n}"
        elif relay.through == "gpio":
            yield f"line {relay.line} of {relay.chip}", f"relay.{n}"


def _ports(s: Settings) -> Iterator[tuple[str, str]]:
    """Each TCP and UDP port that a part listens on; 0 is any free one."""
    if s.modbus_tcp is not None and s.modbus_tcp.port:
        yield f"TCP port {s.modbus_tcp.port}", "modbus_tcp"
    if s.page.enabled and s.page.port:
        yield f"TCP port {s.page.port}", "page"
    for n, out in enumerate(s.sentences):
        if out.receive_port:
            yield f"UDP port {out.receive_port}", f"sentences.{n}"


def _shared_devices(s: Settings) -> list[str]:
    users: dict[str, list[str]] = defaultdict(list)
    for device, user in (*_devices(s), *_ports(s)):
        users[device].append(user)
    return [
        f"{device} is used by {' and '.join(who)}; give each a device of its own"
        for device, who in users.items()
        if len(who) > 1
    ]


def _open_panels(s: Settings) -> list[str]:
    tcp = s.modbus_tcp
    if tcp is None or not tcp.acknowledge_enabled or tcp.acknowledge_from or tcp.listen not in ALL_ADDRESSES:
        return []
    return [
        "modbus_tcp listens on all addresses and anybody may acknowledge; set listen to the panel network's address, "
        "or name the panels in acknowledge_from"
    ]


def _engines_without_relay(s: Settings) -> Iterator[str]:
    relays = {r.engine for r in s.relay}
    for e in s.engine:
        if relays and e.slug not in relays:
            yield f"engine {e.slug} has no relay and another engine has one; add a [[relay]] if the panel needs it"


def _modbus(s: Settings) -> Iterator[str]:
    tcp = s.modbus_tcp
    if tcp is not None:
        if tcp.listen in ONLY_HERE:
            yield (
                f"modbus_tcp: listen is {tcp.listen}, so only this computer can read; "
                "set listen to this computer's address on the panel network"
            )
        if 0 < tcp.port < PRIVILEGED:
            yield (
                f"modbus_tcp: port {tcp.port} is below {PRIVILEGED} and the service may not open it; "
                "set port to 1502 and name that port to the panel's maker"
            )
        if tcp.acknowledge_from and not tcp.acknowledge_enabled:
            yield (
                "modbus_tcp: acknowledge_from has no effect while acknowledge_enabled is false; "
                "set acknowledge_enabled = true, or remove acknowledge_from"
            )
    for n, rtu in enumerate(s.modbus_rtu):
        if rtu.parity == "N" and rtu.stop_bits == 1:
            yield (
                f"modbus_rtu.{n}: no parity with 1 stop bit; without parity the serial line guide of Modbus "
                "has 2 (V1.02, 2.5.1). Set stop_bits = 2, or ask the panel's maker"
            )


def _sentences(s: Settings) -> Iterator[str]:
    for n, out in enumerate(s.sentences):
        if out.transport != "udp":
            continue
        if out.accept and out.receive_port is None:
            yield (
                f"sentences.{n}: accept is true and receive_port is not set, so no acknowledgement can arrive; "
                "set receive_port, or accept = false"
            )
        if out.interface.is_unspecified:
            yield (
                f"sentences.{n}: interface is not set, so the datagrams leave by the default route; "
                "set interface to this computer's address on the panel network"
            )


def _unset_mnemonics(s: Settings) -> list[str]:
    return [
        f"sentences.{n}: mnemonic is not set ({UNSET_MNEMONIC} belongs to nobody); set the one that the panel expects"
        for n, out in enumerate(s.sentences)
        if out.mnemonic == UNSET_MNEMONIC
    ]
