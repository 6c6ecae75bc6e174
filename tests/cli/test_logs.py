"""Logs never bring down what tells them."""

import sys
from pathlib import Path

import pytest
import structlog

from gateway.cli.logs import set_up_logs


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
