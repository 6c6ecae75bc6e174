"""Random damage to `state.db` and `history.db`: whatever is damaged, the store opens at the first try and takes rows.

    python tests/attack/store_damage.py [damages] [first seed]

prints a table: kind of damage, how many, how many starts, how many files renewed, log books whole, events carried over.
As root it drops to an unprivileged user first, so that modes and owners count. The suite runs a small set of seeds.
"""

import json
import os
import random
import shutil
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from gateway.model.output import Batch, NewBooking, NewEvent, NewRetained
from gateway.model.records import Median
from gateway.model.settings import GatewaySettings
from gateway.store.history import History
from gateway.store.outbox import OutboxReader
from gateway.store.reader import StateReader
from gateway.store.state import StateStore

BROKERS = {"ship": frozenset({"event", "alarm", "trend"}), "shore": frozenset({"event", "trend", "every-trend"})}
EVENTS, BOOKINGS, MEDIANS = 400, 12, 600
UNPRIVILEGED = 65_534
SETTINGS = GatewaySettings()


def opened(folder: Path) -> StateStore:
    """The store as the daemon opens it."""
    return StateStore(folder, SETTINGS, brokers=BROKERS, ballast_bytes=4_096)


def make(folder: Path, live: Path) -> None:
    """A store with something in every table: closed in `folder`, as a kill leaves it (with its logs) in `live`."""
    rng = random.Random(1)
    store = opened(folder)
    history = History(folder, SETTINGS.history_mb)
    for n in range(EVENTS):
        body = {"ts": "2026-03-01T12:00:00.000Z", "kind": "alarm", "n": n, "text": "x" * rng.randint(100, 600)}
        rows = [NewBooking("main", f"b{n}", "hand-play", "2026-03-01T12:00:00.000Z", '{"kind":"hand-play"}')]
        kept = [NewRetained(f"a{n % 40}", "alarm", b'{"n":%d}' % n), NewRetained("t", "trend", b'{"n":%d}' % n)]
        point = {"n": n, "figures": [rng.random() for _ in range(200)]}
        store.commit(Batch([NewEvent("t", "alarm", body)], kept, {"engine/main": point}, rows if n < BOOKINGS else []))
    store.copy_bookings()
    for n in range(MEDIANS):
        history.add("main", Median(1.7e9 + 600 * n, n / 6, 900, 0.5, 0.01, 23.0, 0.1, 90.0, 40.0, None, None))
        history.add_reading("main", 1.7e9 + 60 * n, {"rpm": 90.0 + rng.random(), "lag_deg": 0.5})
    history.flush()
    shutil.copytree(folder, live)
    history.close()
    store.close()


# -- kinds of damage ---------------------------------------------------------------------------------------------


def _bit(path: Path, rng: random.Random, below: int | None = None) -> None:
    data = bytearray(path.read_bytes())
    data[rng.randrange(min(below or len(data), len(data)))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)


def header_bit(path: Path, rng: random.Random) -> None:
    """One bit of the first hundred bytes."""
    _bit(path, rng, 100)


def some_bytes(path: Path, rng: random.Random) -> None:
    """Up to 64 random bytes in a row."""
    data = bytearray(path.read_bytes())
    at = rng.randrange(len(data))
    new = rng.randbytes(rng.randint(1, 64))[: len(data) - at]
    data[at : at + len(new)] = new
    path.write_bytes(data)


def pages(path: Path, rng: random.Random) -> None:
    """One to eight pages of zeros, noise, or another page."""
    data = bytearray(path.read_bytes())
    count = max(1, len(data) // 4_096)
    for _ in range(rng.randint(1, 8)):
        at, other = (rng.randrange(count) * 4_096 for _ in "ab")
        data[at : at + 4_096] = rng.choice((bytes(4_096), rng.randbytes(4_096), bytes(data[other : other + 4_096])))
    path.write_bytes(data)


def cut(path: Path, rng: random.Random) -> None:
    """The file ends early."""
    os.truncate(path, rng.randrange(1, path.stat().st_size))


def empty(path: Path, _rng: random.Random) -> None:
    """No bytes are left."""
    os.truncate(path, 0)


def gone(path: Path, _rng: random.Random) -> None:
    """The file was deleted."""
    path.unlink()


def mode(path: Path, rng: random.Random) -> None:
    """Not for its owner to read or write."""
    path.chmod(rng.choice((0o000, 0o400, 0o200)))


def owner(path: Path, rng: random.Random) -> None:
    """Another user's file, which this one may not touch (as root, who may: another user's all the same)."""
    pool = path.parents[1] / "foreign"
    if pool.is_dir():
        os.replace(pool / str(rng.choice(os.listdir(pool))), path)
    elif os.geteuid() == 0:
        os.chown(path, UNPRIVILEGED, UNPRIVILEGED)


def folder(path: Path, _rng: random.Random) -> None:
    """A folder in its place."""
    path.unlink()
    path.mkdir()
    (path / "x").write_text("x")


def foreign_wal(path: Path, rng: random.Random) -> None:
    """The write-ahead log of another file, or noise."""
    other = path.with_name("history.db-wal" if path.name == "state.db" else "state.db-wal")
    wal = path.with_name(path.name + "-wal")
    if other.exists() and rng.random() < 0.7:
        shutil.copy(other, wal)
    else:
        wal.write_bytes(rng.randbytes(rng.randint(1, 50_000)))


def foreign_shm(path: Path, rng: random.Random) -> None:
    """The shared index of another file, noise, or a folder."""
    shm = path.with_name(path.name + "-shm")
    shm.unlink(missing_ok=True)
    if rng.random() < 0.3:
        shm.mkdir()
    else:
        shm.write_bytes(rng.randbytes(rng.choice((1, 32_768, 40_000))))


def wal_bytes(path: Path, rng: random.Random) -> None:
    """Noise in the log that a kill left."""
    wal = path.with_name(path.name + "-wal")
    if wal.exists():
        some_bytes(wal, rng)
    else:
        _bit(path, rng)


def schema_text(path: Path, rng: random.Random) -> None:
    """One byte of the text of a CREATE."""
    data = bytearray(path.read_bytes())
    at = rng.choice([n for n in range(len(data)) if data.startswith(b"CREATE ", n)])
    data[at + rng.randrange(120)] ^= 1 << rng.randrange(7)
    path.write_bytes(data)


KINDS: dict[str, Callable[[Path, random.Random], None]] = {
    "one bit": _bit,
    "one bit of the header": header_bit,
    "bytes": some_bytes,
    "pages": pages,
    "cut short": cut,
    "empty": empty,
    "deleted": gone,
    "mode": mode,
    "owner": owner,
    "a folder": folder,
    "log of another": foreign_wal,
    "index of another": foreign_shm,
    "log damaged": wal_bytes,
    "text of the schema": schema_text,
}


@dataclass(frozen=True)
class Start:
    """How a start after damage went. `fault`: why it failed, "" when it did not."""

    kind: str
    file: str
    fault: str
    renewed: bool = False
    bookings: int = 0
    events: int = 0


def start_after(seed: int, closed: Path, live: Path, work: Path) -> Start:
    """Damage a copy in `work` as `seed` says, start, write, read, and start again."""
    rng = random.Random(seed)
    kind = list(KINDS)[seed % len(KINDS)]
    name = rng.choice(("state.db", "state.db", "history.db"))
    data = work / f"d{seed}"
    killed = (rng.random() < 0.5 or "log" in kind) and "schema" not in kind  # a kill leaves the schema in the log
    shutil.copytree(live if killed else closed, data)
    KINDS[kind](data / name, rng)
    try:
        result = _start(data, kind, name)
        again = _start(data, kind, name)
        if again.bookings != result.bookings or again.events < result.events:
            return Start(kind, name, "the second start has less than the first")
        # What the first found damaged while it ran, the second renews; and then it is sound.
        if again.renewed and result.renewed:
            return Start(kind, name, "the second start renewed it again")
        return result
    except Exception as e:
        where = traceback.extract_tb(e.__traceback__)[-1]
        return Start(kind, name, f"{type(e).__name__}: {e} ({where.name}, line {where.lineno})")
    finally:
        _delete(data)


def _start(data: Path, kind: str, name: str) -> Start:
    store = opened(data)
    try:
        history = History(data, SETTINGS.history_mb)
        try:
            renewed = (store.renewal or history.renewal) is not None
            events = _use(store, history, data)
        finally:
            history.close()
        return Start(kind, name, "", renewed, len(store.bookings("main")), events)
    finally:
        store.close()


def _use(store: StateStore, history: History, data: Path) -> int:
    """What a running daemon does with it; the number of events that can be read."""
    point = store.checkpoint("engine/main")
    assert point is None or isinstance(point, dict)
    body = {"ts": "2026-03-02T12:00:00.000Z", "kind": "alarm", "text": "after"}
    kept = [NewRetained("a", "alarm", b'{"after":%d}' % time.monotonic_ns())]
    (seq,) = store.commit(Batch([NewEvent("t", "alarm", body)], kept, {"engine/main": {}}))
    outbox = OutboxReader(data, "ship", store.acks)
    due = outbox.events_due(0, 10_000)
    assert due[-1].seq == seq and [r.seq for r in due] == sorted({r.seq for r in due})
    assert "a" in {row.topic for row in outbox.retained_due(2_000)}
    outbox.done(seq, [(row.topic, row.rev) for row in outbox.retained_due(2_000)])
    outbox.close()
    reader = StateReader(data)
    rows = reader.events(0, 10_000)
    assert all(isinstance(json.loads(row.payload), dict) for row in rows)
    reader.retained()
    reader.close()
    store.backlog("ship")
    store.prune(1.8e9)
    history.add("main", Median(1.8e9, 1.0, 900, 0.5, 0.01, 23.0, 0.1, 90.0, 40.0, None, None))
    history.flush()
    history.thin(1.9e9)
    history.medians("main", 0, 2e9, 10)
    return len(rows)


def _delete(path: Path) -> None:
    shutil.rmtree(path, ignore_errors=True)


def table(starts: list[Start]) -> list[str]:
    """The lines of the table, and one for each start that failed."""
    lines = [f"{'damage':<24}{'number':>7}{'starts':>8}{'renewed':>9}{'log book whole':>16}{'events kept':>13}"]
    for kind in [*KINDS, ""]:
        of = [s for s in starts if kind in ("", s.kind)]
        good = [s for s in of if not s.fault]
        whole = sum(s.bookings == BOOKINGS for s in good)
        kept = sum(min(s.events - 1, EVENTS) for s in good) / max(1, EVENTS * len(good))
        renewed = sum(s.renewed for s in good)
        lines.append(f"{kind or 'all':<24}{len(of):>7}{len(good):>8}{renewed:>9}{whole:>16}{kept:>12.1%}")
    faults = Counter(f"{s.kind}, {s.file}: {s.fault:.200}" for s in starts if s.fault)
    return [*lines, *(f"{n} x {text}" for text, n in faults.most_common(20))]


def main(damages: int, first: int) -> int:
    """Print the table; 0 when every start succeeded."""
    work = Path(tempfile.mkdtemp(prefix="damage-"))
    try:
        if os.geteuid() == 0:
            _drop_root(work, damages)
        make(work / "closed", work / "live")
        starts = [start_after(seed, work / "closed", work / "live", work) for seed in range(first, first + damages)]
        sys.stdout.write("\n".join(table(starts)) + "\n")
        return int(any(s.fault for s in starts))
    finally:
        _delete(work)


def _drop_root(work: Path, damages: int) -> None:
    make(work / "warm", work / "warm-live")  # brings all modules in: their files may be root's alone
    pool = work / "foreign"
    pool.mkdir()
    for n in range(damages // len(KINDS) + 1):
        (pool / str(n)).write_bytes(b"another user's")
        (pool / str(n)).chmod(0o600)
    for path in (work, pool):
        os.chown(path, UNPRIVILEGED, UNPRIVILEGED)
    os.setresgid(UNPRIVILEGED, UNPRIVILEGED, UNPRIVILEGED)
    os.setresuid(UNPRIVILEGED, UNPRIVILEGED, UNPRIVILEGED)


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    sys.exit(main(*given, *[1_000, 0][len(given) :]))
