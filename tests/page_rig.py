"""A page with a year behind it: a store filled with made-up medians, bookings and events, and a board made by hand."""

import json
import math
import random
import time
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from panel_boards import alarm, board, engine

from gateway.app.commissioning import Commissioning
from gateway.encode.checked import trend_of
from gateway.encode.messages import TrendMessage, adjustment_event_body, dump, gateway_event_body, rfc3339
from gateway.encode.topics import Topics
from gateway.model.enums import AlarmState, Priority, Quality
from gateway.model.errors import Refused
from gateway.model.output import Batch
from gateway.model.records import Measured, Median
from gateway.model.settings import Settings
from gateway.model.settings_file import checked_settings
from gateway.model.snapshot import EngineDetail, EngineView, Snapshot
from gateway.outlets.page.inputs import PageInputs
from gateway.outlets.page.server import PageServer
from gateway.store.history import History, HistoryReader
from gateway.store.photos import Photos
from gateway.store.reader import StateReader
from gateway.store.state import NewBooking, NewEvent, NewRetained, StateStore
from gateway.wear.booking_check import entry_json
from gateway.wear.bookings import Retightened, before_after
from gateway.web.sessions import hash_password

TERN = Path(__file__).parents[1] / "config" / "tern-passage.toml"
DAY_S = 86_400.0
PASSWORD = "quiet chain at noon"
HASH = hash_password(PASSWORD)
LATE_DEG = 1.18
HOURS = 21_400.0
SLOPE_DEG_PER_1000H = 0.118


def settings(folder: Path, **page: Any) -> Settings:
    """The invented vessel's settings with a page on a free port and one user, `second`."""
    data: dict[str, Any] = tomllib.loads(TERN.read_text(encoding="utf-8"))
    data["gateway"]["data_dir"] = str(folder / "data")
    data["capture"]["enabled"] = False
    data["engine"][0]["service"]["retightened_at_h"] = 15_000  # before the one in the log book
    data["broker"] = []
    data["page"] = {"port": 0, "users": [{"name": "second", "password_hash": HASH}]} | page
    return checked_settings(data)


# -- a year of it -------------------------------------------------------------------------------------------------


def fill(s: Settings, now_s: float, days: int = 365) -> None:
    """A year of medians with a stop of four days, three days of minute means, a retightening, a trend, events."""
    chance = random.Random(7)
    data_dir = s.gateway.data_dir
    data_dir.mkdir(parents=True, exist_ok=True)
    history = History(data_dir, s.gateway.history_mb)
    at_sea = [n for n in range(days * 144) if not 120 < n / 144 < 124 and n / 144 % 12 <= 10.5]
    hours = HOURS - len(at_sea) / 6
    for n in at_sea:
        utc_s = now_s - days * DAY_S + n * 600.0
        hours += 1 / 6
        history.add("main", _median(utc_s, hours, chance))
        if n % 100 == 0:
            history.flush()
    for n in range(3 * 1440):
        utc_s = now_s - 3 * DAY_S + n * 60.0
        lag_deg = LATE_DEG + chance.gauss(0, 0.006)
        history.add_reading(
            "main", utc_s, {"lag_deg": lag_deg, "spring_mm": 180.9 + chance.gauss(0, 0.03), "rpm": 92.0, "slap_mm": 0.4}
        )
    for n in range(days):
        utc_s, to_go_h = now_s - (days - n) * DAY_S, (days - n) * 21.0
        lost = {"p05": 3.1 - to_go_h / 4_000, "p50": 3.4 - to_go_h / 4_000, "p95": 3.7 - to_go_h / 4_000}
        percent = {"p05": 0.35 - to_go_h / 4e4, "p50": 0.371 - to_go_h / 4e4, "p95": 0.39 - to_go_h / 4e4}
        history.add_trend("main", utc_s, json.dumps({"lost_motion_deg": lost, "elongation_percent": percent}).encode())
    history.close()
    _fill_state(s, now_s, hours)


def _median(utc_s: float, hours: float, chance: random.Random) -> Median:
    to_go_h = HOURS - hours
    lag_deg = LATE_DEG - SLOPE_DEG_PER_1000H * to_go_h / 1000 + 0.02 * math.sin(hours / 90) + chance.gauss(0, 0.008)
    spring_mm = 180.9 - 0.95 * to_go_h / 1000 + chance.gauss(0, 0.05) + (2.2 if to_go_h > 3_000 else 0.0)
    return Median(utc_s, hours, 900, lag_deg, 0.01, spring_mm, 0.05, 92.0, 58.0, 45.0, 0.8)


def trend(now_s: float, hours: float) -> TrendMessage:
    """A trend that fits the medians: 1.5° in about 2,700 h."""

    def limit(tag: str, early_h: float | None, likely_h: float | None, late_h: float | None) -> dict[str, Any]:
        dates = [None if x is None else rfc3339(now_s + x / 19.2 * DAY_S)[:10] for x in (early_h, likely_h, late_h)]
        keys = ("p05", "p50", "p95")
        ahead = (early_h, likely_h, late_h)
        return {
            "limit": tag,
            "hours_to": dict(zip(keys, ahead, strict=True)),
            "date": dict(zip(keys, dates, strict=True)),
        }

    def around(mid: float, half: float) -> dict[str, float]:
        return {"p05": mid - half, "p50": mid, "p95": mid + half}

    return trend_of(
        {
            "ts": rfc3339(now_s),
            "hours": hours,
            "lag_deg": around(LATE_DEG, 0.03),
            "lag_deg_per_1000h": around(SLOPE_DEG_PER_1000H, 0.02),
            "elongation_percent": around(0.371, 0.02),
            "elongation_percent_per_1000h": around(0.032, 0.006),
            "limits": [
                limit("lag-near", 2_190.0, 2_712.0, 3_600.0),
                limit("lag-limit", 5_900.0, 6_950.0, 8_700.0),
                limit("elongation-limit", 15_000.0, 19_600.0, None),
                limit("retighten-due", 2_400.0, 2_400.0, 2_400.0),
            ],
            "hours_since": {"retightened": 3_000.0, "camshaft_set": hours - 9_800.0},
            "agreement": "agree",
            "causes": [],
            "decision": {"do": "nothing", "why": "no limit within the planning horizon of 1,000 h"},
        }
    )


def _fill_state(s: Settings, now_s: float, hours: float) -> None:
    topics = Topics(s.gateway.topic_prefix, s.vessel.slug)
    store = StateStore(s.gateway.data_dir, s.gateway, brokers={}, events_topic=topics.event(None))
    # She runs 21 h of each day.
    done_s = now_s - 3_000 / 21 * DAY_S
    entry = Retightened(
        id="work-1", utc_s=done_s, hours=hours - 3_000, person="Second engineer", free_length_mm=203.2,
        spring_before_mm=181.9, spring_after_mm=180.2, elongation_percent=0.28, elongation_se_percent=0.03,
    )  # fmt: skip
    before, after = before_after(entry)
    event = adjustment_event_body("retightened", done_s, entry.hours, by=entry.person, before=before, after=after)
    events = []
    changes = (
        (40, "normal", "unacknowledged"), (40, "unacknowledged", "acknowledged"), (37, "acknowledged", "normal"),
        (1, "normal", "unacknowledged"),
    )  # fmt: skip
    for days, before, to in changes:
        body = {"v": 1, "kind": "alarm", "tag": "lag-near", "priority": "warning", "from": before, "to": to}
        more = {"ts": rfc3339(now_s - days * DAY_S), "hours": hours, "text": "made up", "causes": [], "by": None}
        events.append(NewEvent(topics.event("main"), "alarm", body | more))
    events.append(NewEvent(topics.event("main"), "adjustment", event))
    for n in range(120):
        utc_s = now_s - (120 - n) * 3_600
        body = gateway_event_body("started" if n % 2 else "stopped", utc_s, version="0", text=f"=made up no. {n}")
        events.append(NewEvent(topics.event(None), "gateway", body))
    booking = NewBooking("main", entry.id, entry.kind, rfc3339(done_s), entry_json(entry))
    kept = [NewRetained(topics.trend("main"), "trend", dump(trend(now_s, hours)))]
    store.commit(Batch(events=events, retained=kept, bookings=[booking]))
    store.close()


# -- a page on a board made by hand -------------------------------------------------------------------------------


def shape(ratio: int = 1) -> tuple[float, ...]:
    """A wheel a little out of true, and some torsional vibration."""
    steps = [2 * math.pi * (i + 0.5) / 64 for i in range(64 * ratio)]
    return tuple(0.2 * math.sin(x + 0.4) + 0.08 * math.sin(6 * x) for x in steps)


def detail(now_s: float, **changes: Any) -> EngineDetail:
    """Everything known and good."""
    made = EngineDetail(
        utc_s=now_s,
        spring=Measured(180.94, Quality.GOOD),
        lag=Measured(LATE_DEG, Quality.GOOD),
        free_length_mm=203.2,
        tension_n=1_220.0,
        lag_p2p_deg=0.53,
        casing_c=58.2,
        raw_deg=18.53,
        shape_deg=shape(),
        orders_deg=(0.2, 0.01, 0.012, 0.004, 0.003, 0.08, 0.002, 0.001),
    )
    return replace(made, **changes)


def present(now_s: float, *alarms: Any, **changes: Any) -> Snapshot:
    """One engine running ahead; lag and spring as in `detail`."""
    lag_deg = changes.get("lag_deg", LATE_DEG)
    shown = engine(
        slug="main",
        spring_mm=180.94,
        compression_mm=22.26,
        elongation_percent=0.371,
        running_hours=21_402.4,
        alarms=alarms,
        detail=detail(now_s, lag=Measured(lag_deg, Quality.GOOD)),
    )
    return board(replace(shown, **changes))


def two_alarms(now_s: float) -> tuple[Any, Any]:
    """One that calls and one that has been seen."""
    calls = alarm(
        3, tag="tension-low", title="CHAIN SLACK", priority=Priority.ALARM, changed_utc_s=now_s - 40,
        text="Compression 19.8 mm is below its band of 20.5 to 25.5 mm: retighten the chain",
        causes=("the chain has grown since it was retightened", "the tightener nut has come loose"),
    )  # fmt: skip
    seen = alarm(
        12, AlarmState.ACKNOWLEDGED, tag="retighten-due", title="RETIGHTEN DUE", priority=Priority.CAUTION,
        changed_utc_s=now_s - 90_000, text="Retightening is due: 4,010 h since the last",
    )  # fmt: skip
    return calls, seen


@dataclass
class Crew:
    """Where the page's acts go: remembered, and shown on the board as the desk would."""

    view: Snapshot
    asked: list[tuple[dict[str, Any], str]] = field(default_factory=list)
    noted: list[tuple[str, str]] = field(default_factory=list)
    refuse: str = ""
    commissioning: Commissioning | None = None
    moves: bool = True
    """Its engines' data get newer as time goes on; else a page that waits for three seconds takes them for lost."""
    made_s: float = field(default_factory=time.time)

    def now(self) -> Snapshot:
        """What is shown at this moment."""
        if not self.moves:
            return self.view
        gone_s = time.time() - self.made_s
        return replace(self.view, engines=tuple(_later(e, gone_s) for e in self.view.engines))

    def act(self, request: dict[str, Any], who: str) -> dict[str, Any]:
        """Remember; an acknowledged alarm is shown as such."""
        if self.refuse:
            raise Refused(self.refuse)
        self.asked.append((request, who))
        if request["do"] == "commission" and self.commissioning is not None:
            return {"commission": self.commissioning.handle(request, f"{request['by']} ({who})")}
        if request["do"] == "book":
            return {"entry": {"id": "made", **request["entry"]}}
        engines = tuple(replace(e, alarms=tuple(_acked(a, request) for a in e.alarms)) for e in self.view.engines)
        self.view = replace(self.view, engines=engines)
        return {"done": 1, "by": request["by"]}


def _later(e: EngineView, gone_s: float) -> EngineView:
    if e.detail is None or e.detail.utc_s is None:
        return e
    return replace(e, detail=replace(e.detail, utc_s=e.detail.utc_s + gone_s))


def _acked(a: Any, request: Mapping[str, Any]) -> Any:
    if a.tag != request.get("alarm") or request["do"] != "acknowledge":
        return a
    return replace(a, state=AlarmState.ACKNOWLEDGED, unacknowledged=False)


def inputs(s: Settings, crew: Crew, **more: Any) -> PageInputs:
    """The page's inputs over this store and this crew."""
    return PageInputs(
        settings=s,
        version="0.1.0",
        board=crew.now,
        history=partial(HistoryReader, s.gateway.data_dir),
        state=partial(StateReader, s.gateway.data_dir),
        act=crew.act,
        status=lambda: {"version": "0.1.0", "brokers": {}, "heads": {}, "panel": {}, "storage": {"free_mb": 900}},
        note=lambda what, text: crew.noted.append((what, text)),
        photos=Photos(s.gateway.data_dir),
        **more,
    )


class Served:
    """A page server at work for one test; `url` is its address."""

    def __init__(self, made: PageInputs) -> None:
        self.inputs = made
        self.server = PageServer(made)
        self.server.start()
        assert self.server.ready.wait(180), self.server.fault
        self.url = f"http://127.0.0.1:{self.server.port}"

    def __enter__(self) -> "Served":
        return self

    def __exit__(self, *_: object) -> None:
        assert self.server.stop()
