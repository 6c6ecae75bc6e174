"""The second copy of the log book: one line a booking, checked, bounded, whole again after damage."""

from pathlib import Path

import pytest

from gateway.model.errors import StorageError
from gateway.model.output import Batch, NewBooking
from gateway.model.settings import GatewaySettings
from gateway.store import logbook as module
from gateway.store.logbook import Line, Logbook
from gateway.store.state import StateStore

TS = "2026-03-01T12:00:00.000Z"
ROWS: list[Line] = [("main", f"b{n}", "hand-play", TS, f'{{"note":"chain {n} \u00b0"}}') for n in range(5)]


def opened(folder: Path) -> StateStore:
    return StateStore(folder, GatewaySettings(), brokers={}, ballast_bytes=4_096)


@pytest.fixture
def book(tmp_path: Path) -> Logbook:
    """Five bookings, written one after another."""
    made = Logbook(tmp_path / "logbook.jsonl")
    for row in ROWS:
        made.append([row])
    return made


def test_lines_are_read_as_they_were_written(book: Logbook) -> None:
    """In order, each once; where there is no file, nothing and no fault."""
    assert book.read() == ROWS and not book.damaged and book.there
    book.append([ROWS[0]])
    assert book.read() == ROWS
    none = Logbook(book.path.with_name("none"))
    assert (none.there, none.read(), none.damaged) == (False, [], False)


def test_a_torn_last_line_costs_itself_alone(book: Logbook) -> None:
    """Cut at every byte of it: the four before are there, and the next booking stands on a line of its own."""
    whole = book.path.read_bytes()
    last = whole.rstrip(b"\n").rfind(b"\n") + 1
    for end in range(last + 1, len(whole) - 1):
        book.path.write_bytes(whole[:end])
        assert book.read() == ROWS[:4] and book.damaged
        book.append([ROWS[4]])
        assert book.read() == ROWS


def test_no_flipped_bit_makes_another_booking(book: Logbook) -> None:
    """Whatever bit it is, what is read was written."""
    whole = book.path.read_bytes()
    for at in range(0, len(whole) * 8, 7):
        data = bytearray(whole)
        data[at // 8] ^= 1 << at % 8
        book.path.write_bytes(data)
        assert set(book.read()) <= set(ROWS) and len(book.read()) >= 3


def test_it_is_bounded(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Full, it takes no more and says so; a folder in its place is a fault with words."""
    monkeypatch.setattr(module, "FILE_BYTES_MAX", book.path.stat().st_size + 10)
    with pytest.raises(StorageError, match="is full"):
        book.append([ROWS[0]])
    assert book.read() == ROWS
    book.path.unlink()
    book.path.mkdir()
    with pytest.raises(StorageError, match=r"second copy .* not written"):
        book.append([ROWS[0]])
    assert book.read() == [] and book.damaged


def test_the_store_writes_each_booking_to_it(tmp_path: Path) -> None:
    """After the commit, not before: what was refused is in neither."""
    store = opened(tmp_path)
    store.commit(Batch(bookings=[NewBooking(*ROWS[0])]))
    assert store.copy_bookings() and not store.copy_bookings()
    with pytest.raises(ValueError):
        store.commit(Batch(bookings=[NewBooking(*ROWS[0])]))
    assert not store.copy_bookings()
    assert Logbook(tmp_path / "logbook.jsonl").read() == ROWS[:1]
    store.commit(Batch(bookings=[NewBooking(*ROWS[1])]))
    store.close()
    assert Logbook(tmp_path / "logbook.jsonl").read() == ROWS[:2]


@pytest.mark.parametrize("harm", ["gone", "damaged", "folder", "one line short"])
def test_a_start_makes_it_whole_again(tmp_path: Path, harm: str) -> None:
    """Deleted, overwritten, replaced by a folder, or short of a booking made just before a kill."""
    store = opened(tmp_path)
    store.commit(Batch(bookings=[NewBooking(*row) for row in ROWS]))
    store.close()
    path = tmp_path / "logbook.jsonl"
    data = path.read_bytes()
    path.unlink()
    if harm == "damaged":
        path.write_bytes(data[:100] + b"\xff\n" + data[150:])
    elif harm == "folder":
        path.mkdir()
    elif harm == "one line short":
        path.write_bytes(data[: data.rstrip(b"\n").rfind(b"\n") + 1])
    store = opened(tmp_path)
    assert store.renewal is None and len(store.bookings("main")) == 5
    store.close()
    book = Logbook(path)
    assert sorted(book.read()) == ROWS and not book.damaged


def test_the_file_s_damaged_entry_is_put_right(tmp_path: Path) -> None:
    """A digit that changed in the database: the copy with the checksum is right."""
    store = opened(tmp_path)
    store.commit(Batch(bookings=[NewBooking(*row) for row in ROWS]))
    store._db.execute("UPDATE booking SET entry='{}' WHERE id='b2'")
    store.close()
    store = opened(tmp_path)
    assert [row.entry["note"] for row in store.bookings("main")] == [f"chain {n} \u00b0" for n in range(5)]
    store.close()
