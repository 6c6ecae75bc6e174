"""The history file: groups, thinning by the written rule, bounds, and questions over years."""

import statistics
from pathlib import Path

import pytest

from gateway.model.errors import StorageError
from gateway.model.records import Median
from gateway.store import history as module
from gateway.store.history import HOURLY_DAYS, READING_FIELDS, TEN_MINUTES_DAYS, History, HistoryReader, merged
from gateway.store.history_reader import COLUMNS

DAY_S = 86_400.0
NOW = 1_800_000_000.0 // DAY_S * DAY_S


def row(utc_s: float, lag_deg: float | None = 0.5, revolutions: int = 700) -> Median:
    """A median whose hours follow its time."""
    return Median(utc_s, utc_s / 3_600, revolutions, lag_deg, 0.01, 180.0, 0.1, 90.0, 45.0, None, 0.6)


def fill(history: History, start_s: float, count: int, step_s: float = 600.0, engine: str = "main") -> list[Median]:
    """Rows from `start_s` on, written."""
    rows = [row(start_s + n * step_s, lag_deg=n * 1e-4) for n in range(count)]
    for item in rows:
        history.add(engine, item)
    history.flush()
    return rows


def thin_all(history: History) -> int:
    """Thin until nothing is left to do; the number of steps."""
    for step in range(1_000):
        if not history.thin(NOW):
            return step
    raise AssertionError("thinning does not end")


def test_medians_come_back_as_they_went(tmp_path: Path) -> None:
    """A median keeps every figure, unknown ones too, and engines do not mix."""
    history = History(tmp_path, 64)
    rows = fill(history, NOW, 50)
    other = fill(history, NOW, 3, engine="aux")
    lost = row(NOW + 1e6, lag_deg=None)
    history.add("main", lost)
    assert history.medians("main", NOW, NOW + 2e6, 1_000) == rows, "before the flush it is only remembered"
    history.flush()
    assert history.medians("main", NOW, NOW + 2e6, 1_000) == [*rows, lost]
    assert history.medians("main", NOW + 600, NOW + 1_800, 1_000) == rows[1:3]
    assert history.medians("main", NOW, NOW + 2e6, 7) == rows[:7]
    assert history.medians("aux", NOW, NOW + 2e6, 1_000) == other
    assert history.since_hours("main", rows[20].hours) == [*rows[20:], lost]
    assert history.medians("nobody", NOW, NOW + 2e6, 1_000) == []
    history.close()
    assert HistoryReader(tmp_path).since_hours("main", 0.0) == [*rows, lost]


def test_thinning_keeps_by_age(tmp_path: Path) -> None:
    """Ten-minute rows for 400 days, one an hour up to five years, then one a day; nothing else changes."""
    history = History(tmp_path, 64)
    recent = fill(history, NOW - (TEN_MINUTES_DAYS - 2) * DAY_S, 144)
    older = fill(history, NOW - (TEN_MINUTES_DAYS + 10) * DAY_S, 144)
    oldest = fill(history, NOW - (HOURLY_DAYS // 1 + 10) * DAY_S, 288)
    thin_all(history)
    assert history.medians("main", recent[0].utc_s, recent[-1].utc_s + 1, 999) == recent
    hourly = history.medians("main", older[0].utc_s, older[-1].utc_s + 1, 999)
    assert hourly == [merged(older[n : n + 6]) for n in range(0, 144, 6)]
    daily = history.medians("main", 0, oldest[-1].utc_s + 1, 999)
    assert [item.revolutions for item in daily] == [144 * 700, 144 * 700]
    assert daily[0].lag_deg == pytest.approx(statistics.median(item.lag_deg or 0.0 for item in oldest[:144]))
    assert history.thin(NOW) == 0
    history.close()


def test_thinning_goes_in_bounded_steps(tmp_path: Path) -> None:
    """No single step takes more than its share, whatever has piled up, and no hour is cut in two by a step's end."""
    history = History(tmp_path, 64)
    rows = fill(history, NOW - 600 * DAY_S, 12_000)
    assert history.thin(NOW) <= 5_000
    assert thin_all(history) >= 2
    hourly = history.medians("main", 0, NOW, 10_000)
    assert [item.revolutions for item in hourly] == [6 * 700] * (len(rows) // 6)
    history.close()


def test_merged_leaves_out_what_is_not_known() -> None:
    """Unknown figures do not enter the median; all unknown stays unknown."""
    whole = merged([row(0, None), row(600, 0.2), row(1_200, 0.4), row(1_800, None)])
    assert (whole.lag_deg, whole.frame_c, whole.utc_s, whole.revolutions) == (pytest.approx(0.3), None, 900.0, 2_800)


def test_readings_become_minute_means_and_points(tmp_path: Path) -> None:
    """Readings are averaged by the minute; unknown ones do not pull the mean; a plot gets no more points than asked."""
    history = History(tmp_path, 64)
    for n in range(120):
        history.add_reading("main", NOW + 10 * n, {"rpm": 80.0 + n % 6, "lag_deg": None if n % 2 else 1.0})
    history.flush()
    minutes = history.readings("main", NOW, NOW + 1_200, 20)
    assert [m.utc_s for m in minutes] == [NOW + 60 * n for n in range(19)], "the last minute is not over"
    assert minutes[3].values["rpm"] == pytest.approx(82.5)
    assert (minutes[3].values["lag_deg"], minutes[3].values["spring_mm"]) == (1.0, None)
    history.flush(all_minutes=True)
    thinned = history.readings("main", NOW, NOW + 1_200, 4)
    assert len(thinned) == 4
    assert all(point.values["rpm"] == pytest.approx(82.5) for point in thinned)
    assert history.readings("main", NOW, NOW, 4) == []
    with pytest.raises(ValueError, match="speed"):
        history.add_reading("main", NOW, {"speed": 1.0})
    history.close()


def test_minute_means_go_after_thirty_five_days(tmp_path: Path) -> None:
    """The page's hours view holds five weeks."""
    history = History(tmp_path, 64)
    for age in (36, 34):
        history.add_reading("main", NOW - age * DAY_S, {"rpm": 80.0})
    history.flush(all_minutes=True)
    thin_all(history)
    assert [m.utc_s for m in history.readings("main", 0, NOW, 10_000)] != []
    assert history.readings("main", 0, NOW - 35 * DAY_S, 10) == []
    history.close()


@pytest.mark.slow
def test_size_is_bounded_and_minute_means_go_first(tmp_path: Path) -> None:
    """When the file nears its megabytes the minute means pay before any median does."""
    history = History(tmp_path, 8)
    rows = fill(history, NOW, 1_000)
    for start in range(0, 120_000, 6_000):
        for n in range(start, start + 6_000):
            history.add_reading("main", NOW + 60 * n, dict.fromkeys(READING_FIELDS, 1.0 + n / 7))
        history.flush()
    assert (tmp_path / "history.db").stat().st_size <= 8 * 1024 * 1024
    assert history.readings("main", NOW, NOW + 60 * 1_000, 10) == []
    assert history.readings("main", NOW + 60 * 119_000, NOW + 60 * 120_000, 10) != []
    assert history.medians("main", 0, 4e9, 5_000) == rows
    history.close()


def test_damaged_history_is_set_aside(tmp_path: Path) -> None:
    """A damaged history does not keep the daemon from starting; the old file stays for whoever can read it."""
    history = History(tmp_path, 64)
    fill(history, NOW, 2_000)
    history.close()
    path = tmp_path / "history.db"
    path.write_bytes(b"not a database at all" * 1_000)
    history = History(tmp_path, 64)
    assert history.renewal is not None and history.renewal.kept_as == tmp_path / "history.db.corrupt-1"
    assert history.since_hours("main", 0.0) == []
    history.close()


def test_each_step_tells_how_many_rows_it_dealt_with(tmp_path: Path) -> None:
    """Rows of every engine and every grade add up; the caller goes on until it hears nought."""
    history = History(tmp_path, 64)
    old = NOW - (TEN_MINUTES_DAYS + 10) * DAY_S
    fill(history, old, 12)
    fill(history, old, 6, engine="aux")
    history.add_reading("main", NOW - 36 * DAY_S, {"rpm": 80.0})
    history.add_reading("aux", NOW - 36 * DAY_S, {"rpm": 80.0})
    history.flush(all_minutes=True)
    assert history.thin(NOW) == 12 + 6 + 2
    assert history.thin(NOW) == 0
    history.close()


def test_an_hour_becomes_one_row_only_when_all_of_it_is_old(tmp_path: Path) -> None:
    """The age falls within an hour: its rows wait, those of the hour before do not."""
    history = History(tmp_path, 64)
    begin = NOW - TEN_MINUTES_DAYS * DAY_S
    fill(history, begin, 12)
    assert history.thin(NOW + 3_600 + 1_800) == 6
    assert [m.revolutions for m in history.medians("main", 0, NOW, 99)] == [6 * 700] + [700] * 6
    assert history.thin(NOW + 2 * 3_600) == 6
    assert [m.revolutions for m in history.medians("main", 0, NOW, 99)] == [6 * 700] * 2
    history.close()


@pytest.mark.parametrize("step_rows", [6, 7, 8, 11, 12])
def test_no_hour_is_cut_by_a_step_s_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step_rows: int) -> None:
    """However the steps fall on the hours, each hour becomes one row of all its revolutions."""
    monkeypatch.setattr(module, "STEP_ROWS", step_rows)
    history = History(tmp_path, 64)
    fill(history, NOW - 600 * DAY_S, 24)
    thin_all(history)
    assert [m.revolutions for m in history.medians("main", 0, NOW, 99)] == [6 * 700] * 4
    history.close()


def test_more_rows_in_an_hour_than_a_step_takes_do_not_stop_the_thinning(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A clock set back may leave so many: the step takes what it can rather than nothing for ever."""
    monkeypatch.setattr(module, "STEP_ROWS", 5)
    history = History(tmp_path, 64)
    fill(history, NOW - 600 * DAY_S, 12, step_s=60.0)
    thin_all(history)
    rows = history.medians("main", 0, NOW, 99)
    assert sum(m.revolutions for m in rows) == 12 * 700
    assert len(rows) <= 3
    history.close()


def test_thinning_that_fails_says_which_file(tmp_path: Path) -> None:
    """The path and SQLite's own word."""
    history = History(tmp_path, 64)
    history._writer.execute("DROP TABLE reading")
    history._writer.execute("INSERT INTO engine (slug) VALUES ('main')")
    with pytest.raises(StorageError, match=r"history\.db: .*no such table: reading"):
        history.thin(NOW)
    history.close()


def test_medians_pay_when_no_minute_means_are_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The oldest of them, by a step, so that the newest always fit."""
    monkeypatch.setattr(module, "STEP_ROWS", 100)
    history = History(tmp_path, 1)
    for start in range(0, 20_000, 400):
        fill(history, NOW + start * 600, 400)
    assert (tmp_path / "history.db").stat().st_size <= 1024 * 1024
    kept = history.medians("main", 0, 4e9, 50_000)
    assert kept[-1].utc_s == NOW + 19_999 * 600
    assert 6_000 < len(kept) < 20_000
    history.close()


@pytest.mark.parametrize("minutes", [0, 300])
def test_what_has_piled_up_fits_into_a_full_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, minutes: int) -> None:
    """After a long failure of the disk more comes at once than a step takes out: it is written, or never would be."""
    monkeypatch.setattr(module, "STEP_ROWS", 50)
    history = History(tmp_path, 1)
    for n in range(minutes):
        history.add_reading("main", NOW + 60 * n, {"rpm": 80.0})
    for start in range(0, 9_000, 50):
        fill(history, NOW + start * 600, 50)
    piled = fill(history, NOW + 9_000 * 600, 4_000)
    assert history.medians("main", piled[0].utc_s, 4e9, 50_000) == piled
    assert history.readings("main", NOW, NOW + 60 * 300, 9) == []
    history.close()


def test_points_hold_every_figure_of_a_median(tmp_path: Path) -> None:
    """The running hours among them; only the time is the interval's own."""
    history = History(tmp_path, 64)
    fill(history, NOW, 2)
    (point,) = history.median_points("main", NOW, NOW + 1_200, 1)
    assert set(point.values) == set(COLUMNS) - {"utc_s"}
    assert point.values["hours"] == pytest.approx((NOW + 300) / 3_600)
    history.close()
