"""One voyage, from seed to what came ashore."""

import json
import re
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from hashlib import sha256
from itertools import groupby
from pathlib import Path
from typing import Any

from firmware_sim import Head, Truth

from .box import Box
from .broker import Broker
from .clock import Clock, virtual
from .disk import Disk, beneath_the_store
from .plan import DAY_S, Happening, Plan, make

TICKS_S = (1.0, 6.0, 200.0, 400.0)
"""After the last bytes: moments at which the box is looked at while nothing comes."""
TICK_EVERY_S = 400.0
CHUNK_US = 1_500_000
"""So much of head time comes at once; later, UTC would be learnt wrong."""
STEADY_CHUNK_US = 20_000_000
SETTLING_S = 7_200.0
"""At the end all is well, and what is left goes ashore."""
BOOKED_WITHIN = 72
"""Tries, twenty minutes apart: what a full disk refuses is booked when it is not."""
MEMORY = Path("/dev/shm")


@dataclass
class Sailed:
    """What is known after a voyage. `kept`: (true s, body) of every event the daemon handed to its writer; `trends`:
    (true s, payload) of every trend. `shore`: the second broker, where there is one."""

    plan: Plan
    broker: Broker
    shore: Broker | None = None
    kept: list[tuple[float, dict[str, Any]]] = field(default_factory=list)
    trends: list[tuple[float, bytes]] = field(default_factory=list)
    down: list[tuple[float, float]] = field(default_factory=list)
    zeros: list[tuple[float, float]] = field(default_factory=list)
    booked: list[tuple[float, str]] = field(default_factory=list)
    final: dict[str, str] = field(default_factory=dict)
    crashes: list[str] = field(default_factory=list)
    refusals: list[str] = field(default_factory=list)
    gateway: str = ""
    seq: int = 0
    fault: str | None = None
    starts: int = 0
    cuts: int = 0
    kills: int = 0

    def digest(self) -> str:
        """Of everything that came ashore, but for the scratch folder's name in a storage fault's text."""
        h = sha256()
        for t, topic, payload in self.broker.heard + (self.shore.heard if self.shore else []):
            h.update(f"{t:.6f} {topic} ".encode() + re.sub(rb"/voyage-[^/]+/", b"/voyage/", payload) + b"\n")
        return h.hexdigest()


def sail(seed: int) -> Sailed:
    """The voyage of this seed."""
    root = Path(tempfile.mkdtemp(prefix="voyage-", dir=MEMORY if MEMORY.is_dir() else None))
    try:
        clock, plan = Clock(), make(seed)
        disk, brokers = Disk(root, seed), {"ship": Broker(clock, seed), "shore": Broker(clock, -seed)}
        with virtual(clock, seed), beneath_the_store(disk):
            return _Voyage(plan, clock, disk, brokers).sail()
    finally:
        shutil.rmtree(root, ignore_errors=True)


class _Voyage:
    def __init__(self, plan: Plan, clock: Clock, disk: Disk, brokers: dict[str, Broker]) -> None:
        self._plan, self._clock, self._disk, self._brokers = plan, clock, disk, brokers
        self._chance = brokers["ship"].chance
        self._out = Sailed(plan, brokers["ship"], brokers["shore"] if plan.shore else None)
        self._out.zeros.append((0.0, 17.35))
        self._box = Box(plan.settings(), clock, disk, brokers)
        self._box.on_start = self._listen
        self._todo: list[tuple[float, int, Any]] = []
        self._order = 0
        self._variant = 0
        self._up_at = 0.0
        self._cut_for: float | None = None
        for h in plan.happenings:
            self._at(h.at_s, lambda h=h: self._begin(h))

    def _at(self, t_s: float, do: Any) -> None:
        self._order += 1
        self._todo.append((t_s, self._order, do))
        self._todo.sort(key=lambda x: x[:2])

    def sail(self) -> Sailed:
        """All of it."""
        self._boot()
        for t_s, data in self._chunks():
            self._until(t_s)
            self._clock.true_s = t_s
            self._box.bytes(data)
            if self._plan.steady:
                self._box.turn()
            self._look_after()
        if self._plan.port_gone_s < self._plan.days * DAY_S:
            self._until(self._plan.port_gone_s)
            self._clock.true_s = max(self._clock.true_s, self._plan.port_gone_s)
            self._box.port_gone("Port of the head vanished: check the plug, the cable and the supply of the head")
            self._until(self._plan.days * DAY_S)
        self._settle()
        return self._out

    def _chunks(self) -> Iterator[tuple[float, bytes]]:
        chunk_us = STEADY_CHUNK_US if self._plan.steady else CHUNK_US
        frames = Head(self._plan.scenario(), self._plan.seed).frames()
        # A burst's first frames come at its start: half a frame's time later they are in.
        for number, group in groupby(frames, key=lambda f: (f[1] - 1) // chunk_us if f[1] else 0):
            yield (number + 1) * chunk_us / 1e6, b"".join(data for data, _ in group)

    def _until(self, t_s: float) -> None:
        """Let what lies before `t_s` happen; look at the box now and then."""
        last = self._clock.true_s
        # A head without pause is played in long pieces of its own time: no silence to be looked at between them.
        quiet_s = 2 * STEADY_CHUNK_US / 1e6 if self._plan.steady else 10.0
        ticks = [last + x for x in TICKS_S if last + x < t_s - 0.5] if t_s - last > quiet_s else []
        while ticks and ticks[-1] + TICK_EVERY_S < t_s - 0.5:
            ticks.append(ticks[-1] + TICK_EVERY_S)
        while ticks or (self._todo and self._todo[0][0] <= t_s):
            if self._todo and self._todo[0][0] <= (ticks[0] if ticks else t_s):
                at_s, _, do = self._todo.pop(0)
                self._clock.true_s = max(self._clock.true_s, at_s)
                do()
                # A steady head's bytes lie in their chunk; to look between them would find a silence that is none.
                if t_s - last > STEADY_CHUNK_US / 1e6 or not self._plan.steady:
                    self._box.idle()
                    # A box that has just come up begins to listen with its first look, and finds silence with a later.
                    soon = (self._clock.true_s + x for x in TICKS_S[:2]) if ticks else ()
                    ticks = sorted({*ticks, *(x for x in soon if x < t_s - 0.5)})
            else:
                self._clock.true_s = max(self._clock.true_s, ticks.pop(0))
                self._box.idle()
            self._look_after()

    # -- the box ------------------------------------------------------------------------------------------------

    def _boot(self) -> None:
        now_s = self._clock.true_s
        if self._box.daemon is not None:
            return
        if not self._box.start():
            self._at(now_s + 30.0, self._boot)
            return
        if self._box.daemon is not None:
            self._out.down.append((self._up_at, now_s))

    def _listen(self, d: Any) -> None:
        """Note every event that this life of the daemon hands to its writer, from its first word on."""
        inner = d.publisher.record

        def record(batch: Any) -> Any:
            if not batch.bookings:
                for event in batch.events:
                    self._note(dict(event.body))
            self._out.trends += [(self._clock.true_s, s.payload) for s in batch.retained if s.klass == "trend"]
            return inner(batch)

        d.publisher.record = record

    def _note(self, body: dict[str, Any]) -> None:
        now_s = self._clock.true_s
        self._out.kept.append((now_s, body))
        if self._plan.acknowledges and body.get("to") == "unacknowledged" and body.get("from") != "unacknowledged":
            wait_s = 300.0 + 3_300.0 * self._chance.random()
            self._at(now_s + wait_s, lambda: self._acknowledge(str(body["tag"])))

    def _look_after(self) -> None:
        """Is it dark? Then it comes up again when the power does."""
        if self._box.daemon is None and self._cut_for is not None:
            self._up_at = self._clock.true_s
            self._at(self._up_at + self._cut_for, self._boot)
            self._cut_for = None

    def _begin(self, h: Happening) -> None:
        now_s, box = self._clock.true_s, self._box
        what = h.what
        if what == "kill" and box.daemon is not None:
            self._up_at = now_s
            box.kill()
            self._at(h.until_s, self._boot)
        elif what == "power cut" and box.daemon is not None:
            self._cut_for = h.until_s - h.at_s
            self._disk.cut_power_soon()
        elif what == "restart with other settings" and box.daemon is not None and self._disk.state == "ok":
            self._variant += 1
            self._up_at = now_s
            box.stop()
            box.settings = self._plan.settings(self._variant)
            self._at(h.until_s, self._boot)
        elif what == "disk slow":
            self._disk.slow = True
            self._at(h.until_s, lambda: setattr(self._disk, "slow", False))
        elif what.startswith("disk "):
            self._disk.state = what.removeprefix("disk ")
            self._at(h.until_s, lambda: setattr(self._disk, "state", "ok"))
        elif what.startswith(("broker ", "shore ")):
            which, _, state = what.partition(" ")
            broker = self._brokers["shore" if which == "shore" else "ship"]
            broker.state = state
            self._at(h.until_s, lambda: setattr(broker, "state", "ok"))
        elif what == "clock unsynchronised":
            self._clock.synchronised = False
            self._at(h.until_s, lambda: setattr(self._clock, "synchronised", True))
        elif what in ("clock forward", "clock back", "summer time", "leap second"):
            self._clock.offset_s += h.figure
        elif what in ("camshaft-set", "retightened"):
            self._book(what, done_s=h.figure or None)

    # -- the crew -----------------------------------------------------------------------------------------------

    def _acknowledge(self, tag: str) -> None:
        act = {"engine": "main", "alarm": tag, "by": "second engineer"}
        self._box.ask({"do": "acknowledge", **act})
        put_away = self._chance.random()
        if put_away < 0.15:
            self._box.ask({"do": "shelve", "minutes": 10.0 + 590.0 * self._chance.random(), "why": "looked at", **act})
        elif put_away < 0.25:
            self._box.ask({"do": "out-of-service", "why": "being repaired", **act})
            wait_s = 600.0 + 36_000.0 * self._chance.random()
            self._at(self._clock.true_s + wait_s, lambda: self._box.ask({"do": "in-service", **act}))

    def _book(self, what: str, again: int = 0, done_s: float | None = None) -> None:
        """`done_s`: true time of the work, where it is written down late. The camshaft's zero is that of now."""
        entry: dict[str, Any] = {"kind": what, "person": "second engineer"}
        if what == "retightened":
            entry |= {"free_length_mm": 203.2}
            if done_s is not None:
                truth = Truth(self._plan.scenario(), self._plan.seed)
                ran_h, left_mm = float(truth.hours(done_s)), float(truth.spring_mm(done_s + 1_800))
                utc_s = self._clock.time() - (self._clock.true_s - done_s)
                entry |= {"utc_s": utc_s, "hours": round(self._plan.hours_at_start + ran_h, 1)}
                entry["spring_after_mm"] = round(left_mm, 1)
        answer = self._box.ask({"do": "book", "engine": "main", "entry": entry, "by": "second engineer"})
        if answer is None and again < BOOKED_WITHIN:
            self._at(self._clock.true_s + 1_200.0, lambda: self._book(what, again + 1, done_s))
        elif answer is not None:
            self._out.booked.append((self._clock.true_s, what))
            if what == "camshaft-set":
                self._out.zeros.append((self._clock.true_s, float(answer["entry"]["raw_deg"])))

    # -- the end ------------------------------------------------------------------------------------------------

    def _settle(self) -> None:
        self._todo = [x for x in self._todo if x[2] == self._boot]
        self._disk.state, self._disk.slow, self._disk._cut_in = "ok", False, None
        self._clock.synchronised = True
        for broker in self._brokers.values():
            broker.state = "ok"
        if self._box.daemon is None and not self._todo:
            self._boot()
        until_s = self._clock.true_s + SETTLING_S
        while self._clock.true_s < until_s:
            self._until(self._clock.true_s + TICK_EVERY_S + 1.0)
            self._clock.true_s += 1.0
        out, d = self._out, self._box.daemon
        assert d is not None
        out.gateway, out.seq = d.stores.state.gateway_id, d.stores.state._last
        out.fault = d.stores.writer.fault
        present = d.snapshot()
        out.final = {a.tag: str(a.state) for view in present.engines for a in view.alarms}
        out.final |= {a.tag: str(a.state) for a in present.gateway_alarms}
        self._box.kill()
        out.crashes, out.refusals = self._box.crashes, self._box.refusals
        out.starts, out.cuts, out.kills = self._box.starts, self._box.cuts, self._box.kills


def bodies(sailed: Sailed) -> list[tuple[float, dict[str, Any]]]:
    """(true s of arrival, event) ashore, in order of arrival, copies included."""
    return [(t, json.loads(p)) for t, topic, p in sailed.broker.heard if topic.endswith("/event")]
