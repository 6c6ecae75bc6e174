"""Reading `history.db` without holding it: the page, `export` and `report` beside a running daemon."""

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from gateway.model.records import Median, SteadyRows
from gateway.store.bad_rows import BAD_ROWS
from gateway.store.read_only import ReadOnlyFile

READING_FIELDS = (
    "rpm",
    "spring_mm",
    "compression_mm",
    "tension_n",
    "slap_mm",
    "lag_deg",
    "lag_p2p_deg",
    "casing_c",
)
COLUMNS = tuple(f.name for f in fields(Median))


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """Means of the present over an interval that begins at `utc_s`; keys as READING_FIELDS, None = not known."""

    utc_s: float
    values: Mapping[str, float | None]


class HistoryReader(ReadOnlyFile):
    """Reads `history.db`, also beside a running daemon, from any thread. Times: seconds since 1970."""

    def __init__(self, data_dir: Path) -> None:
        super().__init__(data_dir / "history.db", "NORMAL")

    def medians(self, engine: str, from_utc: float, to_utc: float, limit: int) -> list[Median]:
        """Up to `limit` medians in [from, to), oldest first; go on from just after the last for the next page."""
        return self._medians("utc_s >= ? AND utc_s < ? ORDER BY utc_s LIMIT ?", engine, from_utc, to_utc, limit)

    def since_hours(self, engine: str, hours: float, limit: int = 500_000) -> list[Median]:
        """All medians from these running hours on, by hours."""
        return self._medians("hours >= ? ORDER BY hours LIMIT ?", engine, hours, limit)

    def median_points(self, engine: str, from_utc: float, to_utc: float, points: int) -> list[ReadingRow]:
        """Medians in [from, to) averaged into at most `points` equal intervals, empty ones left out: for a plot."""
        return self._points("median", COLUMNS[1:], engine, from_utc, to_utc, points)

    def readings(self, engine: str, from_utc: float, to_utc: float, points: int) -> list[ReadingRow]:
        """Minute means in [from, to) averaged into at most `points` equal intervals, empty ones left out."""
        return self._points("reading", READING_FIELDS, engine, from_utc, to_utc, points)

    def steady(self, engine: str, from_utc: float, to_utc: float) -> SteadyRows:
        """The sums over all medians in [from, to)."""
        h = "revolutions / rpm / 60"
        rows, thinned, turns_h, lag_rows, lag_h, spring_rows, spring_h = self._all(
            f"SELECT count(*), count(iif(grade > 0, 1, NULL)), total({h}), count(lag_deg), "
            f"total(iif(lag_deg IS NULL, 0, {h})), "
            f"count(spring_mm), total(iif(spring_mm IS NULL, 0, {h})) FROM median "
            "WHERE engine=(SELECT id FROM engine WHERE slug=?) AND utc_s >= ? AND utc_s < ?",
            engine,
            from_utc,
            to_utc,
        )[0]
        first, last = (self.counter(engine, from_utc, to_utc, last=x) for x in (False, True))
        return SteadyRows(rows, thinned, turns_h, lag_rows, lag_h, spring_rows, spring_h, first, last)

    def counter(self, engine: str, from_utc: float, to_utc: float, *, last: bool = False) -> tuple[float, float] | None:
        """(UTC, running hours) of the first, or the last, median in [from, to); `None` where there is none."""
        found = self._all(
            "SELECT utc_s, hours FROM median WHERE engine=(SELECT id FROM engine WHERE slug=?) AND utc_s >= ? "
            f"AND utc_s < ? ORDER BY utc_s {'DESC' if last else 'ASC'} LIMIT 1",
            engine,
            from_utc,
            to_utc,
        )
        return found[0] if found else None

    def trend_at(self, engine: str, utc_s: float) -> tuple[float, bytes] | None:
        """(UTC, payload) of the last trend kept up to that time; `None` where none is kept."""
        found = self._trends("utc_s <= ? ORDER BY day DESC LIMIT 1", engine, utc_s)
        return found[0] if found else None

    def trends(self, engine: str, from_utc: float, to_utc: float, limit: int) -> list[tuple[float, bytes]]:
        """(UTC, payload) of the trends kept in [from, to), one a day, oldest first."""
        return self._trends("utc_s >= ? AND utc_s < ? ORDER BY day LIMIT ?", engine, from_utc, to_utc, limit)

    def kept_events(self, after_seq: int, limit: int) -> list[tuple[int, str, bytes]]:
        """(seq, topic, payload) of the events kept for the survey file above `after_seq`, by seq."""
        if not self._has("kept_event"):
            return []
        sql = "SELECT seq, topic, payload FROM kept_event WHERE seq > ? ORDER BY seq LIMIT ?"
        found = []
        for seq, topic, kept in self._as_far_as(sql, after_seq, limit)[0]:
            try:
                found.append((int(seq), str(topic), zlib.decompress(kept)))
            except (zlib.error, TypeError, ValueError):
                BAD_ROWS.note(self._path, "event", seq)
        return found

    def kept_between(self, topic: str, from_utc: float, to_utc: float, limit: int) -> list[tuple[int, bytes]]:
        """(seq, payload) of the events of `topic` kept in [from, to), by seq; where there are more, the last ones."""
        if not self._has("kept_event"):
            return []
        sql = "SELECT seq, payload FROM kept_event WHERE topic=? AND utc_s >= ? AND utc_s < ? ORDER BY seq DESC LIMIT ?"
        found = []
        for seq, kept in reversed(self._as_far_as(sql, topic, from_utc, to_utc, limit)[0]):
            try:
                found.append((int(seq), zlib.decompress(kept)))
            except (zlib.error, TypeError, ValueError):
                BAD_ROWS.note(self._path, "event", seq)
        return found

    def _has(self, table: str) -> bool:
        # A file that an older gateway still writes lacks the newer tables: nothing is kept, and nothing is damaged.
        return bool(self._all("SELECT 1 FROM sqlite_master WHERE type='table' AND name=?", table))

    def _trends(self, where: str, engine: str, *values: object) -> list[tuple[float, bytes]]:
        if not self._has("trend"):
            return []
        sql = f"SELECT utc_s, payload FROM trend WHERE engine=(SELECT id FROM engine WHERE slug=?) AND {where}"
        rows, _ = self._as_far_as(sql, engine, *values)
        found = []
        for utc_s, kept in rows:
            try:
                found.append((float(utc_s), zlib.decompress(kept)))
            except (zlib.error, TypeError, ValueError):
                BAD_ROWS.note(self._path, "trend", utc_s)
        return found

    def _medians(self, where: str, engine: str, *values: object) -> list[Median]:
        sql = f"SELECT {', '.join(COLUMNS)} FROM median WHERE engine=(SELECT id FROM engine WHERE slug=?) AND {where}"
        return [Median(*row) for row in self._readable(sql, engine, *values)]

    def _points(
        self, table: str, columns: Sequence[str], engine: str, from_utc: float, to_utc: float, points: int
    ) -> list[ReadingRow]:
        if not (to_utc > from_utc and points > 0):
            return []
        width = (to_utc - from_utc) / points
        means = ", ".join(f"avg({c})" for c in columns)
        rows = self._readable(
            f"SELECT CAST((utc_s - ?1) / ?2 AS INTEGER) AS slot, {means} FROM {table} "
            "WHERE engine=(SELECT id FROM engine WHERE slug=?3) AND utc_s >= ?1 AND utc_s < ?4 GROUP BY slot "
            "ORDER BY slot LIMIT ?5",
            from_utc,
            width,
            engine,
            to_utc,
            points,
        )
        return [ReadingRow(from_utc + row[0] * width, dict(zip(columns, row[1:], strict=True))) for row in rows]

    def _readable(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """The rows of numbers before the first place that cannot be read; what is left out is noted."""
        rows, _ = self._as_far_as(sql, *values)
        sound = [row for row in rows if all(x is None or isinstance(x, float | int) for x in row)]
        if len(sound) < len(rows):
            BAD_ROWS.note(self._path, "row", rows[0][0])
        return sound
