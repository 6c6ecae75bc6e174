"""Readers beside the daemon: every question of page, status, report and export against rows counted by hand."""

import sqlite3
from collections.abc import Iterator
from dataclasses import astuple
from pathlib import Path

import pytest

from gateway.model.errors import StorageError
from gateway.model.output import Batch
from gateway.model.records import Median
from gateway.model.settings import GatewaySettings
from gateway.store.history import READING_FIELDS, History, HistoryReader
from gateway.store.outbox import Backlog
from gateway.store.reader import BookingRow, StateReader
from gateway.store.state import NewBooking, NewEvent, NewRetained, StateStore

NOW = 1_800_000_000.0
TS = "2026-03-01T12:00:00.000Z"


def row(n: int, lag: float | None = 0.5, spring: float | None = 180.0, rpm: float = 90.0) -> Median:
    """Ten minutes; `n` of them after NOW."""
    return Median(NOW + 600 * n, 100.0 + n / 6, 900 + n, lag, 0.01, spring, 0.1, rpm, 45.0, None, 0.6)


ROWS = [row(0), row(1, lag=None), row(2, spring=None, rpm=60.0), row(3), row(5, lag=0.9)]


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[HistoryReader]:
    """Five medians of one engine and one of another, and minute means."""
    history = History(tmp_path, 64)
    for item in ROWS:
        history.add("main", item)
    history.add("aux", row(2, lag=7.0))
    for second in range(0, 180, 10):
        values = dict.fromkeys(READING_FIELDS, float(second)) | {"slap_mm": None}
        history.add_reading("main", NOW + second, values)
    history.flush(all_minutes=True)
    made = HistoryReader(tmp_path)
    yield made
    made.close()
    history.close()


def test_medians_by_time_and_by_hours(reader: HistoryReader) -> None:
    """From is in, to is not; a page goes on after the last; hours count by themselves; engines do not mix."""
    assert reader.medians("main", NOW, NOW + 1_800, 10) == ROWS[:3]
    assert reader.medians("main", NOW + 600, NOW + 10_000, 2) == ROWS[1:3]
    assert reader.since_hours("main", ROWS[3].hours) == ROWS[3:]
    assert reader.since_hours("main", 0.0, limit=2) == ROWS[:2]
    assert [m.lag_deg for m in reader.medians("aux", NOW, NOW + 10_000, 10)] == [7.0]
    assert reader.medians("none", NOW, NOW + 10_000, 10) == []


def test_points_are_means_over_even_intervals(reader: HistoryReader) -> None:
    """Six rows' time in three intervals: means of what is known, begin of each, empty ones left out."""
    points = reader.median_points("main", NOW, NOW + 3_600, 3)
    assert [p.utc_s for p in points] == [NOW, NOW + 1_200, NOW + 2_400]
    assert [p.values["lag_deg"] for p in points] == [0.5, 0.5, 0.9]
    assert [p.values["revolutions"] for p in points] == [900.5, 902.5, 905.0]
    assert [p.values["rpm"] for p in points] == [90.0, 75.0, 90.0]
    assert all(p.values["frame_c"] is None for p in points)
    assert "utc_s" not in points[0].values
    assert [p.utc_s for p in reader.median_points("main", NOW + 600, NOW + 2_400, 3)] == [
        NOW + 600, NOW + 1_200, NOW + 1_800,
    ]  # fmt: skip
    assert [p.utc_s for p in reader.median_points("main", NOW, NOW + 3_600, 6)] == [m.utc_s for m in ROWS]
    assert reader.median_points("main", NOW, NOW, 3) == reader.median_points("main", NOW, NOW + 9, 0) == []


def test_readings_are_minute_means(reader: HistoryReader) -> None:
    """Three minutes of ten seconds each: the means by hand, what was never known stays so."""
    points = reader.readings("main", NOW, NOW + 180, 3)
    assert [p.utc_s for p in points] == [NOW, NOW + 60, NOW + 120]
    assert [p.values["rpm"] for p in points] == [25.0, 85.0, 145.0]
    assert {p.values["slap_mm"] for p in points} == {None}
    assert set(points[0].values) == set(READING_FIELDS)
    assert [p.values["rpm"] for p in reader.readings("main", NOW, NOW + 180, 1)] == [85.0]
    assert reader.readings("aux", NOW, NOW + 180, 3) == []


def test_steady_sums_are_those_of_the_rows(reader: HistoryReader) -> None:
    """Rows, hours by turns over speed, the same where lag or spring is known, and the outermost counters."""
    hours = [m.revolutions / m.rpm / 60 for m in ROWS]
    got = astuple(reader.steady("main", NOW, NOW + 3_601))
    assert got[:2] == (5, 0)
    assert got[2] == pytest.approx(sum(hours))
    assert (got[3], got[5]) == (4, 4)
    assert got[4] == pytest.approx(sum(hours) - hours[1])
    assert got[6] == pytest.approx(sum(hours) - hours[2])
    assert got[7:] == ((ROWS[0].utc_s, ROWS[0].hours), (ROWS[-1].utc_s, ROWS[-1].hours))
    part = astuple(reader.steady("main", NOW + 600, NOW + 1_800))
    assert part[0] == 2
    assert part[7:] == ((ROWS[1].utc_s, ROWS[1].hours), (ROWS[2].utc_s, ROWS[2].hours))
    assert astuple(reader.steady("main", NOW + 9_000, NOW + 9_001)) == (0, 0, 0.0, 0, 0.0, 0, 0.0, None, None)


def test_counters_at_both_ends(reader: HistoryReader) -> None:
    """First by default, last when asked, none where nothing is."""
    assert reader.counter("main", NOW + 1, NOW + 10_000) == (ROWS[1].utc_s, ROWS[1].hours)
    assert reader.counter("main", NOW, NOW + 3_000, last=True) == (ROWS[3].utc_s, ROWS[3].hours)
    assert reader.counter("aux", NOW, NOW + 1_200) is None


@pytest.mark.parametrize("made", [HistoryReader, StateReader])
def test_a_store_that_is_not_there_is_told_and_not_made(made: type[HistoryReader], tmp_path: Path) -> None:
    """Whoever only reads makes nothing."""
    name = "history.db" if made is HistoryReader else "state.db"
    with pytest.raises(StorageError) as told:
        made(tmp_path)
    assert str(told.value) == f"{tmp_path / name}: there is none yet; `camdrift run` makes it"
    assert list(tmp_path.iterdir()) == []


def test_a_reader_cannot_write_and_tells_what_fails(reader: HistoryReader, tmp_path: Path) -> None:
    """Its connection refuses, and a question to a file without its tables is a storage error with the path."""
    with pytest.raises(sqlite3.Error):
        reader._db.execute("DELETE FROM median")
    with pytest.raises(StorageError, match=r"history\.db: .*no such table"):
        reader._all("SELECT 1 FROM absent")


ENTRY = '{"kind":"hand-play","play_links":0.5}'


@pytest.fixture
def state(tmp_path: Path) -> Iterator[StateReader]:
    """Six events, two retained values, bookings of two engines, a checkpoint, two brokers."""
    brokers = {"ship": frozenset({"event", "alarm"}), "shore": frozenset({"trend"})}
    store = StateStore(tmp_path, GatewaySettings(), brokers=brokers, ballast_bytes=4_096)
    events = [
        NewEvent(f"t/{n}", "alarm" if n % 2 else "adjustment", {"ts": f"2026-03-01T12:00:0{n}.000Z", "n": n})
        for n in range(6)
    ]
    kept = [NewRetained("b", "trend", b"{}"), NewRetained("a", "alarm", b"[]")]
    booked = [NewBooking(e, f"{e}-{n}", "hand-play", TS, ENTRY) for n in range(2) for e in ("main", "aux")]
    store.commit(Batch(events, kept, {"x": {"a": [1, None]}}, booked))
    made = StateReader(tmp_path)
    made.own = store.gateway_id  # type: ignore[attr-defined]
    yield made
    made.close()
    store.close()


def test_the_log_book_comes_in_the_order_of_typing(state: StateReader) -> None:
    """Each engine's own, whole, from JSON."""
    wanted = [
        BookingRow("main", f"main-{n}", "hand-play", TS, {"kind": "hand-play", "play_links": 0.5}) for n in (0, 1)
    ]
    assert state.bookings("main") == wanted
    assert [b.id for b in state.bookings("aux")] == ["aux-0", "aux-1"]
    assert state.bookings("none") == []


def test_events_by_page_kind_and_end(state: StateReader) -> None:
    """Above a seq, so many, of a kind, from either end, each with topic, kind, bytes and time."""
    assert [e.seq for e in state.events(0, 10)] == [1, 2, 3, 4, 5, 6]
    assert [e.seq for e in state.events(2, 3)] == [3, 4, 5]
    assert [e.seq for e in state.events(0, 2, newest_first=True)] == [6, 5]
    assert [e.seq for e in state.events(1, 10, kind="alarm")] == [2, 4, 6]
    first = state.events(0, 1)[0]
    assert (first.topic, first.kind, first.utc) == ("t/0", "adjustment", "2026-03-01T12:00:00.000Z")
    assert b'"n":0' in first.payload


def test_what_stands_beside_events(state: StateReader) -> None:
    """Name, checkpoint, brokers, retained values by topic, backlog of each broker."""
    assert state.gateway_id() == state.own  # type: ignore[attr-defined]
    assert state.checkpoint("x") == {"a": [1, None]}
    assert state.checkpoint("y") is None
    assert state.brokers() == ["ship", "shore"]
    assert [(r.topic, r.klass, r.payload) for r in state.retained()] == [("a", "alarm", b"[]"), ("b", "trend", b"{}")]
    assert state.backlog("ship") == Backlog(6, "2026-03-01T12:00:00.000Z", 0, 0)
    assert state.backlog("none") == Backlog(0, None, 0, 0)
    shore = state.backlog("shore")
    assert (shore.count, shore.oldest_utc) == (0, None)
