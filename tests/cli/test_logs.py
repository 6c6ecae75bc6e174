"""Logs never bring down what tells them."""

import sys
from pathlib import Path

import pytest
import structlog

from gateway.cli.logs import EVENT_MAX, KEYS_MAX, SAME_MAX, WINDOW_S, Repeats, set_up_logs


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


def passed(repeats: Repeats, **fields: object) -> dict[str, object] | None:
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
    assert len(repeats._seen) <= KEYS_MAX + 2 and len(repeats._held) <= KEYS_MAX + 1
