"""What panel and relay saw during an attack: a small Modbus client of its own, and a line that remembers."""

import contextlib
import os
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

TRANSDUCER_FAULT = 13
PANEL_ADDRESS = "127.0.0.9"
"""All of 127.0.0.0/8 is this machine: attackers come from other addresses than the panel."""

LOOK_S = 0.05
LATE_S = 0.1
"""Shorter delays of the machine are not noted."""

FAKE_GPIOD = '''
"""A GPIO line that appends each change to the file CAMDRIFT_RELAY_FILE: monotonic seconds and 1 or 0."""
import os, time

class line:
    class Value:
        ACTIVE, INACTIVE = 1, 0
    class Direction:
        OUTPUT = "out"

class LineSettings:
    def __init__(self, **settings):
        self.settings = settings

class _Request:
    def __init__(self):
        self._last = None
    def set_value(self, _line, value):
        if value != self._last:
            self._last = value
            with open(os.environ["CAMDRIFT_RELAY_FILE"], "a") as file:
                file.write(f"{time.monotonic()} {value}\\n")
    def release(self):
        self.set_value(0, 0)

def request_lines(chip, consumer=None, config=None):
    return _Request()
'''


class ModbusPanel:
    """Asks as a panel does. Raises OSError when the connection is gone or not answered within two seconds."""

    def __init__(self, port: int, source: str = PANEL_ADDRESS) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), 2.0, source_address=(source, 0))
        self._count = 0

    def _ask(self, pdu: bytes) -> bytes:
        self._count = (self._count + 1) & 0xFFFF
        self._socket.sendall(struct.pack(">HHHB", self._count, 0, len(pdu) + 1, 1) + pdu)
        header = self._exactly(7)
        answer = self._exactly(struct.unpack(">H", header[4:6])[0] - 1)
        if answer[0] & 0x80:
            raise OSError(f"exception {answer[1]:02X}")
        return answer

    def _exactly(self, n: int) -> bytes:
        data = b""
        while len(data) < n:
            more = self._socket.recv(n - len(data))
            if not more:
                raise OSError("the server closed the connection")
            data += more
        return data

    def discrete(self, address: int) -> bool:
        """One discrete input."""
        return bool(self._ask(struct.pack(">BHH", 2, address, 1))[2] & 1)

    def register(self, address: int) -> int:
        """One input register."""
        return int(struct.unpack(">H", self._ask(struct.pack(">BHH", 4, address, 1))[2:4])[0])

    def acknowledge(self, no: int) -> None:
        """Write the coil of one alarm."""
        self._ask(struct.pack(">BHH", 5, 100 + no, 0xFF00))

    def close(self) -> None:
        """Leave."""
        self._socket.close()


def watching(port: int, file: Path) -> None:
    """Ask the discrete input of the planted alarm 20 times a second and acknowledge what has returned, for ever.

    Appends to `file`: monotonic seconds and what was seen then, `1` or `0` at each change, `again` when the panel had
    to connect again, `late S` when the machine let this process run S seconds after it was due.
    """
    with file.open("a", encoding="ascii") as out:

        def note(what: str) -> None:
            out.write(f"{time.monotonic()} {what}\n")
            out.flush()

        last = ""
        while True:
            try:
                with contextlib.closing(ModbusPanel(port)) as panel:
                    while True:
                        due_s = time.monotonic() + LOOK_S
                        time.sleep(LOOK_S)
                        if (late_s := time.monotonic() - due_s) > LATE_S:
                            note(f"late {late_s:.3f}")
                        if (now := str(int(panel.discrete(TRANSDUCER_FAULT)))) != last:
                            note(now)
                            last = now
                        if panel.discrete(100 + TRANSDUCER_FAULT):
                            panel.acknowledge(TRANSDUCER_FAULT)
            except OSError:
                note("again")
                time.sleep(LOOK_S)


class Watch:
    """The panel, in a process of its own: it shares no interpreter with the attackers, which would delay it."""

    def __init__(self, port: int, folder: Path) -> None:
        self._file = folder / "panel"
        words = [sys.executable, "-m", "tests.attack.panel", str(port), str(self._file)]
        self._child = subprocess.Popen(words, cwd=Path(__file__).parents[2])

    def _noted(self) -> list[tuple[float, str]]:
        lines = self._file.read_text(encoding="ascii").split("\n")[:-1] if self._file.exists() else []
        return [(float(at), what) for at, _, what in (line.partition(" ") for line in lines)]

    @property
    def seen(self) -> list[tuple[float, bool]]:
        """Monotonic time and state of each change."""
        return [(t, what == "1") for t, what in self._noted() if what in ("0", "1")]

    @property
    def failed(self) -> int:
        """How often the panel had to connect again."""
        return sum(what == "again" for _, what in self._noted())

    def machine_s(self, from_s: float, to_s: float) -> float:
        """The longest time for which the machine did not let a process run that was due, between these monotonic
        times: a delay that no attack on the daemon makes. 0 where it was never above LATE_S."""
        late = [(t, float(what[5:])) for t, what in self._noted() if what.startswith("late ")]
        return max((s for t, s in late if t >= from_s and t - s <= to_s), default=0.0)

    def end(self) -> None:
        """Stop asking."""
        self._child.kill()
        self._child.wait(10)


class RelayFile:
    """The relay's line in this folder: give `env` to the daemon."""

    def __init__(self, folder: Path) -> None:
        package = folder / "line" / "gpiod"
        package.mkdir(parents=True)
        (package / "__init__.py").write_text(FAKE_GPIOD, encoding="utf-8")
        self._file = folder / "relay"
        path = os.pathsep.join([str(package.parent), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
        self.env = {"CAMDRIFT_RELAY_FILE": str(self._file), "PYTHONPATH": path}

    def changes(self) -> Iterator[tuple[float, bool]]:
        """Monotonic time and level of each change."""
        if self._file.exists():
            for line in self._file.read_text(encoding="ascii").splitlines():
                at_s, _, level = line.partition(" ")
                yield float(at_s), level == "1"


def delays_s(broken_s: list[float], changes: list[tuple[float, bool]], level: bool, other_reason: bool) -> list[float]:
    """From each break to the first moment at which `changes` shows `level`; infinite where it never does.

    A level that already stood at the break counts as shown then, where that can have another reason: `other_reason`.
    Otherwise nothing was seen of this break, which counts as never.
    """
    found = []
    for n, at_s in enumerate(broken_s):
        until_s = broken_s[n + 1] if n + 1 < len(broken_s) else float("inf")
        before = [on for t, on in changes if t <= at_s]
        if before and before[-1] is level:
            found.append(0.0 if other_reason else float("inf"))
            continue
        found.append(next((t - at_s for t, on in changes if at_s < t < until_s and on is level), float("inf")))
    return found


if __name__ == "__main__":
    watching(int(sys.argv[1]), Path(sys.argv[2]))
