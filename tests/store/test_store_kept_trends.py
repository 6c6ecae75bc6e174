"""Trends and events kept in the history for reports of periods long past; and files from before there were any."""

import json
import sqlite3
from importlib.resources import files
from pathlib import Path

import pytest
import report_rig
from report_rig import N, U

from gateway.model.enums import Priority
from gateway.model.output import Batch, NewEvent
from gateway.model.settings import GatewaySettings
from gateway.model.sql_script import statements
from gateway.store import history as module
from gateway.store.history import History, HistoryReader
from gateway.store.state import StateStore
from gateway.store.writer import Writer

DAY_S = 86_400.0
NOW = 1_800_000_000.0 // DAY_S * DAY_S

EVENTS = [
    report_rig.started(NOW),
    report_rig.alarm(NOW, "main", "slap-high", N, U),
    report_rig.alarm(NOW, "main", "lag-limit", N, U, Priority.ALARM),
    (None, report_rig.alarm(NOW + 1, "main", "slap-high", U, report_rig.A)[1] | {"by": "second"}),
]


def kept(folder: Path, engine: str = "main") -> list[tuple[float, bytes]]:
    """All of them, by a reader of its own."""
    reader = HistoryReader(folder)
    found = reader.trends(engine, 0.0, 4e9, 100_000)
    reader.close()
    return found


def test_of_each_day_the_last_is_kept(tmp_path: Path) -> None:
    """Also over several flushes, and where an older one comes late; engines do not mix."""
    history = History(tmp_path, 64)
    for hour in range(50):
        history.add_trend("main", NOW + hour * 3_600, b"%d" % hour)
        if hour % 7 == 0:
            history.flush()
    history.add_trend("aux", NOW + 5, b"other")
    history.flush()
    history.add_trend("main", NOW + 2 * 3_600, b"late")
    history.flush()
    expected = [(NOW + h * 3_600, b"%d" % h) for h in (23, 47, 49)]
    assert kept(tmp_path) == expected and kept(tmp_path, "aux") == [(NOW + 5, b"other")]
    history.close()
    reader = HistoryReader(tmp_path)
    assert reader.trend_at("main", NOW + DAY_S) == expected[0]
    assert reader.trend_at("main", NOW + 23 * 3_600 - 1) is None, "what came later is not of this time"
    assert reader.trend_at("main", 4e9) == expected[2] and reader.trend_at("nobody", 4e9) is None
    reader.close()


def test_trends_outlive_two_dockings_and_no_more(tmp_path: Path) -> None:
    """Eleven years of them stay; what is older goes by thinning."""
    history = History(tmp_path, 64)
    days = int(module.TREND_DAYS) + 9
    for day in range(days):
        history.add_trend("main", NOW - day * DAY_S, b"x" * 50)
    history.flush()
    while history.thin(NOW):
        pass
    history.close()
    oldest = kept(tmp_path)[0][0]
    assert module.TREND_DAYS <= (NOW - oldest) / DAY_S < module.TREND_DAYS + 1


def test_a_file_from_before_is_read_and_brought_up_to_date(tmp_path: Path) -> None:
    """A reader beside an older gateway finds none and calls nothing damaged; the next start makes the table."""
    path = tmp_path / "history.db"
    script = (files("gateway.store") / "steps" / "history" / "0001_medians.sql").read_text(encoding="utf-8")
    db = sqlite3.connect(path)
    for statement in statements(script, sqlite3.complete_statement):
        db.execute(statement)
    db.execute("INSERT INTO engine VALUES (1, 'main')")
    db.execute("INSERT INTO median VALUES (1, ?, 0, 5, 700, 0.5, NULL, 180, NULL, 90, NULL, NULL, NULL)", (NOW,))
    db.execute("PRAGMA user_version=1")
    db.commit()
    db.close()
    assert kept(tmp_path) == []
    history = History(tmp_path, 64)
    assert history.renewal is None
    history.add_trend("main", NOW, b"first")
    history.close()
    assert kept(tmp_path) == [(NOW, b"first")]
    reader = HistoryReader(tmp_path)
    assert [m.utc_s for m in reader.medians("main", 0, 4e9, 9)] == [NOW]
    reader.close()


def test_a_damaged_trend_costs_only_itself(tmp_path: Path) -> None:
    """The others are still read; the start replaces the file and carries them over."""
    history = History(tmp_path, 64)
    for day in range(3):
        history.add_trend("main", NOW + day * DAY_S, b"%d" % day)
    history.close()
    with sqlite3.connect(tmp_path / "history.db") as db:
        db.execute("UPDATE trend SET payload=x'00' WHERE day=?", (NOW // DAY_S + 1,))
    db.close()
    sound = [(NOW, b"0"), (NOW + 2 * DAY_S, b"2")]
    assert kept(tmp_path) == sound
    again = History(tmp_path, 64)
    assert again.renewal is not None and kept(tmp_path) == sound
    again.close()


def test_events_of_a_survey_stay_after_the_outbox_lets_go(tmp_path: Path) -> None:
    """Alarms of priority alarm, people's acts and starts; the others are passed over. The number is bounded."""
    history = History(tmp_path, 64)
    for seq, (_, body) in enumerate(EVENTS, 1):
        history.add_event(seq, "t", body)
    history.close()
    reader = HistoryReader(tmp_path)
    assert [seq for seq, _, _ in reader.kept_events(0, 99)] == [1, 3, 4]
    assert [json.loads(p)["ts"] for _, _, p in reader.kept_events(3, 99)] == [EVENTS[3][1]["ts"]]
    reader.close()


def test_events_kept_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Beyond the bound the oldest go."""
    monkeypatch.setattr(module, "KEPT_EVENTS_MAX", 10)
    history = History(tmp_path, 64)
    for seq in range(1, 31):
        history.add_event(seq, "t", EVENTS[0][1])
    history.flush()
    while history.thin(report_rig.BEGIN_S):
        pass
    assert [seq for seq, _, _ in history.kept_events(0, 99)] == list(range(21, 31))
    history.close()


def test_the_writer_keeps_them(tmp_path: Path) -> None:
    """What is committed with its seq comes into the history with the same."""
    history = History(tmp_path, 64)
    store = StateStore(tmp_path, GatewaySettings(), brokers={})
    writer = Writer(store, history)
    writer.start()
    writer.submit(Batch([NewEvent("t", body["kind"], body) for _, body in EVENTS]))
    assert writer.drain(60.0) and writer.stop(60.0)
    events = {row.seq: json.loads(row.payload) for row in store.events(0, 99)}
    found = history.kept_events(0, 99)
    assert [seq for seq, _, _ in found] == [1, 3, 4]
    assert all(events[seq].items() >= json.loads(payload).items() for seq, _, payload in found)
    store.close()
    history.close()
