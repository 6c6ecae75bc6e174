"""The script that a handy engineer would write for this job: `struct`, one sample at a time, means over a turn.

It is the rival of `python -m tests.bench`: it reads the same bytes and finds the same figures a revolution, but counts
no losses, judges nothing, keeps nothing. With a port and a broker it runs live, by pyserial and paho, and publishes the
means of each revolution: `python tests/bench/plain_script.py PORT BROKER_PORT`.
"""

import binascii
import json
import struct
import sys
from collections.abc import Iterator

HEAD = struct.Struct("<BBHIQIHBB")
SAMPLE = struct.Struct("<HHH")
SAMPLES = 2


def uncobs(piece: bytes) -> bytes:
    """COBS undone, as the description of it reads."""
    out, at = bytearray(), 0
    while at < len(piece):
        code = piece[at]
        out += piece[at + 1 : at + code]
        at += code
        if code < 0xFF and at < len(piece):
            out.append(0)
    return bytes(out)


class Script:
    """Bytes in, (lag counts, spring µA, slap µA) a revolution out."""

    def __init__(self) -> None:
        self._rest = b""
        self._last = 0
        self._lag: list[int] = []
        self._loop: list[int] = []

    def feed(self, data: bytes) -> Iterator[tuple[float, float, int]]:
        """The revolutions that end in these bytes."""
        pieces = (self._rest + data).split(b"\0")
        self._rest = pieces.pop()
        for piece in pieces:
            frame = uncobs(piece)
            if len(frame) < HEAD.size + 4 or binascii.crc32(frame[:-4]) != int.from_bytes(frame[-4:], "little"):
                continue
            if frame[1] == SAMPLES:
                yield from self._samples(frame[HEAD.size : -4])

    def _samples(self, body: bytes) -> Iterator[tuple[float, float, int]]:
        for crank, cam, loop in SAMPLE.iter_unpack(body):
            if self._last - crank > 32_768 and self._lag:
                yield (
                    sum(self._lag) / len(self._lag),
                    sum(self._loop) / len(self._loop),
                    max(self._loop) - min(self._loop),
                )
                self._lag, self._loop = [], []
            self._last = crank
            self._lag.append((crank - cam + 32_768) % 65_536 - 32_768)
            self._loop.append(loop)


def main(port: str, broker_port: int) -> None:
    """Live, until it is killed."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion
    from serial import Serial

    client = Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", broker_port)
    client.loop_start()
    script = Script()
    with Serial(port, 230_400, timeout=0.1) as line:
        while True:
            for lag, loop, slap in script.feed(line.read(line.in_waiting or 1)):
                client.publish("plain/revolution", json.dumps({"lag": lag, "loop": loop, "slap": slap}))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
