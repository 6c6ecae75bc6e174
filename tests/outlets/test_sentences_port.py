"""The outlet on a pseudo-terminal and on loopback datagrams."""

import os
import socket
import time
from collections.abc import Callable, Sequence

import pytest
from panel_boards import Box, alarm, board, engine
from pty_pair import one_pty, read_some
from pynmeagps import NMEAReader

from gateway.encode.sentence_lines import LineSplitter, Sentence, compose, datagram, lines_of, parse
from gateway.model.enums import AlarmState, Priority
from gateway.model.errors import PortError
from gateway.model.panel_settings import SentenceSettings
from gateway.model.settings_file import checked_section
from gateway.outlets.panel_serial import SerialLine
from gateway.outlets.sentences.carriers import Carrier, SerialCarrier, UdpCarrier
from gateway.outlets.sentences.port import SentencePort

SILENCE = compose(["CAACN", "", "XXX", "10004", "1", "S", "C"]).encode()


def wait_for(true: Callable[[], bool]) -> bool:
    end = time.monotonic() + 180
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.01)
    return False


class Heard:
    """Collects what an outlet says; each line must be readable by pynmeagps too."""

    def __init__(self) -> None:
        self.said: list[Sentence] = []

    def take(self, lines: Sequence[bytes]) -> None:
        for line in lines:
            NMEAReader.parse(line.removesuffix(b"\r") + b"\r\n", validate=1)
            self.said.append(parse(line))

    def states(self) -> list[tuple[str, str]]:
        return [(s.fields[8], s.fields[6]) for s in self.said if s.formatter == "ALF" and s.fields[1] == "1"]


class FakeCarrier(Carrier):
    """Records groups; takes none while `stuck`; its medium needs `busy` seconds for each."""

    def __init__(self, settings: SentenceSettings) -> None:
        self.groups: list[tuple[str, ...]] = []
        self.stuck = False
        self.busy = 0.0
        self.broken = False

    def hear(self, wait_s: float) -> list[tuple[bytes, str]]:
        time.sleep(min(wait_s, 0.01))
        if self.broken:
            self.broken = False
            raise PortError("fake: unplugged")
        return []

    def send(self, lines: Sequence[str]) -> bool:
        if not self.stuck:
            self.groups.append(tuple(lines))
        return not self.stuck

    def busy_s(self, lines: Sequence[str]) -> float:
        return self.busy

    def wake(self) -> None:
        pass

    def close(self) -> None:
        pass


def identifiers(groups: Sequence[tuple[str, ...]]) -> list[str]:
    return [g[0].split(",")[9] for g in groups if g[0].startswith("$ERALF")]


@pytest.mark.parametrize("baud", [4_800, 38_400])
def test_over_a_serial_line(baud: int) -> None:
    """Pins heartbeat, list, alarm, a command after garbage, and its answer on the wire."""
    box, heard, splitter = Box(board()), Heard(), LineSplitter()
    with one_pty() as (fd, name):
        port = SentencePort(SentenceSettings(port=name, baud=baud, accept=True), box.read, box.act)
        port.start()
        assert port.ready.wait(180)

        def says(formatter: str, *state: tuple[str, str]) -> bool:
            heard.take(splitter.feed(read_some(fd, 0.05)))
            return formatter in {s.formatter for s in heard.said} and set(state) <= set(heard.states())

        try:
            assert wait_for(lambda: says("HBT") and says("ALC"))
            box.view = board(engine(0, (alarm(3),)))
            assert wait_for(lambda: says("ALF", ("10004", "V")))
            os.write(fd, b"\xff\x00 noise $CAACN,1*00\r\n" + SILENCE)
            assert wait_for(lambda: says("ALF", ("10004", "S")))
        finally:
            port.stop()
    assert not port.is_alive()
    assert box.acts == [("silence", "engine-0", 3, f"sentences:{name}")]


def test_over_datagrams() -> None:
    """Pins mark, source and a rising line count on loopback, and a command that came as a datagram."""
    box, heard = Box(board(engine(0, (alarm(3),)))), Heard()
    carriers: list[UdpCarrier] = []

    def opened(settings: SentenceSettings) -> Carrier:
        carriers.append(UdpCarrier(settings))
        return carriers[-1]

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as panel:
        panel.bind(("127.0.0.1", 0))
        panel.settimeout(180)
        settings = checked_section(SentenceSettings,
            {"transport": "udp", "group": "127.0.0.1", "udp_port": panel.getsockname()[1], "interface": "127.0.0.1",
             "receive_port": 0, "accept": True}
        )  # fmt: skip
        port = SentencePort(settings, box.read, box.act, carrier=opened)
        port.start()
        try:
            raw = [panel.recv(2_000) for _ in range(4)]
            to = ("127.0.0.1", carriers[0].receive_port or 0)
            panel.sendto(SILENCE, to)  # no datagram of the standard: not heard
            panel.sendto(datagram("CA0001", 1, SILENCE.decode()), to)
            while ("10004", "S") not in heard.states():
                heard.take(lines_of(panel.recv(2_000)))
        finally:
            port.stop()
        host, sender = panel.getsockname()
    assert [data.split(b"*")[0] for data in raw] == [b"UdPbC\0\\s:ER0001,n:%d" % n for n in range(1, 5)]
    assert [s.formatter for data in raw for s in map(parse, lines_of(data))] == ["HBT", "ALF", "ALF", "ALC"]
    assert box.acts == [("silence", "engine-0", 3, f"sentences:{host}:{sender}")]


def test_a_new_alarm_goes_before_what_waits() -> None:
    """Pins in the running port that groups wait here and not in the driver: a new alarm overtakes the flood."""
    flood = tuple(alarm(n, priority=Priority.WARNING) for n in range(20))
    box = Box(board(engine(0, flood)))
    carrier = FakeCarrier(SentenceSettings(port="x"))
    carrier.busy = 0.03
    port = SentencePort(SentenceSettings(port="x"), box.read, box.act, carrier=lambda _: carrier)
    port.start()
    try:
        assert wait_for(lambda: len(identifiers(carrier.groups)) >= 3)
        before = len(identifiers(carrier.groups))
        box.view = board(engine(0, (*flood, alarm(20))))
        assert wait_for(lambda: len(identifiers(carrier.groups)) == 21)
    finally:
        port.stop()
    assert identifiers(carrier.groups).index("10021") <= before + 2


def test_a_stuck_line_is_told_and_the_alarm_is_not_lost() -> None:
    """Pins the fault while nothing is taken, that stop still works, and that the alarm goes out afterwards."""
    box = Box(board())
    carrier = FakeCarrier(SentenceSettings(port="x"))
    port = SentencePort(SentenceSettings(port="x"), box.read, box.act, carrier=lambda _: carrier)
    port.start()
    try:
        assert wait_for(lambda: len(carrier.groups) == 2)
        carrier.stuck = True
        box.view = board(engine(0, (alarm(3),)))
        assert wait_for(lambda: "takes no data" in port.fault)
        carrier.stuck = False
        assert wait_for(lambda: identifiers(carrier.groups) == ["10004"])
        assert wait_for(lambda: port.fault == "")
    finally:
        port.stop()
    assert not port.is_alive()


def test_an_unplugged_line_is_opened_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a failing device is closed, told, opened again, and that what happened meanwhile is said."""
    monkeypatch.setattr("gateway.outlets.port_worker.PAUSE_S_MIN", 0.01)
    box, carriers = Box(board()), list[FakeCarrier]()

    def opened(settings: SentenceSettings) -> Carrier:
        carriers.append(FakeCarrier(settings))
        return carriers[-1]

    port = SentencePort(SentenceSettings(port="x"), box.read, box.act, carrier=opened)
    port.start()
    try:
        assert wait_for(lambda: bool(carriers))
        carriers[0].broken = True
        box.view = board(engine(0, (alarm(3, AlarmState.ACKNOWLEDGED),)))
        assert wait_for(lambda: len(carriers) == 2)
        assert wait_for(lambda: "10004" in identifiers(carriers[0].groups + carriers[1].groups))
    finally:
        port.stop()


def test_a_full_driver_is_not_waited_for() -> None:
    """Pins that a write to a line that nobody reads gives up and says so."""
    with one_pty() as (_, name):
        line = SerialLine(name, 38_400)
        assert line.write(b"x" * 1_000_000, 0.05) is False
        line.close()
        line.close()


def test_the_pace_is_the_line_s() -> None:
    """Pins ten bits a character: a full line takes 171 ms at 4,800 baud and 21 ms at 38,400."""
    with one_pty() as (_, name):
        for baud, wanted in ((4_800, 0.1708), (38_400, 0.02135)):
            carrier = SerialCarrier(SentenceSettings(port=name, baud=baud))
            assert carrier.busy_s(["x" * 82]) == pytest.approx(wanted, rel=1e-3)
            carrier.close()


def test_an_interface_that_is_not_ours_is_told() -> None:
    """Pins a clear error for an address of another machine."""
    settings = checked_section(SentenceSettings, {"transport": "udp", "interface": "192.0.2.1", "receive_port": 0})
    with pytest.raises(PortError, match="check that interface"):
        UdpCarrier(settings)
