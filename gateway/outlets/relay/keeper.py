"""The relay's keeper: a small process that holds the line and lets it drop when the daemon dies or hangs.

The daemon writes `1` or `0` to its input at least once a second. End of input (the daemon died, however) or silence
(it hangs, whole) drops the line. It writes `ready` on its output, or why not. Arguments:
`gpio CHIP LINE high|low SECONDS` or `rts PORT SECONDS`.
"""

import os
import select
import signal
import sys
from collections.abc import Sequence
from types import FrameType

from gateway.model.errors import PortError
from gateway.outlets.relay.lines import GpioLine, RelayLine, RtsLine

EX_IOERR = 74


def watch(fd: int, line: RelayLine, dead_after_s: float) -> None:
    """Follow what comes on `fd` until its end; the line drops at the end and when nothing came for `dead_after_s`."""
    poll = select.poll()
    poll.register(fd, select.POLLIN)
    try:
        line.set(False)
        while True:
            if not poll.poll(dead_after_s * 1000):
                line.set(False)
                continue
            data = os.read(fd, 256)
            if not data:
                return
            line.set(data.endswith(b"1"))
    finally:
        line.close()


def open_line(words: Sequence[str]) -> RelayLine:
    """The line that the arguments name. Raises PortError."""
    if words[0] == "gpio":
        return GpioLine(words[1], int(words[2]), words[3] == "low")
    return RtsLine(words[1])


def main(words: Sequence[str]) -> int:
    """Run until the input ends; exit status 74 where the line cannot be had or is lost."""
    signal.signal(signal.SIGTERM, _leave)
    try:
        line = open_line(words)
        os.write(1, b"ready\n")
        watch(0, line, float(words[-1]))
    except PortError as e:
        return _failed(str(e))
    except Exception as e:  # no traceback reaches a user; the daemon reports what this prints
        return _failed(f"relay: its keeper failed: {type(e).__name__}: {e}")
    return 0


def _failed(text: str) -> int:
    os.write(1, f"{text}\n".encode())
    return EX_IOERR


def _leave(signum: int, frame: FrameType | None) -> None:
    raise SystemExit(0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
