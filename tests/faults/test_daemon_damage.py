"""The real daemon over a damaged store: it starts at the first try, watches and alarms, and names what it lost."""

import json
import random
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path

import daemon_rig as rig
import pytest
from attack import store_damage as damage

from gateway.model.errors import StorageError
from gateway.store.reader import StateReader


def flip_in_checkpoint(data: Path) -> None:
    """One bit of the engine's checkpoint: the damage that once ended every start."""
    db = sqlite3.connect(data / "state.db")
    with db:
        (blob,) = db.execute("SELECT value FROM checkpoint WHERE key='engine/main'").fetchone()
        db.execute(
            "UPDATE checkpoint SET value=? WHERE key='engine/main'", (blob[:9] + bytes([blob[9] ^ 4]) + blob[10:],)
        )
    db.close()


def odd_checkpoints(data: Path) -> None:
    """Sound JSON that is no checkpoint, as an older store may hold it in plain text."""
    db = sqlite3.connect(data / "state.db")
    with db:
        for key, value in (("engine/main", {"booked": "x", "timeline": []}), ("gateway", {"t_us": [], "alarms": 1})):
            db.execute("INSERT OR REPLACE INTO checkpoint VALUES (?, ?)", (key, json.dumps(value)))
    db.close()


def pages_of_both(data: Path) -> None:
    """Noise in either file."""
    for name in ("state.db", "history.db"):
        damage.pages(data / name, random.Random(5))


def folders(data: Path) -> None:
    """Folders in the place of both files."""
    for name in ("state.db", "history.db"):
        damage.folder(data / name, random.Random(0))


def events(data: Path) -> list[dict[str, object]]:
    """All that is stored; nothing while there is no file yet."""
    try:
        reader = StateReader(data)
    except StorageError:
        return []
    found = [json.loads(row.payload) for row in reader.events(0, 10_000)]
    reader.close()
    return found


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with a history, to be copied and damaged."""
    folder = tmp_path_factory.mktemp("sound")
    damage.make(folder / "data", folder / "live")
    return folder / "data"


@pytest.mark.parametrize(
    "harm",
    [pages_of_both, *(pytest.param(h, marks=pytest.mark.slow) for h in (odd_checkpoints, flip_in_checkpoint, folders))],
)
def test_the_first_start_watches_and_alarms(tmp_path: Path, sound: Path, harm: Callable[[Path], None]) -> None:
    """An alarm raised after the damage is stored, the loss is an event of its own, and the log book is whole."""
    config = rig.written(tmp_path, rig.example(tmp_path, None) | {"page": {"enabled": False}})
    data = tmp_path / "data"
    shutil.copytree(sound, data)
    with rig.head(tmp_path), rig.daemon(config) as process:
        rig.until(lambda: process.told('"open": true') or len(events(data)) > damage.EVENTS, "it runs")
        assert process.end() == 0
    harm(data)
    with rig.daemon(config) as process:
        rig.until(lambda: any(e.get("tag") == "head-silent" for e in events(data)), "the silent head is an alarm")
        assert process.end() == 0
    own = [str(e.get("text")) for e in events(data) if e.get("what") == "storage-renewed"]
    assert harm is odd_checkpoints or own
    reader = StateReader(data)
    assert len(reader.bookings("main")) == damage.BOOKINGS
    reader.close()
