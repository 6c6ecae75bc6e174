"""Whatever is damaged in the store, it opens at the first try; what can be read is carried over, the rest is named."""

import sqlite3
from itertools import pairwise
from pathlib import Path

import pytest
from attack import store_damage as damage
from firmware_sim_voyages import tern_settings
from waiting import until

from gateway.app.stores import Stores
from gateway.encode.topics import Topics
from gateway.model.errors import StorageError
from gateway.model.output import Batch, NewBooking, NewEvent, NewRetained
from gateway.store.history import History
from gateway.store.opening import open_file
from gateway.store.outbox import OutboxReader
from gateway.store.reader import StateReader, packed
from gateway.store.state import StateStore
from gateway.store.writer import Writer

TS = "2026-03-01T12:00:00.000Z"
SEEDS = 42


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with something in every table: `closed`, and `live` as a kill leaves it."""
    work = tmp_path_factory.mktemp("made")
    damage.make(work / "closed", work / "live")
    return work


@pytest.mark.parametrize("seed", range(SEEDS))
def test_any_damage_and_the_first_start_succeeds(made: Path, tmp_path: Path, seed: int) -> None:
    """Bits, bytes, pages, lengths, modes, folders, logs of other files: three of each; the log book is whole after."""
    start = damage.start_after(seed, made / "closed", made / "live", tmp_path)
    assert start.fault == "" and start.bookings == damage.BOOKINGS


def small(folder: Path, events: int = 30) -> StateStore:
    """A store with a few rows in it."""
    store = damage.opened(folder)
    for n in range(events):
        body = {"ts": TS, "kind": "alarm", "n": n, "text": "x" * 400}
        rows = [NewBooking("main", f"b{n}", "hand-play", TS, f'{{"hours":{n}}}')] if n < 3 else []
        store.commit(Batch([NewEvent("t", "alarm", body)], [NewRetained("a", "alarm", b"%d" % n)], {"k": n}, rows))
    return store


def in_the_file(folder: Path, sql: str, *values: object, name: str = "state.db") -> None:
    """Change the closed file behind the store's back."""
    db = sqlite3.connect(folder / name)
    with db:
        db.execute(sql, values)
    db.close()


def test_a_damaged_checkpoint_costs_nothing_else(tmp_path: Path) -> None:
    """One flipped bit in it used to refuse every start for ever: now it is lost, named, and all else is there."""
    small(tmp_path).close()
    blob = bytearray(packed(29))
    blob[5] ^= 1
    in_the_file(tmp_path, "UPDATE checkpoint SET value=?", bytes(blob))
    store = damage.opened(tmp_path)
    assert store.checkpoint("k") is None
    assert len(store.events(0, 99)) == 30 and len(store.bookings("main")) == 3
    assert store.renewal is not None
    text = store.renewal.text
    assert text.startswith(
        "state.db was renewed: it had a damaged row in checkpoint; the damaged file is kept as state.db."
    )
    assert "30 event" in text and text.endswith("Rows lost: 1 checkpoint")
    store.close()
    store = damage.opened(tmp_path)
    assert store.renewal is None
    store.close()


def test_numbers_go_on_under_a_new_name(tmp_path: Path) -> None:
    """No (gateway, seq) is given twice, and what a broker has not got yet it gets, however the file was damaged."""
    store = small(tmp_path)
    old = store.gateway_id
    outbox = OutboxReader(tmp_path, "ship", store.acks)
    outbox.done(12, [])
    outbox.close()
    store.close()
    in_the_file(tmp_path, "UPDATE broker SET place='x' WHERE name='shore'")
    store = damage.opened(tmp_path)
    assert store.gateway_id != old
    assert store.commit(Batch([NewEvent("t", "alarm", {"ts": TS, "kind": "alarm"})])) == [31]
    assert (store.backlog("ship").place, store.backlog("ship").count) == (12, 19)
    # The place of this one was lost: everything goes to it again.
    assert (store.backlog("shore").place, store.backlog("shore").count) == (0, 31)
    store.close()


@pytest.mark.parametrize("lost", ["empty", "deleted"])
def test_a_store_that_is_gone_is_reported_and_its_log_book_comes_back(tmp_path: Path, lost: str) -> None:
    """Zero bytes, or no file where there was one: said like any loss; the bookings come from their second copy."""
    small(tmp_path).close()
    damage.KINDS[lost](tmp_path / "state.db", damage.random.Random(0))
    store = damage.opened(tmp_path)
    assert store.renewal is not None and store.renewal.kept_as is None
    assert ("was empty" in store.renewal.text) is (lost == "empty")
    assert "3 booking from logbook.jsonl" in store.renewal.text
    assert [row.entry["hours"] for row in store.bookings("main")] == [0, 1, 2]
    store.close()


def test_the_first_start_is_no_loss(tmp_path: Path) -> None:
    """A folder without anything in it is a new ship's."""
    store = damage.opened(tmp_path)
    assert store.renewal is None
    store.close()


def test_a_flipped_step_number_is_damage_and_no_newer_camdrift(tmp_path: Path) -> None:
    """Every single bit of it; the number stands twice in the file."""
    for bit in (0, 1, 2, 3, 8, 31):
        folder = tmp_path / str(bit)
        folder.mkdir()
        small(folder, 5).close()
        path = folder / "state.db"
        data = bytearray(path.read_bytes())
        data[63 - bit // 8] ^= 1 << bit % 8
        path.write_bytes(data)
        store = damage.opened(folder)
        assert len(store.events(0, 99)) == 5
        store.close()


def test_a_kill_between_the_two_renames_loses_nothing(tmp_path: Path) -> None:
    """The new file is complete before the old one moves: the next start gives it its name; an unfinished one goes."""
    small(tmp_path).close()
    (tmp_path / "state.db").rename(tmp_path / "state.db.new")
    (tmp_path / "state.db-wal").write_bytes(b"of the damaged file")
    store = damage.opened(tmp_path)
    assert store.renewal is None and len(store.events(0, 99)) == 30
    store.close()
    (tmp_path / "state.db.new").write_bytes(b"unfinished")
    store = damage.opened(tmp_path)
    assert len(store.events(0, 99)) == 30 and not (tmp_path / "state.db.new").exists()
    store.close()


def test_a_full_disk_is_not_taken_for_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sound file that cannot be opened for want of room stays where it is."""
    small(tmp_path).close()

    def full(*_args: object, **_more: object) -> sqlite3.Connection:
        e = sqlite3.OperationalError("unable to open database file")
        e.sqlite_errorcode = sqlite3.SQLITE_CANTOPEN
        raise e

    with monkeypatch.context() as m:
        m.setattr("gateway.store.salvage.open_damaged", full)
        with pytest.raises(StorageError, match="the free space"):
            damage.opened(tmp_path)
    assert not list(tmp_path.glob("*.corrupt-*"))
    assert callable(open_file)


# -- the schema --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("CHECK (kind IN ('alarm'", "CHECK (kind IN ('alarn'"),
        ("topic TEXT NOT NULL,\n    kind", "tOpiX TEXT NOT NULL,\n    kind"),
        ("CREATE TABLE event (", "CREATE TABLX event ("),
        ("tableeventevent", "tableevenuevent"),
        ("WHERE kind <> 'alarm'", "WHERE kind <> 'alarn'"),
        ("utc TEXT NOT NULL,\n    entry", "utc TEXT UNIQUE  ,\n    entry"),
    ],
)
def test_a_schema_whose_text_is_damaged_is_renewed_with_all_rows(tmp_path: Path, old: str, new: str) -> None:
    """A CHECK that names another kind refused each event's commit for ever; a damaged name or word hid a table."""
    small(tmp_path).close()
    path = tmp_path / "state.db"
    data = path.read_bytes()
    assert data.count(old.encode()) == 1 and len(old) == len(new)
    path.write_bytes(data.replace(old.encode(), new.encode()))
    store = damage.opened(tmp_path)
    assert store.renewal is not None and store.renewal.text.startswith("state.db was renewed: it ")
    assert "30 event" in store.renewal.text and store.renewal.text.endswith("Rows lost: none known")
    (seq,) = store.commit(Batch([NewEvent("t", "alarm", {"ts": TS, "kind": "alarm"})]))
    assert [row.seq for row in store.events(0, 99)] == [*range(1, 31), seq]
    store.close()
    store = damage.opened(tmp_path)
    assert store.renewal is None
    store.close()


def test_an_object_that_is_not_of_the_schema_is_renewed_away(tmp_path: Path) -> None:
    """A trigger that takes each event out again would pass every other check."""
    small(tmp_path).close()
    in_the_file(tmp_path, "CREATE TRIGGER t AFTER INSERT ON event BEGIN DELETE FROM event WHERE seq=NEW.seq; END")
    store = damage.opened(tmp_path)
    assert store.renewal is not None and "schema that is not camdrift's (trigger t)" in store.renewal.text
    assert "30 event" in store.renewal.text
    store.close()


def test_quotes_spaces_and_statistics_are_no_damage(tmp_path: Path) -> None:
    """Another version of SQLite quotes a renamed table otherwise, and `ANALYZE` adds a table of its own."""
    small(tmp_path).close()
    in_the_file(tmp_path, "ANALYZE")
    db = sqlite3.connect(tmp_path / "state.db")
    with db:
        db.execute("PRAGMA writable_schema=ON")
        db.execute("""UPDATE sqlite_schema SET sql=replace(replace(sql, '"', ''), '    ', ' ')""")
    db.close()
    store = damage.opened(tmp_path)
    assert store.renewal is None
    store.close()


def test_a_schema_that_is_damaged_while_it_runs_is_reported_and_renewed_at_the_next_start(tmp_path: Path) -> None:
    """The commit is refused with what to do about it, as `storage-fault` shows it; the next start takes the events."""
    store = small(tmp_path)
    db = sqlite3.connect(tmp_path / "state.db")
    with db:
        db.execute("CREATE TRIGGER t BEFORE INSERT ON event BEGIN SELECT RAISE(ABORT, 'no'); END")
    db.close()
    writer = Writer(store, retry_s=0.01)
    writer.start()
    writer.submit(Batch([NewEvent("t", "alarm", {"ts": TS, "kind": "alarm"})]))
    until(lambda: writer.fault, "the fault stands")
    assert writer.fault is not None
    assert "state.db: its schema is damaged; restart camdrift, which carries what can be read over" in writer.fault
    assert writer.pending == 1 and not writer.stop()
    store.close()
    store = damage.opened(tmp_path)
    assert store.renewal is not None and "30 event" in store.renewal.text
    store.commit(Batch([NewEvent("t", "alarm", {"ts": TS, "kind": "alarm"})]))
    store.close()


# -- while it runs -----------------------------------------------------------------------------------------------


def test_a_bad_row_is_left_out_reported_and_renewed_at_the_next_start(tmp_path: Path) -> None:
    """Readers return the rest, newest first too; the fault says what to do; the next start drops the row by name."""
    store = small(tmp_path)
    db = sqlite3.connect(tmp_path / "state.db")
    with db:
        db.execute("UPDATE event SET payload=? WHERE seq=7", (b"\xff{}",))
        db.execute("UPDATE booking SET entry='{' WHERE id='b1'")
    db.close()
    reader = StateReader(tmp_path)
    wanted = [n for n in range(1, 31) if n != 7]
    assert [row.seq for row in reader.events(0, 99)] == wanted
    assert [row.seq for row in reader.events(0, 25, newest_first=True)] == wanted[:-26:-1]
    assert [row.seq for row in reader.events(0, 10)] == wanted[:10]
    assert [row.id for row in reader.bookings("main")] == ["b0", "b2"]
    assert store.bad_rows is not None and "(1 booking, 1 event); restart camdrift" in store.bad_rows
    reader.close()
    store.close()
    store = damage.opened(tmp_path)
    assert store.bad_rows is None and store.renewal is not None and "1 event" in store.renewal.text
    assert [row.seq for row in store.events(0, 99)] == wanted
    # The second copy of the log book has the row that was damaged.
    assert [row.id for row in store.bookings("main")] == ["b0", "b1", "b2"]
    store.close()


def test_pages_that_cannot_be_read_cost_their_rows_alone(tmp_path: Path) -> None:
    """A page of events goes bad under the running daemon: a reader that opens then returns the rows beyond it."""
    store = small(tmp_path, 200)
    store.close()
    path = tmp_path / "state.db"
    db = sqlite3.connect(path)
    leaf = db.execute("SELECT count(*) FROM event").fetchone()[0]
    db.close()
    data = bytearray(path.read_bytes())
    at = data.find(b'"seq":100,') // 4_096 * 4_096
    data[at : at + 4_096] = bytes(4_096)
    path.write_bytes(data)
    reader = StateReader(tmp_path)
    seqs = [row.seq for row in reader.events(0, 999)]
    assert leaf == 200 and 170 < len(seqs) < 200 and seqs == sorted(set(seqs)) and seqs[-1] == 200 and 100 not in seqs
    assert [row.seq for row in reader.events(0, 999, newest_first=True)][:5] == [200, 199, 198, 197, 196]
    reader.close()
    store = damage.opened(tmp_path)
    assert store.renewal is not None and "parts of event" in store.renewal.text
    assert set(seqs) <= {row.seq for row in store.events(0, 999)}
    store.close()


def test_pages_that_lead_back_to_each_other_end(tmp_path: Path) -> None:
    """A tree of pages with a ring in it is read once, not for ever: one page stands in the place of the next."""
    small(tmp_path, 400).close()
    path = tmp_path / "state.db"
    whole = path.read_bytes()
    places = [whole.find(b'"seq":%d,' % n) // 4_096 for n in range(20, 400, 40)]
    for seed, (at, other) in enumerate(pairwise(places)):
        for source, target in ((0, other), (at, other), (other, at)):
            data = bytearray(whole)
            if source:
                data[target * 4_096 : target * 4_096 + 4_096] = data[source * 4_096 : source * 4_096 + 4_096]
            else:
                root = _interior(whole)
                data[target * 4_096 : target * 4_096 + 4_096] = data[root * 4_096 : root * 4_096 + 4_096]
            path.write_bytes(data)
            store = damage.opened(tmp_path)
            assert store.renewal is not None and len(store.events(0, 999)) > 200, seed
            store.close()


def _interior(data: bytes) -> int:
    """The page above the events' leaves: an interior page of a table (SQLite's file format, section 1.6: type 5)."""
    pages = [n for n in range(1, len(data) // 4_096) if data[n * 4_096] == 5]
    return max(pages, key=lambda n: int.from_bytes(data[n * 4_096 + 3 : n * 4_096 + 5]))


def test_a_damaged_history_is_carried_over(tmp_path: Path) -> None:
    """Medians before and behind the bad place are in the new file."""
    history = History(tmp_path, 64)
    for n in range(2_000):
        history.add("main", damage.Median(1.7e9 + 600 * n, n / 6, 900, 0.5, 0.01, 23.0, 0.1, 90.0, 40.0, None, None))
    history.close()
    path = tmp_path / "history.db"
    data = bytearray(path.read_bytes())
    data[40 * 4_096 : 41 * 4_096] = bytes(4_096)
    path.write_bytes(data)
    history = History(tmp_path, 64)
    rows = history.medians("main", 0, 2e9, 9_999)
    assert history.renewal is not None and len(rows) > 1_000
    assert rows[0].utc_s == 1.7e9 and rows[-1].utc_s == 1.7e9 + 600 * 1_999
    history.close()


def test_a_history_that_was_there_and_is_missing_is_reported_as_an_empty_one_is(tmp_path: Path) -> None:
    """Years of medians are gone: not to be passed over because nothing is left to look at."""
    settings, topics = tern_settings(), Topics("camdrift/1", "t")

    def start() -> str | None:
        stores = Stores(settings, topics, tmp_path / "d", 300.0)
        stores.close()
        return stores.history.renewal and stores.history.renewal.text

    assert start() is None
    assert start() is None
    (tmp_path / "d" / "history.db").unlink()
    assert start() == "history.db was renewed: it was missing. Rows carried over: none. Rows lost: none known"
    assert start() is None


def test_of_a_large_history_the_structure_is_checked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each row of hundreds of megabytes would delay the start; damage to a page is found all the same, and a damaged
    row when it is read: the next start renews the file."""
    monkeypatch.setattr("gateway.store.history.CHECK_BYTES_MAX", 0)
    history = History(tmp_path, 64.0)
    for n in range(2_000):
        history.add("main", damage.Median(1.7e9 + 600 * n, n / 6, 900, 0.5, 0.01, 23.0, 0.1, 90.0, 40.0, None, None))
    history.flush()
    history.close()
    in_the_file(tmp_path, "UPDATE median SET rpm='x' WHERE utc_s=1.7e9", name="history.db")
    history = History(tmp_path, 64.0)
    assert history.renewal is None
    history.close()
    path = tmp_path / "history.db"
    data = bytearray(path.read_bytes())
    data[8 * 4096 : 12 * 4096] = b"\xff" * (4 * 4096)
    path.write_bytes(data)
    history = History(tmp_path, 64.0)
    assert history.renewal is not None and "was damaged" in history.renewal.text
    history.close()
