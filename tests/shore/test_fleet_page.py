"""The fleet's page over HTTP: who sees what, what only the button does, and that nothing on it acts aboard."""

import asyncio
import csv
import io
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC as ZONE
from datetime import datetime, timedelta
from html import unescape
from typing import Any

import fleet_rig as rig
import httpx
import pytest

from gateway.encode.engine_state import State
from gateway.shore.fleet import fleet
from gateway.shore.page.app import FleetPage
from gateway.web.sessions import Sessions

DAY = timedelta(days=1)


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A store with years in it, for this file."""
    made = f"sqlite:///{tmp_path_factory.mktemp('fleet') / 'fleet.db'}"
    rig.fill(made, rig.NOW_S, years=4.0, step_days=30.0)
    return made


@pytest.fixture(scope="module")
def base(url: str) -> Iterator[str]:
    with rig.served(url, rig.settings()) as address:
        yield address


@contextmanager
def client(base: str, user: str = "") -> Iterator[httpx.Client]:
    """A browser, logged in where `user` names somebody."""
    with httpx.Client(base_url=base, follow_redirects=True, timeout=180) as made:
        if user:
            answer = made.post("/login", data={"name": user, "password": rig.PASSWORD, "next": "/"})
            assert answer.status_code == 200 and "Fleet by urgency" in answer.text
        yield made


def token_of(page: httpx.Response) -> str:
    return page.text.partition('name="token" value="')[2].partition('"')[0]


def test_nobody_sees_anything_without_a_log_in(base: str) -> None:
    """Over every page: a redirect to the log-in, which leads back; a wrong password; a way out of this page refused."""
    with client(base) as c:
        for path in ("/", "/fleet.csv", "/ship/skua-reach", "/engine/skua-reach/main", "/engine/skua-reach/main.csv",
                     "/sisters", "/sisters/0", "/plan", "/plan.csv", "/notices"):  # fmt: skip
            answer = c.get(path, follow_redirects=False)
            assert answer.status_code == 303 and answer.headers["location"].startswith("/login?next=/"), path
        wrong = c.post("/login", data={"name": "vera", "password": "not this one"})
        assert wrong.status_code == 403 and "The name or the password is wrong." in wrong.text
        away = {"name": "vera", "password": rig.PASSWORD, "next": "//elsewhere.example/"}
        assert c.post("/login", data=away, follow_redirects=False).headers["location"] == "/"


def test_each_engine_has_its_state_in_the_words_of_the_page_aboard(url: str, base: str) -> None:
    """Pins an alert, all well by the last trends, and no data once nothing has come for hours."""
    shown = {row.vessel: row.shown for row in fleet(url, rig.NOW_S)}
    assert shown.pop("skua-reach") is State.ALARM and set(shown.values()) == {State.NORMAL}
    assert {row.shown for row in fleet(url, rig.NOW_S + 4 * 3_600)} == {State.NO_DATA}
    with client(base, "vera") as c:
        page = c.get("/").text
    assert "<strong>ALARM</strong>" in page and "<strong>NORMAL</strong>" in page


def test_log_ins_that_wait_hold_up_no_viewer(url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred try to log in and the first password is still being computed: a notice's link is answered."""
    over = threading.Event()
    monkeypatch.setattr(Sessions, "log_in", lambda *_: over.wait(180) and pytest.fail("nobody is let in"))

    async def tried() -> int:
        page = FleetPage(url, rig.settings())
        way = httpx.ASGITransport(page.app)
        async with httpx.AsyncClient(transport=way, base_url="http://localhost", timeout=None) as c:
            form = {"name": "vera", "password": "guessed at random"}
            tries = [asyncio.create_task(c.post("/login", data=form)) for _ in range(100)]
            # Until all of them have come to where a password is looked at.
            for _ in range(200):
                await asyncio.sleep(0)
            try:
                return (await asyncio.wait_for(c.get("/n/guessed"), 60)).status_code
            finally:
                for one in tries:
                    one.cancel()
                over.set()

    assert asyncio.run(tried()) == 404


def test_the_fleet_by_urgency_and_each_of_its_pages(base: str) -> None:
    """Pins that what stands comes first with what to do, that sisters and works are found, and the figures as CSV."""
    with client(base, "vera") as c:
        fleet = unescape(c.get("/").text)
        assert fleet.index("ALARM") < fleet.index("Engines: 5")
        assert "lag: late" in fleet and "What to do: Check the maximum pressures" in fleet
        ship = unescape(c.get("/ship/skua-reach").text)
        assert "Last events" in ship and "camshaft-set, as booked" in ship
        engine = unescape(c.get("/engine/tern-passage/main?years=2").text)
        for words in ("Spring length, mm", "Lost motion, °", "retightened, as booked", "range uses 3 sister engines"):
            assert words in engine
        sisters = unescape(c.get("/sisters/0").text)
        assert sisters.count('<path d="M') == 5 and "young-fulmar/main" in sisters
        rows = list(csv.DictReader(io.StringIO(c.get("/engine/tern-passage/main.csv").text)))
        assert len(rows) == 48 and float(rows[-1]["spring_mm"]) > 181
        assert len(list(csv.DictReader(io.StringIO(c.get("/fleet.csv").text)))) == 5
        for path in ("/ship/nobody", "/engine/nobody/main", "/sisters/7"):
            assert c.get(path).status_code == 409


def test_a_planner_types_port_stays_and_works_fall_into_them(base: str) -> None:
    """A viewer may not; a stay that cannot be is refused with the reason; parts are to be ordered before it."""
    now = datetime.fromtimestamp(rig.NOW_S, ZONE).date()
    stay = {"vessel": "skua-reach", "port": "North Quay", "from": str(now + 200 * DAY), "to": str(now + 204 * DAY)}
    with client(base, "vera") as c:
        refused = c.post("/plan/stay", data={**stay, "token": token_of(c.get("/plan"))})
        assert (
            refused.status_code == 409 and "Only a planner" in refused.text and "North Quay" not in c.get("/plan").text
        )
    with client(base, "paul") as c:
        token = token_of(c.get("/plan"))
        assert c.post("/plan/stay", data=stay).status_code == 409, "without the log-in's token"
        for broken in ({"vessel": "nobody"}, {"port": ""}, {"from": "tomorrow"}, {"to": str(now - DAY)}):
            assert c.post("/plan/stay", data={**stay, **broken, "token": token}).status_code == 409, broken
        assert c.post("/plan/stay", data={**stay, "token": token}).status_code == 200
        (work,) = [r for r in csv.DictReader(io.StringIO(c.get("/plan.csv").text)) if r["port"]]
        assert (work["vessel"], work["work"], work["port"]) == ("skua-reach", "Renew the chain", "North Quay")
        assert work["order_by"] == str(now + 20 * DAY), "180 days before the stay"
        number = c.get("/plan").text.partition('name="id" value="')[2].partition('"')[0]
        assert c.post("/plan/remove", data={"id": number, "token": token}).status_code == 200
        assert "North Quay" not in c.get("/plan").text


def test_a_link_is_read_by_scanners_without_effect_and_its_button_marks_it_seen(tmp_path: Any) -> None:
    """GET and HEAD, again and again; a form of another page is refused; then the button, twice."""
    url, s = f"sqlite:///{tmp_path / 'fleet.db'}", rig.settings()
    rig.fill(url, rig.NOW_S, years=0.1)
    link = f"/n/{rig.token_of_a_notice(url, s, rig.NOW_S)}"
    with rig.served(url, s) as base, client(base) as c:
        for _ in range(3):
            assert "Seen by nobody yet." in c.get(link).text and c.head(link).status_code in (200, 405)
        assert c.post(link, headers={"origin": "http://elsewhere.example"}, data={}).status_code == 403
        assert "Seen by nobody yet." in c.get(link).text
        for _ in range(2):
            done = unescape(c.post(link, data={"seen": "1"}).text)
            assert "Seen by anna" in done and "It acknowledges nothing aboard" in done and "Mark as seen" not in done
        assert c.get("/n/" + "a" * 43).status_code == 404 and c.post("/n/guess", data={"a": "1"}).status_code == 404
    assert rig.count(url, "notice WHERE seen_by = 'anna'") == 1
    assert rig.count(url, "alarm WHERE state = 'unacknowledged'") == 1, "nothing of it reaches the ship's alarm"


def test_whoever_is_logged_in_marks_a_notice_seen_under_his_name(tmp_path: Any) -> None:
    url, s = f"sqlite:///{tmp_path / 'fleet.db'}", rig.settings()
    rig.fill(url, rig.NOW_S, years=0.1)
    rig.token_of_a_notice(url, s, rig.NOW_S)
    with rig.served(url, s) as base, client(base, "vera") as c:
        page = c.get("/notices")
        number = page.text.partition('name="id" value="')[2].partition('"')[0]
        assert "Not seen: 1" in page.text and c.post("/notices/seen", data={"id": number}).status_code == 409
        assert "Seen by vera" in c.post("/notices/seen", data={"id": number, "token": token_of(page)}).text


def test_every_answer_carries_the_headers_and_bounds(base: str) -> None:
    """A name that is not this page's, a body without end, an unknown file; and what a form needs of the referrer."""
    with client(base) as c:
        answer = c.get("/login")
        assert "script-src 'self'" in answer.headers["content-security-policy"]
        assert answer.headers["referrer-policy"] == "same-origin" and answer.headers["cache-control"] == "no-store"
        assert c.get("/login", headers={"host": "elsewhere.example"}).status_code == 421
        assert c.post("/login", data={"name": "x" * 20_000, "password": "y"}).status_code == 403
        assert c.get("/static/../app.py").status_code == 404 and c.get("/static/fleet.css").status_code == 200
        assert c.get("/engine/a'b/<script>").status_code in (303, 200)


def test_the_page_without_its_database_answers_so(tmp_path: Any) -> None:
    url = f"sqlite:///{tmp_path / 'fleet.db'}"
    rig.fill(url, rig.NOW_S, years=0.1)
    with rig.served(url, rig.settings()) as base, client(base, "vera") as c:
        (tmp_path / "fleet.db").rename(tmp_path / "away.db")
        answer = c.get("/")
        assert answer.status_code == 503 and "The database does not respond" in answer.text
