"""A fleet with years behind it in a store, and the fleet's page over it."""

import math
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC as ZONE
from datetime import datetime, timedelta
from typing import Any

from shore_rig import PREFIX, alarm, event, gateway_of, presence, trend

from gateway.encode import messages as m
from gateway.encode.messages import rfc3339
from gateway.model.enums import AlarmState
from gateway.model.settings_file import checked_section
from gateway.model.shore_settings import ShoreSettings
from gateway.shore.check import check
from gateway.shore.database import open_database
from gateway.shore.notices.store import NoticeStore
from gateway.shore.page.server import FleetServer, Report
from gateway.shore.store import FleetStore, spans
from gateway.web.sessions import hash_password

DAY_S = 86_400.0
PASSWORD = "four plain words here"
SHIPS = {"tern-passage": 0.021, "gannet-strait": 0.027, "petrel-sound": 0.024, "skua-reach": 0.030, "young-fulmar": 0.0}
"""Wear in % per 1000 h; the last one has run for 300 h only."""


def settings(**more: Any) -> ShoreSettings:
    """Users of both roles, one group, one person."""
    hashed = hash_password(PASSWORD)
    return checked_section(ShoreSettings, {
        "page": {"port": 0, "users": [{"name": "vera", "password_hash": hashed},
                                      {"name": "paul", "password_hash": hashed, "role": "planner"}]},
        "person": [{"name": "anna", "addresses": ["json://127.0.0.1/"]}],
        "rule": [{"notify": ["anna"]}],
        "notices": {"gather_s": 0.0, "address": "http://fleet.example"},
        "group": [{"name": "Six cylinders, 114.3 mm", "engines": [f"{v}/main" for v in SHIPS],
                   "elongation_limit_percent": 1.0}],
        **more,
    })  # fmt: skip


def _range(middle: float, sd: float) -> dict[str, float]:
    return {"p05": middle - 1.645 * sd, "p50": middle, "p95": middle + 1.645 * sd}


def one_trend(vessel: str, rate: float, at_s: float, hours: float, now_s: float) -> tuple[str, bytes]:
    """A trend of a chain that has run so many hours."""
    k = hours / 1_000
    young = rate == 0.0
    elongation, sd = (0.004, 0.02) if young else (0.05 + rate * k + 0.004 * math.sin(hours / 300), 0.01)
    left = (1.0 - elongation) / rate * 1_000 if rate else None
    days = (left or 0.0) / 18
    day = [(datetime.fromtimestamp(at_s, ZONE) + timedelta(days=days * f)).date().isoformat() for f in (0.8, 1, 1.3)]
    unknown = {"p05": None, "p50": None, "p95": None}
    limits = [
        {"limit": "elongation-limit",
         "hours_to": unknown if young else {"p05": left * 0.8, "p50": left, "p95": left * 1.3},  # type: ignore[operator]
         "date": unknown if young else dict(zip(("p05", "p50", "p95"), day, strict=True))},
    ]  # fmt: skip
    return trend(
        vessel, ts=rfc3339(at_s), hours=hours, lag_deg=3.68 * elongation % 1.8,
        elongation_percent=_range(elongation, sd),
        elongation_percent_per_1000h=_range(0.02, 0.06) if young else _range(rate, 0.0015), limits=limits,
        spring_mm=_range(181.0 + 8.2 * elongation, 0.1), lost_motion_deg=_range(0.3 + elongation, 0.02),
        decision={"do": "renew-chain", "why": "Elongation comes near its limit."} if elongation > 0.95 else
                 {"do": "nothing", "why": "No limit is near."},
    )  # fmt: skip


def work(vessel: str, seq: int, at_s: float, hours: float, what: str) -> tuple[str, bytes]:
    """An adjustment's event."""
    body = m.adjustment_event_body(what, at_s, hours, by="second engineer", before={}, after={},
                                   text=f"{what}, as booked")  # fmt: skip
    return m.Topics(PREFIX, vessel).event("main"), m.event_payload(gateway_of(vessel), seq, body)


def fill(url: str, now_s: float, years: float = 4.0, step_days: float = 6.0) -> None:
    """Ships with trends, work, alarms that stand and an open notice."""
    messages = []
    for vessel, rate in SHIPS.items():
        count = int(years * 365 / step_days) if rate else 3
        for n in range(count):
            at = now_s - (count - 1 - n) * step_days * DAY_S
            messages.append(one_trend(vessel, rate, at, (n + 1) * (300 / count if not rate else step_days * 18), now_s))
        messages += [presence(vessel, "online", now_s)]
        if rate:
            for seq, (part, what) in enumerate(((0.2, "retightened"), (0.5, "camshaft-set"), (0.8, "retightened")), 1):
                at = now_s - (1 - part) * years * 365 * DAY_S
                messages.append(work(vessel, seq, at, part * count * step_days * 18, what))
            messages.append(event(vessel, 4))
    messages += [alarm("skua-reach", AlarmState.UNACKNOWLEDGED, now_s - 7_200)]
    store = FleetStore(url)
    for at in range(0, len(messages), 200):
        done = store.keep([check(t, p, PREFIX) for t, p in messages[at : at + 200]], now_s)
        store.advance(spans(done), now_s)
    store.heard(dict.fromkeys(SHIPS, now_s - 600))
    store.beat("1", now_s)
    store.close()


def token_of_a_notice(url: str, s: ShoreSettings, now_s: float) -> str:
    """Decide, and claim the delivery: the secret of its link."""
    with closing(NoticeStore(url)) as store:
        store.look(s, now_s)
        (one,) = store.claim(s, now_s)
    return one.token


@contextmanager
def served(url: str, s: ShoreSettings, report: Report | None = None) -> Iterator[str]:
    """The page; gives its address."""
    server = FleetServer(url, s, report)
    server.start()
    try:
        assert server.ready.wait(180)
        yield f"http://127.0.0.1:{server.port}"
    finally:
        assert server.stop()


def count(url: str, table: str) -> int:
    """Rows of a table."""
    with closing(open_database(url, make=False)) as db:
        return int(db.run(f"SELECT count(*) FROM {table}")[0][0])


NOW_S = time.time()
