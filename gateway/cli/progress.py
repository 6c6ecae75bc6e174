"""How far long work has come, with the time left: on a terminal only, by a library that is loaded only there.

Nothing is shown where stderr is piped, where the lines of the work itself go to the terminal, where the library of
the extra `terminal` is not installed, and of work that is over at once.
"""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

SHOWN_AFTER_S = 0.5
UPDATE_EVERY_S = 0.2
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
        self._due_s = time.monotonic() + SHOWN_AFTER_S
        self._bar: Any = None
        self._task: Any = None
        self._absent = False

    def moved(self, done: float) -> None:
        now_s = time.monotonic()
        if now_s < self._due_s or self._absent:
            return
        self._due_s = now_s + UPDATE_EVERY_S
        if self._bar is None and not self._begin():
            return
        self._bar.update(self._task, completed=done)
        if self._total is None:
            self._bar.update(self._task, description=f"{self._what}: {done:,.0f}")

    def _begin(self) -> bool:
        try:
            from rich.console import Console
            from rich.progress import (
                BarColumn,
                Progress,
                ProgressColumn,
                TaskProgressColumn,
                TextColumn,
                TimeRemainingColumn,
            )
        except ImportError:
            self._absent = True
            return False
        columns: tuple[ProgressColumn, ...] = (TextColumn("{task.description}"), BarColumn())
        if self._total is not None:
            columns += (TaskProgressColumn(), TextColumn("time left"), TimeRemainingColumn())
        # Data on a piped stdout must stay there: the library would take it for the terminal's.
        self._bar = Progress(
            *columns,
            console=Console(stderr=True),
            transient=True,
            redirect_stdout=self._below_lines,
            redirect_stderr=self._below_lines,
        )
        self._task = self._bar.add_task(self._what, total=self._total)
        self._bar.start()
        return True

    def end(self) -> None:
        if self._bar is not None:
            self._bar.stop()
