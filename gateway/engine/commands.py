"""The one way in for what a person does: from the shell, the page, the alarm panel or MQTT.

Each request is checked, authorised by where it comes from, done on the thread that it belongs to, recorded, and
answered. Acts on alarms and the silencing of the sound take effect at once, also with a dead disk; a maintenance
record counts only once it is on the disk. A request that is reported as failed is never done afterwards.
"""

import math
import time
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import Future
from concurrent.futures import TimeoutError as FutureTimeout
from dataclasses import replace
from functools import partial
from threading import Lock
from typing import Any, Protocol, cast

import structlog

from gateway.alarm.acts import Act, ActKind
from gateway.alarm.table import BY_TAG, GATEWAY_TAGS, ROWS
from gateway.engine.inbox import Booking, Command, Done, Work
from gateway.engine.maintenance import filled, present_figures
from gateway.engine.request import is_text_throughout, minutes_of, priority_of, text_of
from gateway.engine.rights import Origin, authorise
from gateway.engine.sheet_facts import facts_of
from gateway.engine.sheets import KeptAct, NotedBooking, OpenSheets, Store, booking_of, record_data, refuse_twin
from gateway.engine.sheets import stored as stored_act
from gateway.engine.snapshot import EngineSnapshot
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.model.snapshot import GATEWAY
from gateway.wear import bookings
from gateway.wear.booking_check import new_booking
from gateway.worksheet.catalogue import as_data, sheet
from gateway.worksheet.record import (
    ACT_NAMES,
    SheetAct,
    SheetRecord,
    after,
    booking_notices,
    check,
    in_words,
    with_locks,
)
from gateway.worksheet.sheet import Facts, Sheet

NAME_MAX = 64
ANSWER_S = 8.0
RECORD_S = 2.0
"""An act that is not on the disk within this is answered "done, not yet recorded"."""
WRITING_S = 6.0
"""A maintenance record that is being written cannot be taken back; so long its end is awaited."""
TURN_S = 2.0
"""With the others above less than whoever asks waits: 20 s."""
NOT_YET = "done, not yet recorded: the disk does not take it"


class Engine(Protocol):
    """What the commands need of one engine's thread."""

    @property
    def slug(self) -> str: ...

    @property
    def snapshot(self) -> EngineSnapshot: ...

    def submit(self, command: Command) -> "Future[Done]":
        """Have it done between two chunks. Raises Refused where too many wait."""


class Gateway(Protocol):
    """What the commands need of the gateway itself."""

    def act(self, act: Act) -> Done:
        """Do it to the gateway's own alarms. Raises Refused."""

    def silence(self, by: str) -> Done:
        """Stop the sound until the next announcement."""

    def status(self) -> dict[str, Any]:
        """All that `camdrift status` shows."""


def wait_for(future: "Future[Any]", timeout_s: float) -> bool:
    """Wait until it is done, for a time; whether it is."""
    try:
        future.exception(timeout_s)
    except FutureTimeout:
        return False
    except BaseException:
        return future.done()
    return True


def _no_commissioning(_request: dict[str, Any], _by: str) -> dict[str, Any]:
    raise Refused("there is no commissioning here")


class Commands:
    """`handle` may be called from any thread but an engine's and the writer's. `wait`: how a future is awaited."""

    def __init__(
        self,
        settings: Settings,
        engines: Callable[[], Mapping[str, Engine]],
        gateway: Gateway,
        *,
        commission: Callable[[dict[str, Any], str], dict[str, Any]] = _no_commissioning,
        wait: Callable[["Future[Any]", float], bool] = wait_for,
        store: Store | None = None,
        kept: Iterable[KeptAct] = (),
    ) -> None:
        """`engines`: those that run now, by short name. `commission(request, by)`: does a step of a commissioning.
        `store`: takes an act at a work sheet; `kept`: those stored so far."""
        self._commission = commission
        self._settings, self._engines, self._gateway, self.wait = settings, engines, gateway, wait
        self._log = structlog.get_logger("commands")
        self._entering = Lock()
        self._open, self._store = OpenSheets(kept), store
        self._unrecorded: list[tuple[Future[Any], float]] = []

    def handle(self, origin: Origin, request: dict[str, Any], who: str) -> dict[str, Any]:
        """Do one request; the answer's fields. Raises Refused with the reason, which the log keeps with who asked."""
        try:
            return self._handle(origin, request, who)
        except Refused as e:
            do = ascii(request.get("do"))[:NAME_MAX]
            self._log.warning("command.refused", origin=origin, who=who, do=do, why=str(e))
            raise

    def from_panel(self, kind: str, engine: str, no: int | None, by: str) -> None:
        """An act of the alarm panel, which waits for no answer: `kind` and the rest as `ActSender` has them."""
        do = "silence" if kind == "silence" else "acknowledge"
        try:
            authorise("panel", do)
            if do == "silence":
                self._gateway.silence(by)
                return
            act = Act("acknowledge", None if no is None else ROWS[no].tag, by)
            for _, answer in self._start(engine, act):
                answer.add_done_callback(partial(self._log_refusal, kind, by))
        except Refused as e:
            self._log.warning("command.refused", origin="panel", who=by, do=kind, why=str(e))

    def _log_refusal(self, kind: str, by: str, answer: "Future[Done]") -> None:
        if not answer.cancelled() and (fault := answer.exception()) is not None:
            self._log.warning("command.refused", origin="panel", who=by, do=kind, why=str(fault))

    @property
    def unrecorded_s(self) -> float | None:
        """For how long the oldest act that was answered "not yet recorded" waits for the disk; `None`: none waits."""
        self._unrecorded = [(f, since_s) for f, since_s in self._unrecorded if not f.done()]
        return max((time.monotonic() - since_s for _, since_s in self._unrecorded), default=None)

    def sheet(self, name: str, engine: str, typed: Mapping[str, str]) -> dict[str, Any]:
        """A work sheet as plain data; `typed` may bring a pressure file as `file`. Raises Refused."""
        record, made = self._made(name, engine, typed)
        e = next(e for e in self._settings.engine if e.slug == engine)
        heading = {
            "ship": self._settings.vessel.name,
            "engine_name": e.name or e.slug,
            "engine_number": e.number or "",
            "utc_s": self._facts(engine).utc_s,
        }
        return as_data(made) | heading | ({} if record is None else {"record": record_data(record, made)})

    def _made(self, name: str, engine: str, typed: Mapping[str, str]) -> tuple[SheetRecord | None, Sheet]:
        """A sheet with what was done at it. The figures of an open sheet are the stored ones, not the question's."""
        figures = dict(typed)
        file = figures.pop("file", None)
        record = self._open.record(engine, name)
        if record is None:
            return None, sheet(name, self._facts(engine), figures, file)
        # Of an open sheet only what is stored counts: what one device has typed beside it would be booked by nobody.
        return record, self._with(name, engine, record, file)

    def _with(self, name: str, engine: str, record: SheetRecord, file: str | None = None) -> Sheet:
        made = with_locks(sheet(name, self._facts(engine), record.typed(), file), record)
        return replace(made, notices=(*made.notices, *booking_notices(record, made)))

    def _facts(self, engine: str) -> Facts:
        settings = next(e for e in self._settings.engine if e.slug == engine)
        return facts_of(settings, self._engines()[engine].snapshot, self._burst_clock(settings.head))

    def _burst_clock(self, head: str) -> float | None:
        """The wall clock, for the age of a burst's reading; beyond all time where head time counts, which shows no age.
        `None`: the head sends continuously."""
        if not any(h.slug == head and h.burst_pause_s > 0 for h in self._settings.head):
            return None
        return time.time() if self._settings.time.source == "system" else math.inf

    # -- checking -----------------------------------------------------------------------------------------------

    def _handle(self, origin: Origin, request: dict[str, Any], who: str) -> dict[str, Any]:
        if not is_text_throughout(request):
            raise Refused("a text has a character in it that cannot be kept (NUL, or half of a pair)")
        do = request.get("do")
        authorise(origin, do)
        by = (text_of(request, "by", NAME_MAX) or "").strip()
        by = f"{by} ({who})" if by and by != who else who
        match do:
            case "status":
                return {"status": self._gateway.status()}
            case "sheet-act":
                return self._sheet_act(request, by)
            case "sheet":
                return {"sheet": self._sheet(request)}
            case "prefill":
                return {"figures": present_figures(self._engine(request).snapshot)}
            case "silence":
                return {"by": by, **self._record([self._gateway.silence(by)])}
            case "book":
                return self._book(request, by)
            case "commission":
                return {"commission": self._commission(request, by)}
        why = text_of(request, "why") or ""
        act = Act(cast(ActKind, do), text_of(request, "alarm"), by, why, minutes_of(request), priority_of(request))
        return self._act(request, act)

    def _engine(self, request: dict[str, Any]) -> Engine:
        engines = self._engines()
        slug = text_of(request, "engine")
        if slug is None and len(engines) == 1:
            return next(iter(engines.values()))
        if slug is None or slug not in engines:
            raise Refused(f"name the engine; there are: {', '.join(engines)}")
        return engines[slug]

    # -- alarms -------------------------------------------------------------------------------------------------

    def _act(self, request: dict[str, Any], act: Act) -> dict[str, Any]:
        if act.tag is not None and act.tag not in BY_TAG:
            raise Refused(f"there is no alarm {act.tag!r}; there are: {', '.join(BY_TAG)}")
        everywhere = act.tag is None and text_of(request, "engine") is None
        target = None if everywhere else GATEWAY if act.tag in GATEWAY_TAGS else self._engine(request).slug
        done, faults = [], []
        for name, answer in self._start(target, act):
            try:
                done.append(self._done(name, answer))
            except Refused as e:
                faults.append(str(e))
        if not done:
            raise Refused("; ".join(faults))
        answered = {"done": sum(d.count for d in done), "by": act.by, **self._record(done)}
        return answered | ({"note": f"not done everywhere: {'; '.join(faults)}"} if faults else {})

    def _start(self, target: str | None, act: Act) -> list[tuple[str, "Future[Done]"]]:
        """Begin the act at `target`: an engine, GATEWAY, or `None` for all of them. Raises Refused."""
        engines = self._engines()
        if target is not None and target != GATEWAY and target not in engines:
            raise Refused(f"there is no engine {target!r}; there are: {', '.join(engines)}")
        wanted = [e for e in engines.values() if target in (None, e.slug)]
        started: list[tuple[str, Future[Done]]] = []
        for e in wanted:
            try:
                started.append((f"engine {e.slug}", e.submit(act)))
            except Refused as fault:
                refused: Future[Done] = Future()
                refused.set_exception(fault)
                started.append((f"engine {e.slug}", refused))
        if target in (None, GATEWAY):
            own: Future[Done] = Future()
            own.set_result(self._gateway.act(act))
            started.append(("the gateway", own))
        return started

    def _done(self, name: str, answer: "Future[Done]") -> Done:
        if not self.wait(answer, ANSWER_S):
            if answer.cancel():
                raise Refused(f"{name} does not respond, so nothing was done; look at the log")
            self.wait(answer, RECORD_S)
        if not answer.done():
            # Started and not ended: it is not reported as failed, for it may still be done.
            return Done(0, cast("Future[int]", answer))
        return answer.result()

    def _record(self, done: list[Done]) -> dict[str, Any]:
        """The part of the answer about the disk. Waits until all is recorded, RECORD_S at most."""
        until_s = time.monotonic() + RECORD_S
        waiting = [d.recorded for d in done if d.recorded is not None]
        late = [f for f in waiting if not self.wait(f, max(0.0, until_s - time.monotonic()))]
        if not late:
            return {"recorded": True}
        self._unrecorded += [(f, time.monotonic()) for f in late]
        return {"recorded": False, "note": NOT_YET}

    # -- the log book -------------------------------------------------------------------------------------------

    def _book(self, request: dict[str, Any], by: str) -> dict[str, Any]:
        engine = self._engine(request)
        data = request.get("entry")
        if not isinstance(data, dict):
            raise Refused("a booking needs its entry")
        now_s = engine.snapshot.utc_s if self._settings.time.source == "head" else time.time()
        # One at a time: each is checked against a log book that knows of the one before.
        if not self._entering.acquire(timeout=TURN_S):
            raise Refused("nothing was booked: another booking is being entered at this moment; try again")
        try:
            # The kind alone decides which figures are filled in from the readings; what was typed always stands.
            noted = self._noted(request, engine, by, now_s)
            figures = present_figures(engine.snapshot)
            if noted is not None:
                data = noted.figures(data)
                data = noted.entry(data, filled(data, figures, now_s))
            entry, stored = new_booking(filled(data, figures, now_s))
            refuse_twin(entry, engine.snapshot.log)
            act = None if noted is None else noted.act(entry.id)
            if request.get("dry"):
                return {"entry": bookings.as_data(entry), "words": in_words(bookings.as_data(entry))}
            kept = () if noted is None or act is None else (stored_act(engine.slug, noted.sheet, act),)
            done = self._done(f"engine {engine.slug}", engine.submit(Booking(entry, stored, by, now_s, kept)))
            answer = self._entered(done)
            if noted is not None and act is not None and answer["recorded"]:
                self._open.done(engine.slug, noted.sheet, act)
            return {"entry": bookings.as_data(entry), **answer}
        finally:
            self._entering.release()

    def _entered(self, done: Done) -> dict[str, Any]:
        """Wait for the commit. Raises Refused where it will never come."""
        recorded = done.recorded
        if recorded is None or done.applied is None:
            return {"recorded": False, "note": "started and not finished; look into the log book before you try again"}
        if not self.wait(recorded, RECORD_S):
            if recorded.cancel():
                raise Refused("nothing was booked: the disk does not take it; see `camdrift status`")
            if not self.wait(recorded, WRITING_S):
                self._unrecorded.append((recorded, time.monotonic()))
                return {"recorded": False, "note": "not yet recorded: the disk is slow; see the log book"}
        if recorded.cancelled() or (fault := recorded.exception()) is not None:
            why = "the store dropped it" if recorded.cancelled() else str(fault)
            raise Refused(f"nothing was booked: {why}")
        self.wait(done.applied, RECORD_S)
        return {"recorded": True}

    # -- work sheets --------------------------------------------------------------------------------------------

    def _noted(self, request: dict[str, Any], engine: Engine, by: str, now_s: float) -> NotedBooking | None:
        """What the work sheet that the booking comes from has to do with it; `None`: it comes from none."""
        name = text_of(request, "sheet", NAME_MAX)
        if name is None:
            return None
        record, made = self._made(name, engine.slug, {})
        reason, corrects = text_of(request, "reason") or "", text_of(request, "corrects", NAME_MAX) or ""
        return booking_of(name, record, made, by, now_s, reason, corrects)

    def _sheet_act(self, request: dict[str, Any], by: str) -> dict[str, Any]:
        """Open, tick, countersign, take a figure, unlock, close: answered once it is on the disk."""
        engine, name = self._engine(request), text_of(request, "name", NAME_MAX) or ""
        what = request.get("act")
        if what not in ACT_NAMES or what == "booked":
            raise Refused(f"act is not one of: {', '.join(a for a in ACT_NAMES if a != 'booked')}")
        key, value, reason = (text_of(request, k) or "" for k in ("key", "value", "reason"))
        act = SheetAct(what, by, round(time.time(), 3), key, value, reason)
        if not self._entering.acquire(timeout=TURN_S):
            raise Refused("nothing was done: another act is being stored at this moment; try again")
        try:
            record, made = self._made(name, engine.slug, {})
            check(record, act, made)
            self._check_figure(engine.slug, name, act, made)
            self._store_act(engine.slug, name, act)
        finally:
            self._entering.release()
        if what in ("open", "close"):
            self._done(f"engine {engine.slug}", engine.submit(Work(self._open.any_open(engine.slug))))
        return {"sheet": self.sheet(name, engine.slug, {})}

    def _check_figure(self, slug: str, name: str, act: SheetAct, made: Sheet) -> None:
        """Raises Refused for a figure that cannot be: with it the sheet would refuse more than it does without."""
        record = after(self._open.record(slug, name), act)
        if act.what != "figure" or record is None:
            return
        before = {n.text for n in made.notices}
        then = self._with(name, slug, record)
        found = [n.text for n in then.notices if n.level == "refused" and n.text not in before]
        if found:
            raise Refused(found[0])

    def _store_act(self, slug: str, name: str, act: SheetAct) -> None:
        if self._store is None:
            raise Refused("this gateway keeps no work sheets")
        future = self._store(stored_act(slug, name, act))
        if not self.wait(future, RECORD_S) and future.cancel():
            raise Refused("nothing was done: the disk does not take it; see `camdrift status`")
        if not self.wait(future, WRITING_S):
            raise Refused("not yet stored: the disk is slow; look at the sheet before you try again")
        if future.cancelled() or (fault := future.exception()) is not None:
            raise Refused(f"nothing was done: {'the store dropped it' if future.cancelled() else fault}")
        self._open.done(slug, name, act)

    def _sheet(self, request: dict[str, Any]) -> dict[str, Any]:
        typed = request.get("typed") or {}
        if not isinstance(typed, dict) or not all(isinstance(v, str) for v in typed.values()):
            raise Refused("typed is not a mapping of names to texts")
        return self.sheet(text_of(request, "name") or "", self._engine(request).slug, typed)
