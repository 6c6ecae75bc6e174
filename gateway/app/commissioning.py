"""Commissioning beside the running engine: the one place that changes its record, for terminal and page."""

import time
from collections.abc import Callable, Mapping
from pathlib import Path
from threading import Lock
from typing import Any

from gateway.encode.times import rfc3339
from gateway.engine.request import text_of
from gateway.model.errors import Refused
from gateway.model.settings import Settings
from gateway.store.commission_file import CommissionFile
from gateway.worksheet.commission import Finding
from gateway.worksheet.commission_flow import NAME_MAX, Flow

STEPS = ("show", "begin", "finish", "leave-out", "sign", "again")
ANSWERS_MAX = 32


class Commissioning:
    """`handle` may be called from any thread. `status`: of an engine, as `camdrift status` has it; `note(what, text)`:
    puts it on the durable record; `utc_s`: the engine's time."""

    def __init__(
        self,
        settings: Settings,
        folder: Path,
        fingerprint: str,
        status: Callable[[str], dict[str, Any]],
        note: Callable[[str, str], None],
        utc_s: Callable[[str], float] = lambda _: time.time(),
    ) -> None:
        self._status, self._note, self._utc_s = status, note, utc_s
        self._flows = {e.slug: Flow(settings, e, fingerprint) for e in settings.engine}
        self._files = {slug: CommissionFile(folder, settings.vessel.slug, slug) for slug in self._flows}
        self._lock = Lock()

    def handle(self, request: dict[str, Any], by: str) -> dict[str, Any]:
        """Do one step; what is shown after it. Raises Refused, StorageError."""
        slug, step = self._engine(request), text_of(request, "step") or "show"
        if step not in STEPS:
            raise Refused(f"step {step!r}: give one of {', '.join(STEPS)}")
        with self._lock:
            record = self._files[slug].load()
            found = None if step == "show" else self._do(step, slug, record, request, by)
            return self._shown(slug, record, request, found)

    def _engine(self, request: dict[str, Any]) -> str:
        slug = text_of(request, "engine") or (next(iter(self._flows)) if len(self._flows) == 1 else "")
        if slug not in self._flows:
            raise Refused(f"name the engine; there are: {', '.join(self._flows)}")
        return slug

    def _do(self, step: str, slug: str, record: dict[str, Any], request: dict[str, Any], by: str) -> Finding | None:
        flow, utc = self._flows[slug], rfc3339(self._utc_s(slug))
        if step == "again":
            self._again(slug, record, by, utc)
            return None
        found = None
        if step == "sign":
            role, name = (text_of(request, key, NAME_MAX) or "" for key in ("role", "name"))
            flow.sign(record, role, name, by, utc)
        else:
            key = text_of(request, "task") or ""
            if step == "begin":
                flow.begin(record, key, self._status(slug))
            elif step == "finish":
                found = flow.finish(record, key, _answers(request), self._status(slug), by, utc)
            else:
                flow.leave_out(record, key, text_of(request, "reason") or "", by, utc)
        record["open"] = flow.open_tasks(record)
        self._files[slug].keep(record, flow.text(record))
        if step == "sign":
            self._note("commissioning-signed", f"engine {slug}: commissioning signed as {role} by {name}, {by}")
        return found

    def _again(self, slug: str, record: dict[str, Any], by: str, utc: str) -> None:
        """A new fitting: the record becomes an earlier one."""
        if not record["done"]:
            raise Refused("nothing is done yet: there is no record to put aside")
        self._files[slug].archive(utc)
        self._note("commissioning-again", f"engine {slug}: the record is put aside, a new one begins, {by}")
        for key in ("started", "done"):
            record[key] = {}
        record["signed"] = []

    def _shown(
        self, slug: str, record: Mapping[str, Any], request: dict[str, Any], found: Finding | None
    ) -> dict[str, Any]:
        # After a task is done the next one is shown, unless a task is asked for by its name.
        key = text_of(request, "task") if (text_of(request, "step") or "show") in ("show", "begin") else None
        shown = self._flows[slug].view(record, key, self._status(slug))
        if found is not None:
            shown["found"] = {"ok": found.ok, "lines": list(found.lines), "settings": list(found.settings)}
        return shown | {"kept_in": str(self._files[slug].printed)}


def _answers(request: dict[str, Any]) -> dict[str, str]:
    typed = request.get("typed") or {}
    if not isinstance(typed, dict) or len(typed) > ANSWERS_MAX or not all(isinstance(v, str) for v in typed.values()):
        raise Refused("typed is not a mapping of names to texts")
    return {k: v[:400] for k, v in typed.items()}
