"""A function called in an interpreter of its own, so that what it brings in does not stay in the daemon's memory."""

import os
import pickle
import subprocess
import sys
import threading
from importlib import import_module
from typing import Any

from gateway.model.errors import CamdriftError, PortError

TIMEOUT_S = 60.0
"""A small box under load needs seconds to start an interpreter; one that hangs must not hang the caller."""


def apart(module: str, function: str, *arguments: object, timeout_s: float = TIMEOUT_S) -> Any:
    """`module.function(*arguments)`; arguments and result must pickle.

    Where the module is in this process already, it is called here. Raises what the function raises of our own errors,
    and PortError where the other interpreter does not start, ends without an answer, or does not end in time.
    """
    if module in sys.modules:
        return getattr(sys.modules[module], function)(*arguments)
    asked = pickle.dumps((module, function, arguments))
    # Modules come from where they come from here, and never from the present folder unless they do here.
    command = [sys.executable, "-P", "-m", __name__]
    env = os.environ | {"PYTHONPATH": os.pathsep.join(place or os.getcwd() for place in sys.path)}
    try:
        status, said, errors = _run(command, env, asked, timeout_s)
    except OSError as e:
        raise PortError(f"a second interpreter cannot check {function}: {e}; is there memory left?") from None
    if status or not said:
        last = errors.decode(errors="replace").strip().splitlines()[-1:]
        why = f"was killed, for want of memory or since it did not end in {timeout_s:g} s" if status < 0 else "failed"
        raise PortError(f"the interpreter that should check {function} {why}: {' '.join(last) or status}")
    good, answer = pickle.loads(said)  # noqa: S301 - our own child's answer, over a pipe that nobody else has
    if good:
        return answer
    raise answer


def _run(command: list[str], env: dict[str, str], asked: bytes, timeout_s: float) -> tuple[int, bytes, bytes]:
    """Exit status, stdout, stderr. Raises OSError."""
    pipe = subprocess.PIPE
    with subprocess.Popen(command, env=env, stdin=pipe, stdout=pipe, stderr=pipe) as child:
        # Not by the time-out of `communicate`: that one naps and looks, and where the clock is faked, naps are refused.
        watch = threading.Timer(timeout_s, child.kill)
        watch.start()
        try:
            said, errors = child.communicate(asked)
        finally:
            watch.cancel()
        return child.returncode, said, errors


def main() -> None:
    """The other interpreter: the question on stdin, the answer on stdout."""
    module, function, arguments = pickle.load(sys.stdin.buffer)  # noqa: S301 - from our own parent
    try:
        answer = (True, getattr(import_module(module), function)(*arguments))
    except CamdriftError as e:
        answer = (False, e)
    sys.stdout.buffer.write(pickle.dumps(answer))


if __name__ == "__main__":
    main()
