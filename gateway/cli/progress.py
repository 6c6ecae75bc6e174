"""How far long work has come, with the time left: on a terminal only, by a library that is loaded only there.

Nothing is shown where stderr is piped, where the lines of the work itself go to the terminal, where the library of
the extra `terminal` is not installed, and of work that is over at once.
"""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout
from typing import Any

SHOWN_AFTER_S = 0.5
UPDATE_EVERY_S = 0.2
KNOWN_FORM = "{desc}  {bar:30}  {percentage:3.0f}%  time left {remaining}"
UNKNOWN_FORM = "{desc}: {n:,.0f}"
Moved = Callable[[float], None]
"""Call it with how much is done by now, in the unit of the total."""


def _nothing(_done: float) -> None:
    return


@contextmanager
def progress(
    what: str, total: float | None = None, *, lines_on_stdout: bool = False, below_lines: bool = False
) -> Iterator[Moved]:
    """`what`: the work in a few words; `total` `None`: not known, so the count is shown and no time left.

    `lines_on_stdout`: the work prints data there; on a terminal those lines show how far it is. `below_lines`: its
    lines are few, and the bar stays below them; only where both streams are the terminal.
    """
    on_stdout = sys.stdout.isatty()
    if not sys.stderr.isatty() or (lines_on_stdout and on_stdout) or (below_lines and not on_stdout):
        yield _nothing
        return
    shown = _Shown(what, total, below_lines)
    try:
        yield shown.moved
    finally:
        shown.end()


class _Shown:
    """A bar that appears only once the work has taken a while."""

    def __init__(self, what: str, total: float | None, below_lines: bool) -> None:
        self._what, self._total, self._below_lines = what, total, below_lines
        self._began_s, self._due_s = time.time(), time.monotonic() + SHOWN_AFTER_S
        self._bar: Any = None
        self._absent = False
        self._streams = ExitStack()

    def moved(self, done: float) -> None:
        now_s = time.monotonic()
        if now_s < self._due_s or self._absent:
            return
        self._due_s = now_s + UPDATE_EVERY_S
        if self._bar is None and not self._begin():
            return
        self._bar.n = done
        self._bar.refresh()

    def _begin(self) -> bool:
        try:
            from tqdm import tqdm
            from tqdm.contrib import DummyTqdmFile
        except ImportError:
            self._absent = True
            return False
        form = UNKNOWN_FORM if self._total is None else KNOWN_FORM
        # Below lines: both streams are the terminal, and the bar is cleared only for lines of its own stream.
        file = sys.stdout if self._below_lines else sys.stderr
        # Rate and time left by all of the work so far, from its beginning.
        self._bar = tqdm(desc=self._what, total=self._total, bar_format=form, leave=False, file=file, smoothing=0.0)
        self._bar.start_t = self._began_s
        if self._below_lines:
            # The work's own lines go out above it.
            self._streams.enter_context(redirect_stdout(DummyTqdmFile(file)))
            self._streams.enter_context(redirect_stderr(DummyTqdmFile(file)))
        return True

    def end(self) -> None:
        self._streams.close()
        if self._bar is not None:
            self._bar.close()
