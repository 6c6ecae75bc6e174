"""Warnings for `camdrift check` about the outlets: what is allowed but looks like a slip. Each names what to do."""

from collections import defaultdict
from collections.abc import Iterator

from gateway.model.settings import Settings

ALL_ADDRESSES = ("0.0.0.0", "::", "0:0:0:0:0:0:0:0", "*", "")
UNSET_MNEMONIC = "XXX"


def outlet_warnings(settings: Settings) -> list[str]:
    """Plain sentences, one per slip, empty where there is none."""
    return [*_shared_devices(settings), *_open_panels(settings), *_unset_mnemonics(settings)]


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


def _unset_mnemonics(s: Settings) -> list[str]:
    return [
        f"sentences.{n}: mnemonic is not set ({UNSET_MNEMONIC} belongs to nobody); set the one that the panel expects"
        for n, out in enumerate(s.sentences)
        if out.mnemonic == UNSET_MNEMONIC
    ]
