"""A simulated head whose time a test moves on, before a real daemon, for the tests of the work sheets.

The head's bytes are handed over by the test itself, up to a time of the scenario and no further, so that nothing hangs
on how fast the machine is. Nut and camshaft are turned by the scenario.
"""

import contextlib
import json
import math
import socket
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from firmware_sim import Head, Scenario, Truth, load_scenario
from gateway.encode.times import utc_of
from gateway.outlets.control_client import ask
from gateway.store.reader import StateReader
from tests.daemon_rig import daemon, example, until, written

START = "2026-03-01T06:00:00Z"
BEAT_S = 0.25


class Aboard:
    """A daemon and the head that it hears, at a time of the scenario."""

    def __init__(
        self,
        folder: Path,
        scenario: Scenario,
        page: dict[str, Any] | None = None,
        tightener: dict[str, Any] | None = None,
        lag: dict[str, Any] | None = None,
        head: dict[str, Any] | None = None,
        source: str = "head",
    ) -> None:
        self.truth = Truth(scenario)
        self._frames = Head(scenario).frames()
        self._next = next(self._frames, None)
        self._lock, self._at_s, self._over = threading.Lock(), 0.0, threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.socket = folder / "data" / "camdrift.sock"
        self.folder = folder
        data = example(folder, None)
        data["capture"] = {"enabled": False}
        data["engine"][0]["tightener"] |= tightener or {}
        data["engine"][0]["lag"] |= lag or {}
        data["page"] = page or {"enabled": False}
        # By the system's clock nobody knows how far the scenario is: then the first reading is waited for.
        data["time"] = {"source": source} | ({"start": START} if source == "head" else {})
        self._start_s = utc_of(START) if source == "head" else None
        data["head"][0] |= head or {}
        data["head"][0]["port"] = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self.config = written(folder, data)

    def connect(self) -> None:
        """Wait for the daemon to open its port."""
        self._listener.settimeout(180)
        self._wire, _ = self._listener.accept()
        self._wire.settimeout(180)

    def close(self) -> None:
        """Everything that was opened."""
        self._over.set()
        for one in (self._listener, getattr(self, "_wire", None)):
            if one is not None:
                one.close()

    def until(self, t_s: float) -> None:
        """Let the scenario go on to `t_s`, and wait until the daemon has come as far."""
        self._send(t_s)
        until(lambda: self.now_s() > t_s - 1.0, f"the daemon has come to {t_s} s")

    def _send(self, t_s: float) -> None:
        with self._lock:
            if t_s > self._at_s:
                self._at_s = t_s
                due = []
                while self._next is not None and self._next[1] <= t_s * 1e6:
                    due.append(self._next[0])
                    self._next = next(self._frames, None)
                self._wire.sendall(b"".join(due))

    @contextlib.contextmanager
    def beating(self) -> Iterator[None]:
        """The scenario's time goes on as the wall's does, so that the head is heard while somebody looks."""

        def beat() -> None:
            while not self._over.wait(BEAT_S):
                with contextlib.suppress(OSError):
                    self._send(self._at_s + BEAT_S)

        thread = threading.Thread(target=beat, daemon=True)
        thread.start()
        try:
            yield
        finally:
            self._over.set()
            thread.join(180)

    def now_s(self) -> float:
        """How far the daemon has come in the scenario."""
        utc_s = self.sheet("retime")["utc_s"]
        if utc_s is None:
            return -1.0
        return math.inf if self._start_s is None else float(utc_s) - self._start_s

    def sheet(self, name: str, **typed: object) -> dict[str, Any]:
        """The work sheet as page and command line get it."""
        asked = {"do": "sheet", "name": name, "typed": {k: str(v) for k, v in typed.items()}}
        made: dict[str, Any] = ask(self.socket, asked)["sheet"]
        return made

    def book(self, sheet: dict[str, Any]) -> dict[str, Any]:
        """Book what the sheet has ready, and give the log book's event of it."""
        assert sheet["booking"] is not None, sheet["booking_wants"]
        ask(self.socket, {"do": "book", "entry": {"person": "Second engineer", **sheet["booking"]}})
        return self.booked()

    def booked(self) -> dict[str, Any]:
        """The one adjustment on the record."""
        events = self.adjustments()
        assert len(events) == 1
        return events[0]

    def adjustments(self) -> list[dict[str, Any]]:
        """All adjustments on the record, oldest first."""
        reader = StateReader(self.folder / "data")
        events = [json.loads(row.payload) for row in reader.events(0, 10_000, kind="adjustment")]
        reader.close()
        return events

    def act(self, name: str, what: str, **more: str) -> dict[str, Any]:
        """Somebody acts at the sheet in a terminal; the sheet after it."""
        made: dict[str, Any] = ask(self.socket, {"do": "sheet-act", "name": name, "act": what, **more})["sheet"]
        return made


@contextlib.contextmanager
def aboard(
    folder: Path,
    scenario: Scenario,
    page: dict[str, Any] | None = None,
    tightener: dict[str, Any] | None = None,
    lag: dict[str, Any] | None = None,
    head: dict[str, Any] | None = None,
    source: str = "head",
) -> Iterator[Aboard]:
    """The daemon at work and connected; afterwards it ends well."""
    made = Aboard(folder, scenario, page, tightener, lag, head, source)
    try:
        with daemon(made.config) as process:
            made.connect()
            yield made
            assert process.end() == 0
    finally:
        made.close()


def figure(sheet: dict[str, Any], key: str) -> Any:
    """A figure's value."""
    return next(f["value"] for f in sheet["figures"] if f["key"] == key)


def take(sheet: dict[str, Any], name: str) -> float:
    """The reading that the sheet offers for an input."""
    value = next(i["take"] for i in sheet["inputs"] if i["name"] == name)
    assert value is not None
    return float(value)


def said(sheet: dict[str, Any], word: str) -> bool:
    """Does the sheet say this?"""
    return any(word in n["text"] for n in sheet["notices"])


def standing(
    *events: dict[str, object], rpm: float = 0.0, turned: Sequence[tuple[float, float, float]] = ()
) -> Scenario:
    """An engine that stands, or is on the turning gear from the tenth second on; or in the spells `turned`, each from
    and to in seconds, and the speed in rpm."""
    speed = [(0.0, 0.0)] if rpm == 0 else [(0.0, 0.0), (10.0, 0.0), (12.0, rpm)]
    for from_s, to_s, way_rpm in turned:
        speed += [(from_s, 0.0), (from_s + 2.0, way_rpm), (to_s, way_rpm), (to_s + 2.0, 0.0)]
    base = load_scenario("steady").changed(
        head={"rate_hz": 100.0},
        engine={"speed": speed},
        tightener={"length_mm": 182.7},
        thermal={"warm_at_start": False},
    )
    return Scenario.model_validate(base.model_dump() | {"event": list(events)})
