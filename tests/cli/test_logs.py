"""Logs never stop what writes them, and nobody outside decides how long they get."""

import sys
from pathlib import Path

import pytest
import structlog

from gateway.cli.logs import (
    BURST_BYTES,
    BYTES_PER_S,
    ERROR_BYTES,
    EVENT_MAX,
    FIELD_CHARS_MAX,
    KEYS_MAX,
    SAME_MAX,
    WINDOW_S,
    Budget,
    Repeats,
    set_up_logs,
    short_fields,
)


def test_a_stderr_that_is_gone_is_no_fault(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a closed stderr loses the line and nothing else, and that a new one is written to at once."""
    gone = (tmp_path / "gone").open("w")
    monkeypatch.setattr(sys, "stderr", gone)
    set_up_logs()
    log = structlog.get_logger("test")
    log.warning("before")
    gone.close()
    log.warning("lost")
    with (tmp_path / "new").open("w") as new:
        monkeypatch.setattr(sys, "stderr", new)
        log.warning("after")
    assert "before" in (tmp_path / "gone").read_text()
    assert "after" in (tmp_path / "new").read_text()


class Clock:
    """Seconds as the test says."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def passed(repeats: Repeats | Budget, **fields: object) -> dict[str, object] | None:
    """The line as it goes on, or `None` where it is held back."""
    try:
        return dict(repeats(None, "warning", dict(fields)))
    except structlog.DropEvent:
        return None


def test_a_fault_that_repeats_is_logged_and_then_counted() -> None:
    """Ten thousand of the same in a minute are a few lines; the next minute's first says how many there were."""
    clock = Clock()
    repeats = Repeats(clock)
    lines = [passed(repeats, event="accept.failed", why="no descriptor") for _ in range(10_000)]
    assert sum(line is not None for line in lines) == SAME_MAX
    assert passed(repeats, event="alarm.changed", tag="lag-limit") == {"event": "alarm.changed", "tag": "lag-limit"}
    clock.now_s = WINDOW_S
    again = passed(repeats, event="accept.failed", why="no descriptor")
    assert again is not None and again["repeated"] == 10_000 - SAME_MAX


def test_an_event_with_ever_new_fields_is_bounded_and_so_is_the_memory() -> None:
    """A fault whose text bears a number is no way around it."""
    repeats = Repeats(Clock())
    lines = [passed(repeats, event="request.failed", n=n) for n in range(1_000)]
    assert sum(line is not None for line in lines) == EVENT_MAX
    for n in range(20 * KEYS_MAX):
        passed(repeats, event=f"event.{n}")
    assert max(len(t) for t in (repeats._same, repeats._events, repeats._held)) <= KEYS_MAX


def test_new_fields_in_every_line_open_no_new_window() -> None:
    """However many different lines of one event there are in a minute, `EVENT_MAX` of them are written."""
    repeats = Repeats(Clock())
    lines = [passed(repeats, event="command.refused", who=f"user {n}") for n in range(20 * KEYS_MAX)]
    assert sum(line is not None for line in lines) == EVENT_MAX
    assert passed(repeats, event="alarm.changed", tag="lag-limit") == {"event": "alarm.changed", "tag": "lag-limit"}


def test_all_lines_together_are_bounded_and_errors_still_pass() -> None:
    """A thousand kinds of event share one burst; the rest is counted, and an error has a reserve of its own."""
    clock = Clock()
    budget = Budget(clock)
    lines = [passed(budget, event=f"kind.{n % 1_000}", why="x" * 500) for n in range(10_000)]
    written = [line for line in lines if line is not None]
    assert sum(len(str(line)) for line in written) <= BURST_BYTES
    error = budget(None, "error", {"event": "store.write_failed"})
    assert error["suppressed"] == len(lines) - len(written)
    clock.now_s = ERROR_BYTES / BYTES_PER_S
    assert passed(budget, event="broker.connected") == {"event": "broker.connected"}


def test_a_long_field_is_cut() -> None:
    """Text, bytes and lists from outside alike; a short value stays what it is."""
    long = {
        "event": "e",
        "a": "x" * 10**6,
        "b": b"\0" * 10**6,
        "c": list(range(10**5)),
        "d": 10**3_000,
        "n": 7,
        "l": [1],
    }
    cut = short_fields(None, "warning", long)
    assert all(len(str(v)) <= FIELD_CHARS_MAX + 60 for v in cut.values())
    assert cut["n"] == 7 and cut["l"] == [1] and str(cut["a"]).endswith("(and 999000 characters more)")
