"""The list that the panel's maker needs: every register, discrete input, coil, alert identifier and sentence.

One row a signal, in the columns of COLUMNS; what is the same for all ships (`deploy/PANEL.md`) and what these settings
make of it. The register map itself is `gateway.encode.registers`; a test reads every row back from there.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields

from gateway.alarm.table import ROWS
from gateway.alarm.wording import WORDS, short_text
from gateway.encode.registers import ACKNOWLEDGE_BASE
from gateway.encode.sentences import CATEGORY, TALKER, alert_id
from gateway.model.panel_settings import SentenceSettings
from gateway.model.settings import Settings

HIGH_WORD_FIRST = "32 bit, high word first"


@dataclass(frozen=True, slots=True)
class Signal:
    """One row. `address` 0-based; `scale`: raw = figure × scale; `unknown`: the raw value for "not known"."""

    kind: str
    address: str
    signal: str
    unit: str = ""
    scale: str = ""
    number: str = ""
    unknown: str = ""
    priority: str = ""
    text: str = ""


COLUMNS = tuple(f.name for f in fields(Signal))
_U16, _S16 = "16 bit unsigned", "16 bit signed"
_NOT_KNOWN_S, _NOT_KNOWN_U = "0x8000", "0xFFFF"


def _register(address: str, signal: str, unit: str, scale: str, number: str, unknown: str, text: str = "") -> Signal:
    return Signal("input register", address, signal, unit, scale, number, unknown, text=text)


REGISTERS = (
    _register("0", "map version", "", "1", _U16, "", "1"),
    _register("1", "heartbeat", "", "1", _U16, "", "one more each second; stands still: alarm at the panel"),
    _register(
        "2", "running", "", "1", _U16, "0", "0 unknown, 1 stopped, 2 turning, 3 changing, 4 ahead, 5 astern"
    ),
    _register("3", "engine speed", "rpm", "10", _S16, _NOT_KNOWN_S, "astern negative"),
    _register("4", "spring length", "mm", "100", _S16, _NOT_KNOWN_S),
    _register("5", "compression of the spring", "mm", "100", _S16, _NOT_KNOWN_S),
    _register("6", "lag of the camshaft", "deg", "1000", _S16, _NOT_KNOWN_S, "late positive"),
    _register("7", "elongation of the chain", "%", "1000", _S16, _NOT_KNOWN_S),
    _register("8", "slap, peak to peak", "mm", "100", _S16, _NOT_KNOWN_S),
    _register("9", "hours to the nearest limit, earliest (1 in 20)", "h", "1", _U16, _NOT_KNOWN_U, "65534: or more"),
    _register("10-11", "running hours", "h", "10", HIGH_WORD_FIRST, "0xFFFFFFFF"),
    _register("12", "alarms that stand", "", "1", _U16, ""),
    _register("13", "alarms not yet acknowledged", "", "1", _U16, ""),
    _register(
        "14", "highest priority that stands", "", "1", _U16, "",
        "0 none, 1 caution, 2 warning, 3 alarm, 4 emergency alarm",
    ),
    _register(
        "15", "quality bits", "", "1", _U16, "",
        "bit 0 spring good, 1 lag good, 2 sensor head heard, 3 delivery flowing",
    ),
)  # fmt: skip
"""Functions 4 and 3, the same for every engine; engine n (from 0) has unit identifier n + 1."""


def signals(settings: Settings | None = None) -> Iterator[Signal]:
    """Every row; with settings, priorities as these have them, and the outlets and engines by name."""
    if settings is not None:
        yield from outlets(settings)
    yield from REGISTERS
    for row in ROWS:
        yield Signal("discrete input", str(row.no), f"{row.tag} stands", priority=priority_of(row.tag, settings),
                     text=WORDS[row.tag].title + _where(row.gateway))  # fmt: skip
    for row in ROWS:
        yield Signal("discrete input", str(ACKNOWLEDGE_BASE + row.no), f"{row.tag} not yet acknowledged")
    yield Signal("coil", "0", "acknowledge all", text="write 1; reads 0; only where acknowledging is enabled")
    for row in ROWS:
        yield Signal("coil", str(ACKNOWLEDGE_BASE + row.no), f"acknowledge {row.tag}", text="write 1; reads 0")
    for row in ROWS:
        yield Signal(
            "alert", str(alert_id(row.no)), row.tag, row.unit, priority=priority_of(row.tag, settings),
            text=f"{row.title} | {short_text(row.tag, None, None)}",
        )  # fmt: skip


def _where(gateway: bool) -> str:
    return "; of the gateway, the same at every engine" if gateway else ""


def priority_of(tag: str, settings: Settings | None) -> str:
    """The priority of an alarm in these settings; where engines differ, of each of them by name."""
    row = next(r for r in ROWS if r.tag == tag)
    if settings is None:
        return row.priority.value
    tunings = [settings.alarms.get(tag)] if row.gateway else [e.alarms.get(tag) for e in settings.engine]
    found = [(t.priority if t is not None and t.priority else row.priority).value for t in tunings]
    return (
        found[0]
        if len(set(found)) == 1
        else ", ".join(f"{e.slug} {p}" for e, p in zip(settings.engine, found, strict=True))
    )


def outlets(settings: Settings) -> Iterator[Signal]:
    """Units, ports, sentences and relays of these settings."""
    for n, engine in enumerate(settings.engine):
        yield Signal("unit identifier", str(n + 1), f"engine {engine.slug}")
    tcp = settings.modbus_tcp
    if tcp is not None:
        yield Signal("Modbus TCP", f"{tcp.listen}:{tcp.port}", _acknowledging(tcp.acknowledge_enabled))
    for rtu in settings.modbus_rtu:
        line = f"{rtu.baud} baud, 8{rtu.parity}{rtu.stop_bits}"
        yield Signal("Modbus RTU", rtu.port, _acknowledging(rtu.acknowledge_enabled), text=line)
    for sentence in settings.sentences:
        yield _sentences(sentence)
    for relay in settings.relay:
        where = f"{relay.chip} line {relay.line}" if relay.through == "gpio" else f"RTS of {relay.port}"
        text = "energised: healthy and no alarm" + ("; cautions drop it too" if relay.cautions else "")
        yield Signal("relay", where, f"engine {relay.engine}", text=text)


def _acknowledging(enabled: bool) -> str:
    return "reading and acknowledging" if enabled else "reading only"


def _sentences(s: SentenceSettings) -> Signal:
    where = f"{s.port}, {s.baud} baud" if s.transport == "serial" else f"UDP {s.group}:{s.udp_port}, {s.sfi}"
    out = "ALF, ALC, ARC, HBT" if s.dialect == "alf" else "ALR, HBT"
    taken = ("ACN" if s.dialect == "alf" else "ACK") if s.accept else "nothing"
    text = f"talker {TALKER}, mnemonic {s.mnemonic}, category {CATEGORY}; accepts {taken}"
    text += f"; HBT every {s.heartbeat_every_s:g} s"
    return Signal("sentences", where, out, text=text)
