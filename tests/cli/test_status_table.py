"""The table of `camdrift status`: state first, 80 columns, colour only on a terminal, kept fresh with --live."""

import io
import json
import sys
from typing import Any

import pytest

from gateway.cli import status as command
from gateway.cli.main import main
from gateway.cli.status import COLOURS, table
from gateway.encode.engine_state import State
from gateway.model.errors import PortError


def alarm(tag: str = "tension-low", **changed: Any) -> dict[str, Any]:
    """One that is not normal."""
    return {
        "tag": tag, "title": "Chain slack", "action": "Retighten the chain at the next stop.", "engine": "main",
        "state": "unacknowledged", "priority": "alarm", "away": "", "until": None, "causes": [],
        "text": "Chain slack: spring compressed 20.4 mm, limit 20.5 mm", "since": "2031-02-03T04:05:06.000Z",
    } | changed  # fmt: skip


def state(word: str, what: str, since: str | None, action: str) -> dict[str, Any]:
    """As the daemon has it from the page's tile."""
    return {"state": word, "word": word.replace("-", " ").upper(), "what": what, "since": since, "action": action}


SLACK = state("alarm", "Chain slack", "2031-02-03T04:05:06.000Z", "Retighten the chain at the next stop.")
STOPPED = state("not-judged", "Engine stopped", None, "No action.")


def engine(**changed: Any) -> dict[str, Any]:
    """One that runs ahead with good sensors."""
    good = {"quality": "good", "reason": ""}
    return {
        "running": "ahead", "rpm": 92.1, "hours": 21_400.1, "spring_mm": {"value": 180.2} | good,
        "compression_mm": 23.0, "lag_deg": {"value": 1.25} | good, "lost_motion": "", "cam_loads": "",
        "head_heard": True, "hangs_s": None, "alarms": [], "booking_faults": [], "link": {"good": 12_345, "lost": 0},
        "work_since_utc_s": None, "state": state("normal", "", None, ""),
    } | changed  # fmt: skip


def whole(*engines: dict[str, Any]) -> dict[str, Any]:
    """A status as the daemon answers it."""
    return {
        "version": "0.1.0", "vessel": "tern-passage", "utc": "2031-02-03T04:06:00.000Z", "up_s": 4_000,
        "engines": {f"engine-{n}": e for n, e in enumerate(engines)}, "alarms": [], "silenced": True, "panel": {},
        "state": state("normal", "", None, ""),
        "heads": {"head": {"text": "open, " + "a port with a very long name " * 5, "dropped_bytes": 3}},
        "brokers": {}, "storage": {"fault": "", "nearly_full": "", "free_mb": 812, "pending": 0}, "load": None,
    }  # fmt: skip


BAD = {"value": None, "quality": "bad", "reason": "no zero"}


def test_every_state_has_its_colour() -> None:
    """The words of the page's tile, in capitals."""
    assert {s.value.replace("-", " ").upper() for s in State} == set(COLOURS)


def test_state_stands_first_with_what_to_do_and_all_fits_80_columns() -> None:
    """Below the first line the state of every engine, its alarms in words with their action, then the figures."""
    long = alarm(text="words " * 60, state="shelved", away="chief: spare on order", until="2031-02-03T06:05:00.000Z")
    lines = list(
        table(whole(engine(alarms=[long, alarm()], state=SLACK), engine(running="stopped", lag_deg=BAD, state=STOPPED)))
    )
    assert max(map(len, lines)) <= 80
    assert lines[1].split() == ["ALARM", *["engine-0", "Chain", "slack,", "since", "2031-02-03", "04:05", "UTC"]]
    assert lines[2].strip() == "Retighten the chain at the next stop."
    assert "2031-02-03 04:05" in lines[3] and "ALARM, not acknowledged: Chain slack" in lines[3]
    text = " ".join(" ".join(lines).split())
    assert "(tension-low)" in text
    assert "shelved until 2031-02-03 06:05 UTC, by chief: spare on order: Chain slack" in text
    assert "NOT JUDGED engine-1 Engine stopped No action." in text and "180.2 mm, compressed 23.0 mm; sensor OK" in text
    assert lines.index(next(x for x in lines if "NOT JUDGED" in x)) < lines.index("engine-0: running ahead 92.1 rpm, "
                                                                                "21,400.1 running hours")  # fmt: skip
    assert "\x1b" not in text and "storage OK, 812 MB free" in text


class Terminal(io.StringIO):
    """A stdout that is one."""

    def isatty(self) -> bool:
        """Yes."""
        return True


def test_colour_only_where_the_terminal_has_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal gets it, NO_COLOR and a dumb terminal do not; the words are the same."""
    monkeypatch.setattr(sys, "stdout", Terminal())
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)
    line = list(table(whole(engine())))[1]
    assert line.startswith("\x1b[1;30;42m NORMAL \x1b[0m")
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in "".join(table(whole(engine())))


def test_live_renews_itself_and_shows_a_daemon_that_is_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over itself until Ctrl-C; no answer is NO DATA, not the last picture."""
    answers: list[Any] = [{"status": whole(engine())}, PortError("no daemon answers"), KeyboardInterrupt()]

    def asked(*_: Any) -> Any:
        answer = answers.pop(0)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    screen = Terminal()
    monkeypatch.setattr(sys, "stdout", screen)
    monkeypatch.setattr(command, "request", asked)
    monkeypatch.setattr(command, "LIVE_EVERY_S", 0.0)
    assert main(["status", "any.toml", "--live"]) == 130
    first, second = screen.getvalue().split(command.TO_TOP)[1:]
    assert "NORMAL" in first and "NO DATA" in second and "no daemon answers" in second and "NORMAL" not in second


def test_live_is_for_terminals(capsys: pytest.CaptureFixture[str]) -> None:
    """Piped it would never end: refused, with what to do."""
    assert main(["status", "any.toml", "--live"]) == 1
    assert "needs a terminal; without --live" in capsys.readouterr().err
    assert main(["status", "any.toml", "--live", "--json"]) == 1
    assert json.dumps("--json")[1:-1] in capsys.readouterr().err
