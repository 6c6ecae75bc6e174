"""Three foreign clients, two packages and one program, over TCP and over RTU on a pair of pseudo-terminals."""

import shutil
import subprocess
from collections.abc import Iterator

import pytest
from panel_boards import Box, alarm, board, engine
from pty_pair import pty_pair
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pyModbusTCP.client import ModbusClient

from gateway.alarm.table import ROWS
from gateway.encode.registers import discrete_inputs, input_registers
from gateway.model.panel_settings import ModbusRtuSettings, ModbusTcpSettings
from gateway.outlets.modbus.rtu import ModbusRtuServer
from gateway.outlets.modbus.tcp import ModbusTcpServer

FIRST = engine(0, (alarm(3), alarm(9)))
SECOND = engine(1, rpm=-42.5, running_hours=123_456.7)
BOTH = board(FIRST, SECOND)
INPUTS = 100 + len(ROWS)
needs_mbpoll = pytest.mark.skipif(
    shutil.which("mbpoll") is None, reason="mbpoll (Debian package mbpoll) is not installed"
)


@pytest.fixture
def box() -> Box:
    return Box(BOTH)


@pytest.fixture
def tcp(box: Box) -> Iterator[ModbusTcpServer]:
    server = ModbusTcpServer(ModbusTcpSettings(port=0, acknowledge_enabled=True), box.read, box.act, "0.1.0")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def rtu(box: Box) -> Iterator[str]:
    with pty_pair() as (near, far):
        settings = ModbusRtuSettings(port=far, parity="N", acknowledge_enabled=True)
        server = ModbusRtuServer(settings, box.read, box.act, "0.1.0")
        server.start()
        assert server.ready.wait(180)
        yield near
        server.stop()


def converse(client: ModbusTcpClient | ModbusSerialClient, box: Box) -> None:
    for unit, one in ((1, FIRST), (2, SECOND)):
        assert client.read_input_registers(0, count=16, device_id=unit).registers == input_registers(BOTH, one)
        # Many panels read nothing else: the same map.
        assert client.read_holding_registers(0, count=16, device_id=unit).registers == input_registers(BOTH, one)
        assert client.read_discrete_inputs(0, count=INPUTS, device_id=unit).bits[:INPUTS] == discrete_inputs(BOTH, one)
    assert client.read_coils(0, count=1, device_id=1).bits[0] is False
    assert client.read_input_registers(16, count=1, device_id=1).exception_code == 2
    assert client.write_coil(1, True, device_id=1).exception_code == 2
    assert not client.write_coils(103, [True] * 7, device_id=1).isError()
    assert [act[:3] for act in box.acts] == [("acknowledge", "engine-0", 3), ("acknowledge", "engine-0", 9)]
    identity = client.read_device_information(read_code=2, object_id=0, device_id=1)
    assert identity.information[2] == b"0.1.0" and identity.information[4] == b"camdrift"


def test_pymodbus_over_tcp(tcp: ModbusTcpServer, box: Box) -> None:
    """Pins that another implementation reads both engines, the exceptions, the coils and the identity alike."""
    with ModbusTcpClient("127.0.0.1", port=tcp.port, timeout=180) as client:
        converse(client, box)


def test_pymodbus_over_rtu(rtu: str, box: Box) -> None:
    """Pins the same conversation over a serial line."""
    with ModbusSerialClient(rtu, framer=FramerType.RTU, baudrate=19_200, timeout=180, retries=0) as client:
        converse(client, box)


def test_pymodbustcp(tcp: ModbusTcpServer, box: Box) -> None:
    """Pins a third implementation over TCP."""
    client = ModbusClient("127.0.0.1", tcp.port, unit_id=2, timeout=180)
    assert client.read_input_registers(0, 16) == input_registers(BOTH, SECOND)
    assert client.read_discrete_inputs(0, INPUTS) == discrete_inputs(BOTH, SECOND)
    client.unit_id = 1
    assert client.write_single_coil(0, True)
    assert client.read_input_registers(0, 0x7D) is None
    assert client.last_except == 2
    client.close()
    assert [act[:3] for act in box.acts] == [("acknowledge-all", "engine-0", None)]


def mbpoll(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["mbpoll", "-0", "-1", *arguments], capture_output=True, text=True, timeout=180, check=False)


def values(output: str) -> list[int]:
    """The figures of mbpoll's lines `[3]: \\t884`; a negative reading follows in brackets."""
    lines = [line.split(":", 1)[1] for line in output.splitlines() if line.startswith("[")]
    return [int(text.split()[0]) for text in lines]


@needs_mbpoll
def test_mbpoll_over_tcp(tcp: ModbusTcpServer, box: Box) -> None:
    """Pins Debian's client program over TCP: registers, inputs, one coil, failure on a missing register."""
    where = ("-m", "tcp", "-p", str(tcp.port), "127.0.0.1")
    assert values(mbpoll("-a", "2", "-t", "3", "-r", "0", "-c", "16", *where).stdout) == input_registers(BOTH, SECOND)
    bits = mbpoll("-a", "1", "-t", "1", "-r", "0", "-c", str(INPUTS), *where).stdout
    assert values(bits) == [int(bit) for bit in discrete_inputs(BOTH, FIRST)]
    assert mbpoll("-a", "1", "-t", "0", "-r", "103", *where, "1").returncode == 0
    assert [act[:3] for act in box.acts] == [("acknowledge", "engine-0", 3)]
    assert "Illegal data address" in mbpoll("-a", "1", "-t", "3", "-r", "16", "-c", "1", *where).stderr


@needs_mbpoll
def test_mbpoll_over_rtu(rtu: str, box: Box) -> None:
    """Pins the same program over a serial line, and that it hears nothing from a unit that is not ours."""
    line = ("-m", "rtu", "-b", "19200", "-P", "none", rtu)
    assert values(mbpoll("-a", "1", "-t", "3", "-r", "0", "-c", "16", *line).stdout) == input_registers(BOTH, FIRST)
    assert mbpoll("-a", "2", "-t", "0", "-r", "0", *line, "1").returncode == 0
    assert box.acts == []
    assert "timed out" in mbpoll("-a", "9", "-t", "3", "-r", "0", "-c", "1", "-o", "0.2", *line).stderr
