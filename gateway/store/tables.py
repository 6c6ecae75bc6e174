"""What a row of each table may hold: checked at each start as far as it is cheap, and row by row after damage."""

import json
import math
import zlib
from typing import Any

from gateway.encode.times import utc_of
from gateway.store.history_reader import COLUMNS, READING_FIELDS
from gateway.store.reader import unpacked
from gateway.store.salvage import Row, Table

SEQ_MAX = 2**53
"""Beyond this JSON's readers no longer separate two numbers; no ship stores so many events."""
KINDS = ("alarm", "adjustment", "gateway")
KLASSES = ("alarm", "trend")


def _counts(*values: object) -> bool:
    return all(type(v) is int and 0 <= v <= SEQ_MAX for v in values)


def _texts(*values: object) -> bool:
    return all(type(v) is str for v in values)


def _fact(row: Row) -> bool:
    key, value = row
    if not _texts(key, value):
        return False
    if key == "gateway_id":
        return len(value) > 0
    if key == "floor":
        return _counts(int(value))
    if key == "note":
        seq, first, last, lost = json.loads(value)
        return _counts(seq, first, last, *lost.values()) and _texts(*lost)
    return True


def _broker(row: Row) -> bool:
    name, active, classes, *counts = row
    return _texts(name, classes) and active in (0, 1) and _counts(*counts)


def _retained(row: Row) -> bool:
    topic, klass, rev, payload = row
    return _texts(topic) and klass in KLASSES and _counts(rev) and type(payload) is bytes


def _done(row: Row) -> bool:
    return _texts(*row[:2]) and _counts(row[2])


def _checkpoint(row: Row) -> bool:
    unpacked(row[1])
    return _texts(row[0])


def _booking(row: Row) -> bool:
    n, engine, name, kind, utc, entry = row
    return _counts(n) and _texts(engine, name, kind, utc, entry) and isinstance(json.loads(entry), dict)


def _sheet_act(row: Row) -> bool:
    n, engine, sheet, utc, act = row
    utc_of(utc)
    return _counts(n) and _texts(engine, sheet, utc, act) and isinstance(json.loads(act), dict)


def _event(row: Row) -> bool:
    seq, utc, topic, kind, payload = row
    utc_of(utc)
    body = json.loads(payload)
    return _counts(seq) and seq > 0 and _texts(topic) and kind in KINDS and body["seq"] == seq


def _trend(row: Row) -> bool:
    n, topic, payload = row
    return _counts(n) and _texts(topic) and type(payload) is bytes


def _engine(row: Row) -> bool:
    return _counts(row[0]) and _texts(row[1])


def _squeezed(kept: Any) -> bool:
    try:
        zlib.decompress(kept)
    except zlib.error:
        return False
    return True


def _kept_event(row: Row) -> bool:
    return _counts(row[0]) and _figures(row[1:2]) and _texts(row[2]) and _squeezed(row[3])


def _kept_trend(row: Row) -> bool:
    return _squeezed(row[3]) and _counts(row[0]) and type(row[1]) is int and _figures(row[2:3])


def _figures(row: Row) -> bool:
    return all(v is None or (type(v) in (int, float) and math.isfinite(v)) for v in row)


def _bad_numbers(must: tuple[str, ...], may: tuple[str, ...]) -> str:
    """SQL for a row in which one of `must` is no number, or one of `may` neither a number nor NULL."""
    numbers = [f"typeof({c}) NOT IN ('real', 'integer')" for c in must]
    return " OR ".join([*numbers, *(f"typeof({c}) NOT IN ('real', 'integer', 'null')" for c in may)])


STATE = (
    Table("booking", ("n", "engine", "id", "kind", "utc", "entry"), 1, _booking, integer_key=True),
    Table("sheet_act", ("n", "engine", "sheet", "utc", "act"), 1, _sheet_act, integer_key=True),
    Table("fact", ("key", "value"), 1, _fact),
    Table(
        "broker",
        ("name", "active", "classes", "place", "dropped", "trend_place", "trends_dropped", "trends_told"),
        1,
        _broker,
    ),
    Table("retained", ("topic", "klass", "rev", "payload"), 1, _retained),
    Table("retained_done", ("broker", "topic", "rev"), 2, _done),
    Table("checkpoint", ("key", "value"), 1, _checkpoint),
    Table(
        "event",
        ("seq", "utc", "topic", "kind", "payload"),
        1,
        _event,
        f"seq NOT BETWEEN 1 AND {SEQ_MAX} OR julianday(utc) IS NULL OR typeof(utc) <> 'text' "
        "OR typeof(topic) <> 'text' OR typeof(payload) <> 'blob' OR kind NOT IN ('alarm', 'adjustment', 'gateway')",
        integer_key=True,
    ),
    Table(
        "trend",
        ("n", "topic", "payload"),
        1,
        _trend,
        f"n NOT BETWEEN 0 AND {SEQ_MAX} OR typeof(topic) <> 'text' OR typeof(payload) <> 'blob'",
        integer_key=True,
    ),
)
"""In the order in which they are carried over: what nobody can measure again comes first."""

HISTORY = (
    Table("engine", ("id", "slug"), 1, _engine, integer_key=True),
    Table(
        "median",
        ("engine", "utc_s", "grade", *COLUMNS[1:]),
        2,
        lambda row: _counts(row[0], row[2]) and _figures(row) and None not in row[:5],
        _bad_numbers(("utc_s", "grade", "hours", "revolutions", "rpm"), COLUMNS[3:7] + COLUMNS[8:]),
    ),
    Table(
        "reading",
        ("engine", "utc_s", *READING_FIELDS),
        2,
        lambda row: _counts(row[0]) and _figures(row) and None not in row[:2],
        _bad_numbers(("utc_s",), READING_FIELDS),
    ),
    Table(
        "trend",
        ("engine", "day", "utc_s", "payload"),
        2,
        _kept_trend,
        "typeof(day) <> 'integer' OR typeof(utc_s) NOT IN ('real', 'integer') OR typeof(payload) <> 'blob'",
    ),
    Table(
        "kept_event",
        ("seq", "utc_s", "topic", "payload"),
        1,
        _kept_event,
        "typeof(utc_s) NOT IN ('real', 'integer') OR typeof(topic) <> 'text' OR typeof(payload) <> 'blob'",
        integer_key=True,
    ),
)
