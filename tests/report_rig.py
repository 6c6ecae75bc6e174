"""Stores with months behind them for the tests of the report, written by the product's own writers; a second reading.

`Voyage` makes up ten-minute medians with port stays, manoeuvring and spells without a good lag or spring; what the
report must say is worked out here from those rows, or from the store by plain SQL, never by the report's own code.
"""

import json
import random
import sqlite3
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import daemon_rig
import page_rig

from gateway.encode.messages import alarm_event_body, dump, gateway_event_body, rfc3339
from gateway.encode.topics import Topics
from gateway.model.enums import AlarmState, Priority
from gateway.model.output import Batch, NewSheetAct
from gateway.model.records import Median, Transition
from gateway.model.settings import Settings
from gateway.store.history import History
from gateway.store.state import NewBooking, NewEvent, NewRetained, StateStore
from gateway.wear.booking_check import entry_json
from gateway.wear.bookings import Entry

CONFIG = Path(__file__).parents[1] / "config"
DAY_S = 86_400.0
BEGIN_S = datetime(2027, 3, 1, tzinfo=UTC).timestamp()
N, U, A, R = AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED


def utc(*when: int) -> float:
    """Seconds since 1970 of a UTC date."""
    return datetime(*when, tzinfo=UTC).timestamp()  # type: ignore[arg-type, misc]


def settings_file(folder: Path, config: str = "tern-passage.toml", **engine: Mapping[str, Any]) -> Path:
    """An example's settings with its data in this folder; `engine`: sections of the first engine, changed."""
    data: dict[str, Any] = tomllib.loads((CONFIG / config).read_text(encoding="utf-8"))
    data["gateway"] = data.get("gateway", {}) | {"data_dir": str(folder / "data")}
    data["capture"], data["broker"] = {"enabled": False}, []
    for section, values in engine.items():
        data["engine"][0][section] = {
            k: v for k, v in (data["engine"][0].get(section, {}) | values).items() if v is not None
        }
    return daemon_rig.written(folder, data)


@dataclass
class Voyage:
    """Medians of an engine: ten days at sea, two in port; half an hour of manoeuvring at each end of a passage.

    `lag_lost`, `spring_lost`: [from, to) in days without that figure. `zero`: is the lag known at all?
    """

    days: int = 92
    hours: float = 21_500.0
    rpm: float = 90.0
    ratio: int = 1
    lag_deg: float = 0.4
    spring_mm: float = 179.0
    zero: bool = True
    lag_lost: tuple[float, float] = (20.0, 22.5)
    spring_lost: tuple[float, float] = (40.0, 41.0)
    retightened_day: float | None = 60.0
    rows: list[Median] = field(default_factory=list)
    hours_at_s: list[tuple[float, float]] = field(default_factory=list)
    """(UTC, running hours) at each step of ten minutes: the truth."""

    def __post_init__(self) -> None:
        chance, hours = random.Random(11), self.hours
        for n in range(self.days * 144):
            utc_s, day, phase = BEGIN_S + n * 600.0, n / 144, n % (12 * 144)
            self.hours_at_s.append((utc_s, hours))
            if phase >= 10 * 144:
                continue
            hours += 1 / 6
            if 3 <= phase < 10 * 144 - 3:
                self.rows.append(self._row(utc_s + 300.0, hours - 1 / 12, day, chance))
        self.hours_at_s.append((BEGIN_S + self.days * DAY_S, hours))

    def _row(self, utc_s: float, hours: float, day: float, chance: random.Random) -> Median:
        run_h = hours - self.hours
        lag = self.lag_deg + 0.00012 * run_h + chance.gauss(0, 0.01)
        spring = self.spring_mm + 0.001 * run_h + chance.gauss(0, 0.05)
        if self.retightened_day is not None and day >= self.retightened_day:
            spring -= 1.6
        return Median(
            utc_s=utc_s,
            hours=hours,
            revolutions=round(self.rpm * 10 / self.ratio),
            lag_deg=None if not self.zero or self.lag_lost[0] <= day < self.lag_lost[1] else lag,
            lag_mad_deg=None,
            spring_mm=None if self.spring_lost[0] <= day < self.spring_lost[1] else spring,
            spring_mad_mm=None,
            rpm=self.rpm,
            casing_c=52.0,
            frame_c=None,
            load=0.7,
        )

    def hours_then(self, utc_s: float) -> float:
        """The counter's truth at a step."""
        return next(h for at, h in self.hours_at_s if at >= utc_s)


def write(
    settings: Settings,
    voyages: Mapping[str, Voyage],
    *,
    events: Sequence[tuple[str | None, Mapping[str, Any]]] = (),
    bookings: Iterable[tuple[str, Entry]] = (),
    trends: Mapping[str, Any] | None = None,
    sheet_acts: Sequence[NewSheetAct] = (),
) -> None:
    """A store as the daemon would leave it. `events`: engine (`None`: the gateway's) and body."""
    folder = settings.gateway.data_dir
    folder.mkdir(parents=True, exist_ok=True)
    history = History(folder, settings.gateway.history_mb)
    for slug, voyage in voyages.items():
        for n, row in enumerate(voyage.rows):
            history.add(slug, row)
            if n % 5_000 == 4_999:
                history.flush()
    history.close()
    topics = Topics(settings.gateway.topic_prefix, settings.vessel.slug)
    store = StateStore(folder, settings.gateway, brokers={}, events_topic=topics.event(None))
    store.commit(
        Batch(
            events=[NewEvent(topics.event(slug), str(body["kind"]), body) for slug, body in events],
            retained=[NewRetained(topics.trend(slug), "trend", dump(t)) for slug, t in (trends or {}).items()],
            bookings=[NewBooking(s, e.id, e.kind, rfc3339(e.utc_s), entry_json(e)) for s, e in bookings],
            sheet_acts=sheet_acts,
        )
    )
    store.close()


def started(utc_s: float) -> tuple[None, dict[str, Any]]:
    """The gateway's start, first of all events."""
    return None, gateway_event_body("started", utc_s, version="0.1.0")


def alarm(
    utc_s: float,
    engine: str | None,
    tag: str,
    came_from: AlarmState,
    to: AlarmState,
    priority: Priority = Priority.WARNING,
    hours: float | None = None,
    text: str = "made up",
) -> tuple[str | None, dict[str, Any]]:
    """An alarm's event."""
    t = Transition(0, engine, tag, priority, came_from, to, 1.0, 2.0, "deg", text)
    return engine, alarm_event_body(t, utc_s, hours)


def trend(utc_s: float, hours: float, **changes: Any) -> Any:
    """The page rig's trend, changed at will."""
    return replace(page_rig.trend(utc_s, hours), **changes)


# -- a second reading ---------------------------------------------------------------------------------------------


def sql(settings: Settings, file: str, query: str, *values: object) -> list[tuple[Any, ...]]:
    """Rows of the store by plain SQL."""
    with sqlite3.connect(settings.gateway.data_dir / file) as db:
        return db.execute(query, values).fetchall()


def events_of(settings: Settings) -> list[dict[str, Any]]:
    """All events' payloads, with their topic."""
    rows = sql(settings, "state.db", "SELECT topic, payload FROM event ORDER BY seq")
    return [json.loads(payload) | {"topic": topic} for topic, payload in rows]


class Read(HTMLParser):
    """The report as a reader finds it: tables by caption, row and column; all tags; all text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tables: dict[str, dict[str, list[str]]] = {}
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[str] = []
        self._stack: list[str] = []
        self._caption, self._cells = "", [""]
        self.feed(html)
        self.text = " ".join(" ".join(self.texts).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Note it."""
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "br", "hr", "img"):
            self._stack.append(tag)
        if tag == "caption":
            self._caption = ""
        elif tag == "tr":
            self._cells = []
        elif tag in ("th", "td"):
            self._cells.append("")

    def handle_endtag(self, tag: str) -> None:
        """Rows and captions end."""
        assert self._stack.pop() == tag
        if tag == "caption":
            self.tables.setdefault(self._caption, {})
        elif tag == "tr" and self._cells:
            self.tables[self._caption].setdefault(self._cells[0].strip(), [c.strip() for c in self._cells[1:]])

    def handle_data(self, data: str) -> None:
        """Text goes where it stands."""
        if "style" in self._stack:
            return
        self.texts.append(data)
        data = data.replace("\u00a0", " ")
        if "caption" in self._stack:
            self._caption += data
        elif ("th" in self._stack or "td" in self._stack) and not ("th" in self._stack and "small" in self._stack):
            self._cells[-1] += data + (" " if "div" in self._stack else "")

    def table(self, begins: str) -> dict[str, list[str]]:
        """The first table whose caption begins so."""
        return next(rows for caption, rows in self.tables.items() if caption.startswith(begins))
