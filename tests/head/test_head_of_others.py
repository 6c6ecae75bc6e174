"""A head that somebody else has built from the link's definition alone, in other ways than ours: absolute encoders,
other sizes of frames, no tail, nothing fitted, any boot number. Its own encoder shares no code with ours."""

import binascii
import math
import socket
import struct
import threading
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import daemon_rig
import pytest

from gateway.outlets.control_client import ask
from tests.drive_engines import TERN
from tests.waiting import until

RPM, LATE_DEG, ZERO_DEG, LOOP_MA = 88.0, 1.37, 17.35, 10.2


class OtherHead:
    """Frames written down from the definition. `size`: samples in a frame; `interval_us`: between them."""

    def __init__(self, size: int, interval_us: int, *, first_sequence: int, boot: int, name: bytes) -> None:
        self.size, self.interval_us, self.name = size, interval_us, name
        self.sequence, self.boot, self.turns = first_sequence, boot, 0.25

    def frame(self, kind: int, us: int, body: bytes) -> bytes:
        payload = struct.pack("<BBHIQ", 1, kind, self.sequence & 0xFFFF, self.boot, us) + body
        self.sequence += 1
        return stuffed(payload + struct.pack("<I", binascii.crc32(payload))) + b"\0"

    def stream(self, seconds: float) -> Iterator[bytes]:
        """Identity at the start and each 10 s, health each second with nothing fitted but the count of turns."""
        us, next_health, next_identity = 0, 0, 0
        while us < seconds * 1e6:
            if us >= next_identity:
                next_identity += 10_000_000
                what = struct.pack("<IHHIII", 99, 7, 3, self.interval_us * 1_000, 262_144, 262_144)
                yield self.frame(1, us, what + self.name.ljust(16, b"\0"))
            if us >= next_health:
                next_health += 1_000_000
                none = (0x7FFF, 0x7FFF, 0x7FFF, 0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF, 0xFFFF)
                yield self.frame(3, us, struct.pack("<3h5HI", *none, int(self.turns - 0.25)))
            yield self.frame(2, us, self.samples())
            us += self.size * self.interval_us

    def samples(self) -> bytes:
        rows = []
        for _ in range(self.size):
            cam = self.turns - (ZERO_DEG + LATE_DEG + 0.1 * math.sin(2 * math.pi * self.turns)) / 360
            rows.append(struct.pack("<HHH", int(self.turns * 65_536) & 0xFFFF, int(cam * 65_536) & 0xFFFF,
                                    round(LOOP_MA * 1_000 + 5 * math.sin(37.7 * self.turns))))  # fmt: skip
            self.turns += RPM / 60 * self.interval_us / 1e6
        return struct.pack("<IHBB", self.interval_us * 1_000, self.size, 7, 0) + b"".join(rows)


def stuffed(data: bytes) -> bytes:
    """Cheshire and Baker's encoding, as the paper draws it: each zero becomes the distance to the next."""
    out = bytearray()
    for part in data.split(b"\0"):
        rest = part
        while len(rest) >= 254:
            out += b"\xff" + rest[:254]
            rest = rest[254:]
        out += bytes([len(rest) + 1]) + rest
    return bytes(out)


@pytest.mark.parametrize(
    ("size", "interval_us", "first_sequence", "boot"),
    [(1, 20_000, 0, 0), (256, 1_000, 65_500, 0xFFFF_FFFF), (17, 3_333, 12_345, 4_000_000_000)],
    ids=["one sample a frame, 50 Hz", "256 at 1 kHz, the sequence wraps", "17 at an odd interval"],
)
def test_the_daemon_takes_it(tmp_path: Path, size: int, interval_us: int, first_sequence: int, boot: int) -> None:
    """Over TCP: lag, speed and length are what it was built to send, nothing is lost or refused, and it is named."""
    head = OtherHead(size, interval_us, first_sequence=first_sequence, boot=boot, name="tête".encode())
    data: dict[str, Any] = daemon_rig.example(tmp_path, None)
    data["page"] = {"enabled": False}
    data["time"] = {"source": "head", "start": "2031-01-01T00:00:00Z"}
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(180)
    data["head"][0] |= {"port": f"socket://127.0.0.1:{listener.getsockname()[1]}", "name": "tête"}
    control = tmp_path / "data" / "camdrift.sock"

    def engine() -> dict[str, Any]:
        return dict(ask(control, {"do": "status"})["status"]["engines"]["main"])

    with listener, daemon_rig.daemon(daemon_rig.written(tmp_path, data)):
        wire, _ = listener.accept()
        feeder = threading.Thread(target=lambda: wire.sendall(b"".join(head.stream(120.0))))
        feeder.start()
        until(control.exists, "the daemon is there")
        until(lambda: engine()["revolutions"]["used"] > 80, "it has been heard")
        found = engine()
        feeder.join(180)
        wire.close()
    transducer = tomllib.loads(TERN.read_text(encoding="utf-8"))["engine"][0]["transducer"]
    low, high = transducer["at_4ma_mm"], transducer["at_20ma_mm"]
    assert found["rpm"] == pytest.approx(RPM, abs=0.2)
    assert found["lag_deg"]["value"] == pytest.approx(LATE_DEG, abs=0.02) and found["lag_deg"]["quality"] == "good"
    assert found["spring_mm"]["value"] == pytest.approx(low + (LOOP_MA - 4) * (high - low) / 16, abs=0.02)
    assert found["link"]["lost"] == 0 and not any(found["link"]["refused"].values())
    assert found["head"]["name"] == "tête" and found["head"]["slips"] == [None, None]
