"""A command run in the test's own process: what it prints and its exit status, without an interpreter's start.

For what a command says. That each command runs as a process of its own, dies of a signal or stands a closed pipe, is
shown by the tests that start one.
"""

import contextlib
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from gateway.cli.main import main


@dataclass(frozen=True, slots=True)
class Done:
    """How it ended; named as those of a process that has ended."""

    returncode: int
    stdout: str
    stderr: str


def run(command: Callable[[Sequence[str]], int], *words: object) -> Done:
    """Call a command's `main` with `words`; a usage error's SystemExit gives its status. It shows no traceback."""
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="") for _ in range(2))
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            status = command([str(word) for word in words])
        except SystemExit as e:
            status = e.code if isinstance(e.code, int) else int(bool(e.code))
    said = []
    for stream in (out, err):
        stream.flush()
        stream.seek(0)
        said.append(stream.read())
    assert "Traceback" not in said[1]
    return Done(status, *said)


def camdrift(*words: object) -> Done:
    """`camdrift` with these words."""
    return run(main, *words)
