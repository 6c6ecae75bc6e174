"""Only the engine's own thread touches its pipeline: everything else reads a snapshot, which cannot be changed."""

import ast
import dataclasses
import enum
import threading
from collections.abc import Iterator
from pathlib import Path
from types import MappingProxyType
from typing import Any

import daemon_rig as rig
import numpy as np
import pytest
from commands_rig import InStep, Outlets
from firmware_sim_voyages import pipeline

from gateway.alarm.machine import AlarmSet
from gateway.app.daemon import Daemon
from gateway.measure.meter import Meter
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings, fingerprint
from gateway.pipeline import EnginePipeline

ROOT = Path(__file__).parents[2] / "gateway"
OWNER = ROOT / "engine" / "thread.py"
MAKERS = {
    "app/engines.py": "makes it and restores it before the thread starts",
    "engine/snapshot.py": "called by the thread",
}
ASKED = (
    {"do": "status"},
    {"do": "prefill"},
    {"do": "sheet", "name": "retighten"},
    {"do": "book", "dry": True, "entry": {"kind": "hand-play", "person": "Chief", "play_links": 0.7}},
    {"do": "acknowledge"},
)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Daemon]:
    """A daemon in this process, without a broker."""
    settings = checked_settings(rig.example(tmp_path, None) | {"page": {"enabled": False}})
    daemon = Daemon(settings, fingerprint(settings))
    daemon.start()
    yield daemon
    daemon.stop()


def test_pipeline_is_touched_by_its_own_thread_alone(running: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is asked while the head is heard, no other thread calls meter, alarms or pipeline: a reader in another
    thread met a deque that changed under it."""
    strangers: set[tuple[str, str]] = set()
    for owner in (Meter, AlarmSet, EnginePipeline):
        for name, method in list(vars(owner).items()):
            if callable(method) and not name.startswith("__"):
                monkeypatch.setattr(owner, name, _noting(method, f"{owner.__name__}.{name}", strangers))
    with rig.head(running.settings.gateway.data_dir.parent):
        rig.until(lambda: running.snapshot().engines[0].rpm is not None, "the head is heard")
        for request in ASKED:
            assert running.commands.handle("shell", dict(request), "test")
        assert running.snapshot().engines[0].detail is not None
    assert strangers == set()


def _noting(method: Any, name: str, strangers: set[tuple[str, str]]) -> Any:
    def noting(self: Any, *args: Any, **kwargs: Any) -> Any:
        thread = threading.current_thread().name
        # The gateway's own alarms are an AlarmSet, too: they have a lock, and no engine.
        own = isinstance(self, AlarmSet) and all(a.engine is None for a in self.alarms.values())
        if not thread.startswith("engine-") and not own:
            strangers.add((name, thread))
        return method(self, *args, **kwargs)

    return noting


def test_no_module_outside_the_thread_names_a_pipeline() -> None:
    """By the source: no attribute `pipeline` or `_pipeline`, and no import of one but where it is made."""
    found = []
    folders = ("app", "outlets", "engine", "report", "store")
    for file in sorted(f for folder in folders for f in (ROOT / folder).rglob("*.py")):
        if file == OWNER or str(file.relative_to(ROOT)) in MAKERS:
            continue
        tree = ast.parse(file.read_text(encoding="utf-8"))
        names = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute)}
        names |= {a.name for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) for a in n.names}
        if {"pipeline", "_pipeline", "EnginePipeline"} & names:
            found.append(file.name)
    assert found == []


def changeable(value: object, where: str) -> Iterator[str]:
    """Places of whatever could be changed in it. The settings are everybody's, and nobody's to change."""
    if value is None or isinstance(value, str | bytes | int | float | bool | enum.Enum | Settings):
        return
    if isinstance(value, tuple | frozenset):
        for n, part in enumerate(value):
            yield from changeable(part, f"{where}[{n}]")
    elif isinstance(value, MappingProxyType):
        yield from changeable(tuple(value.items()), where)
    elif dataclasses.is_dataclass(value):
        if not type(value).__dataclass_params__.frozen:  # type: ignore[attr-defined]
            yield where
        for f in dataclasses.fields(value):
            if f.name != "engine":
                yield from changeable(getattr(value, f.name), f"{where}.{f.name}")
    else:
        yield f"{where}: {type(value).__name__}"


def test_nothing_in_a_snapshot_can_be_changed() -> None:
    """Every part of it is frozen, down to the last tuple."""
    engine = InStep(pipeline(), Outlets())
    assert list(changeable(engine.snapshot, "snapshot")) == []
    assert list(changeable(engine.snapshot.view.detail, "detail")) == []
    assert not isinstance(engine.snapshot.view.detail and engine.snapshot.view.detail.shape_deg, np.ndarray)


def test_a_snapshot_stands_still_while_the_engine_goes_on() -> None:
    """An older one keeps its log book and alarms when the engine has newer ones."""
    engine = InStep(pipeline(), Outlets())
    before = engine.snapshot
    shown = repr(before)
    engine._log = (*engine._log, *engine._log)
    engine.settle()
    assert engine.snapshot is not before and repr(before) == shown
