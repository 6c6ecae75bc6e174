"""The page's interface over real HTTP: what is shown, what is refused, and what never passes."""

import http.client
import json
import sqlite3
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import page_rig as rig
import photos_rig
import pytest
import structlog

from gateway.alarm.table import ROWS
from gateway.encode.photo import PHOTO_BYTES_MAX
from gateway.encode.times import rfc3339
from gateway.model.output import Batch
from gateway.model.settings import Settings
from gateway.outlets.page.mask import HIDDEN
from gateway.outlets.page.shapes import HistoryAnswer, PresentAnswer
from gateway.store import photos as photos_store
from gateway.store.history import HistoryReader
from gateway.store.state import NewBooking, StateStore
from gateway.wear.booking_check import entry_json
from gateway.wear.bookings import Correction, Note
from gateway.web.sessions import Sessions

NOW = 1_900_000_200.0


class Ground:
    """A filled store, a crew, a page at work and a client that keeps cookies."""

    def __init__(self, settings: Settings, **more: Any) -> None:
        self.settings = settings
        self.crew = rig.Crew(rig.present(NOW, *rig.two_alarms(NOW)), moves=False)
        self.served = rig.Served(rig.inputs(settings, self.crew, **more))
        self.client = httpx.Client(base_url=self.served.url, timeout=180)

    def log_in(self) -> dict[str, str]:
        """Log in; the header that acts need."""
        answer = self.client.post("/api/login", json={"name": "second", "password": rig.PASSWORD})
        assert answer.status_code == 200, answer.text
        return {"X-Camdrift-Token": answer.json()["token"]}

    def end(self) -> None:
        """Stop it."""
        self.client.close()
        assert self.served.server.stop()


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Settings:
    """Forty days behind it."""
    settings = rig.settings(tmp_path_factory.mktemp("page"))
    rig.fill(settings, NOW, days=40)
    return settings


@pytest.fixture
def ground(filled: Settings) -> Iterator[Ground]:
    """A page for one test over the shared store."""
    made = Ground(filled)
    yield made
    made.end()


def with_page(s: Settings, **page: Any) -> Settings:
    """The same settings but for these keys of the page."""
    return replace(s, page=replace(s.page, **page))


def test_the_present_is_the_boards(ground: Ground) -> None:
    """Pins that figures, limits, trend and alarms come as the board and the store have them, alarms that call first."""
    present = PresentAnswer.model_validate_json(ground.client.get("/api/present").text)
    engine = present.engines[0]
    assert engine.lag_deg.value == rig.LATE_DEG and engine.spring_mm.value == 180.94
    # Free length less required compression, the band on either side of it: the settings' figures.
    assert (engine.limits.required_mm, engine.limits.low_mm, engine.limits.high_mm) == (180.2, 177.7, 182.7)
    assert engine.trend is not None and engine.trend.limits[0].hours_to.p50 == 2_712.0
    assert [a.tag for a in engine.alarms] == ["tension-low", "retighten-due"]
    assert engine.alarms[0].causes and present.fresh


def test_trends_have_every_series_the_history_holds(ground: Ground) -> None:
    """Pins columns of one length, what follows from the spring, daily ranges, and alarms from raised to ended."""
    query = {"engine": "main", "from": NOW - 60 * rig.DAY_S, "to": NOW, "points": 300}
    got = HistoryAnswer.model_validate_json(ground.client.get("/api/history", params=query).text)
    columns = [
        c for c in HistoryAnswer.model_fields if c.endswith(("_deg", "_mm", "_n", "_c", "_percent", "rpm", "hours"))
    ]
    assert len(columns) == 15 and {len(getattr(got, c)) for c in columns} == {len(got.t)}
    empty = [c for c in columns if all(x is None for x in getattr(got, c))]
    assert empty == ["lag_p2p_deg"]
    k = next(i for i, x in enumerate(got.spring_mm) if x is not None)
    low, high = got.tightener_low_percent[k], got.tightener_high_percent[k]
    assert low is not None and high is not None and low != high
    assert len(got.daily.t) == 40 and got.daily.lost_motion_deg[-1][0] < got.daily.lost_motion_deg[-1][2]
    assert [(a.tag, a.end is None) for a in got.alarms] == [("lag-near", False), ("lag-near", True)]
    first = got.alarms[0]
    assert first.end is not None and first.end - first.t == pytest.approx(3 * rig.DAY_S)


def test_history_is_the_stores_means(ground: Ground, filled: Settings) -> None:
    """Pins that each point is the mean of the medians in its interval, and that nothing is drawn over a standstill."""
    query = {"engine": "main", "from": NOW - 40 * 86_400, "to": NOW, "points": 300}
    got = HistoryAnswer.model_validate_json(ground.client.get("/api/history", params=query).text)
    reader = HistoryReader(filled.gateway.data_dir)
    medians = reader.medians("main", query["from"], NOW, 100_000)
    reader.close()
    width = 40 * 86_400 / 300
    by_slot: dict[int, list[float]] = {}
    for m in medians:
        assert m.lag_deg is not None
        by_slot.setdefault(int((m.utc_s - query["from"]) / width), []).append(m.lag_deg)
    known = [(t, v) for t, v in zip(got.t, got.lag_deg, strict=True) if v is not None]
    assert len(known) == len(by_slot)
    for (_, value), (_, values) in zip(known, sorted(by_slot.items()), strict=True):
        assert value == pytest.approx(sum(values) / len(values), abs=1e-4)
    assert got.grade == "medians" and None in got.lag_deg
    # Elongation from the lag alone: the settings' 0.05 % and 3.68° to one per cent.
    assert got.elongation_percent[0] == pytest.approx(0.05 + (got.lag_deg[0] or 0) / 3.68, abs=1e-3)


def test_short_spans_show_minutes(ground: Ground) -> None:
    """Pins that up to three days the minute means are shown."""
    query = {"engine": "main", "from": NOW - 7_200, "to": NOW, "points": 500}
    got = ground.client.get("/api/history", params=query).json()
    assert got["grade"] == "minutes" and len(got["t"]) == 120


@pytest.mark.parametrize(
    ("query", "status"),
    [
        ({"engine": "main", "from": 5, "to": 4}, 422),
        ({"engine": "main", "from": 0, "to": 4e9}, 422),
        ({"engine": "main", "from": 0, "to": "nan"}, 422),
        ({"engine": "main", "from": 0, "to": 9, "points": 2_001}, 422),
        ({"engine": "main", "from": 0, "to": 9, "extra": 1}, 422),
        ({"engine": "aux", "from": 0, "to": 9}, 404),
        ({"engine": "../x", "from": 0, "to": 9}, 422),
        ({"engine": "main"}, 422),
    ],
)
def test_questions_out_of_bounds(ground: Ground, query: dict[str, Any], status: int) -> None:
    """Pins that a question beyond its bounds is refused with a reason in words."""
    answer = ground.client.get("/api/history", params=query)
    assert answer.status_code == status and answer.json()["why"]


def test_the_log_is_in_words_and_filtered(ground: Ground) -> None:
    """Pins title and details, and the filters by person and by text, without regard to capitals, also as CSV."""
    work = ground.client.get("/api/events", params={"text": "CHAIN RETIGHTENED"}).json()["events"]
    assert [(e["title"], e["kind"]) for e in work] == [("Chain retightened", "adjustment")]
    assert "free length 203.2 mm, spring 180.2 mm." in work[0]["details"]
    assert ground.client.get("/api/events", params={"text": "no. 77"}).json()["events"][0]["title"] == "Gateway started"
    assert ground.client.get("/api/events", params={"by": "nobody of that name"}).json()["events"] == []
    assert ground.client.get("/api/events", params={"priority": "alarm"}).json()["events"] == []
    table = ground.client.get("/api/events.csv", params={"text": "no. 77"}).text.splitlines()
    assert len(table) == 2 and table[0].endswith("title,details") and "Gateway started" in table[1]


def test_a_name_that_is_left_out_cannot_be_searched_for(ground: Ground) -> None:
    """Pins that who has not logged in cannot try names: the filter sees what they see."""
    named = ground.client.get("/api/events", params={"kind": "adjustment"}).json()["events"][0]["by"]
    assert named == HIDDEN
    assert ground.client.get("/api/events", params={"by": "Second engineer"}).json()["events"] == []
    assert ground.client.get("/api/events", params={"text": "Second engineer"}).json()["events"] == []


def test_help_has_four_lines_for_each_alarm(ground: Ground) -> None:
    """Pins that the page has the words from the module that has them for all."""
    alarms = ground.client.get("/api/help").raise_for_status().json()["alarms"]
    assert [a["tag"] for a in alarms] == [row.tag for row in ROWS]
    slack = next(a for a in alarms if a["tag"] == "tension-low")
    assert (slack["title"], slack["priority"]) == ("Chain slack", "alarm")
    assert all(slack[key] for key in ("action", "meaning", "causes", "first", "ashore"))


def test_events_page_by_page_without_gap(ground: Ground) -> None:
    """Pins that the pages of older events hold every event once, newest first, each with its engine."""
    seen: list[dict[str, Any]] = []
    before = None
    for _ in range(10):
        query = {"limit": 25} | ({} if before is None else {"before": before})
        page = ground.client.get("/api/events", params=query).json()
        seen += page["events"]
        before = page["older"]
        if before is None:
            break
    assert [e["seq"] for e in seen] == list(range(125, 0, -1))
    assert seen[-1]["engine"] == "main" and seen[0]["engine"] is None
    kinds = ground.client.get("/api/events", params={"kind": "adjustment"}).json()["events"]
    assert [e["kind"] for e in kinds] == ["adjustment"]


def test_csv_is_no_formula(ground: Ground) -> None:
    """Pins that text which begins like a formula cannot run in a spreadsheet, and that both tables come."""
    events = ground.client.get("/api/events.csv").text.splitlines()
    assert len(events) == 126 and "'=made up no. 119" in events[1]
    assert "retightened" in ground.client.get("/api/bookings.csv", params={"engine": "main"}).text


# -- who may act --------------------------------------------------------------------------------------------------


def test_nobody_acts_without_log_in(ground: Ground) -> None:
    """Pins that every act is refused without a log-in and nothing reaches the desk."""
    tried = [
        ("/api/alarm/tension-low/acknowledge", {"engine": "main"}),
        ("/api/alarm/tension-low/shelve", {"engine": "main", "minutes": 30, "why": "x"}),
        ("/api/silence", {}),
        ("/api/book", {"engine": "main", "entry": {"kind": "hand-play"}}),
    ]
    for path, body in tried:
        answer = ground.client.post(path, json=body)
        assert answer.status_code == 401 and "Log in" in answer.json()["why"], path
    assert ground.crew.asked == []


def test_acknowledged_with_name(ground: Ground) -> None:
    """Pins that an acknowledgement carries the user's name, and shows in the present."""
    token = ground.log_in()
    answer = ground.client.post("/api/alarm/tension-low/acknowledge", json={"engine": "main"}, headers=token)
    assert answer.status_code == 200
    assert ground.crew.asked == [
        ({"do": "acknowledge", "alarm": "tension-low", "engine": "main", "by": "second"}, "page")
    ]
    states = {a["tag"]: a["state"] for a in ground.client.get("/api/present").json()["engines"][0]["alarms"]}
    assert states["tension-low"] == "acknowledged"
    assert ground.crew.noted[0][0] == "logged-in"


def test_the_cookie_alone_does_not_act(ground: Ground) -> None:
    """Pins that a request with the cookie but without the page's token is refused, as one forged elsewhere would be."""
    ground.log_in()
    body = {"engine": "main"}
    for headers in ({}, {"X-Camdrift-Token": "guessed"}):
        assert ground.client.post("/api/alarm/lag-near/acknowledge", json=body, headers=headers).status_code == 401
    assert ground.crew.asked == []


def test_the_cookie_is_kept_from_scripts_and_other_sites(ground: Ground) -> None:
    """Pins the cookie's marks."""
    answer = ground.client.post("/api/login", json={"name": "second", "password": rig.PASSWORD})
    marks = answer.headers["set-cookie"].lower()
    assert "httponly" in marks and "samesite=strict" in marks and "path=/" in marks


def test_log_out_ends_it(ground: Ground) -> None:
    """Pins that after logging out the old cookie and token are worth nothing."""
    token = ground.log_in()
    kept = dict(ground.client.cookies)
    assert ground.client.post("/api/logout", json={}).json()["user"] is None
    answer = httpx.post(f"{ground.served.url}/api/silence", json={}, headers=token, cookies=kept)
    assert answer.status_code == 401


def test_wrong_log_ins_are_slowed_down(filled: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins the same words for a wrong name and a wrong password, and a delay that the right one does not shorten."""
    # The delays' clock stands: where a log-in takes seconds, the first delay would be over before the right one comes.
    monkeypatch.setattr(Sessions.__init__, "__defaults__", (lambda: 1_000.0,))
    ground = Ground(filled)
    said = set()
    for name in ("second", "nobody") * 5:
        answer = ground.client.post("/api/login", json={"name": name, "password": "wrong wrong wrong"})
        assert answer.status_code == 403
        said.add(answer.json()["why"])
    assert len(said) == 1
    right = ground.client.post("/api/login", json={"name": "second", "password": rig.PASSWORD})
    assert right.status_code == 429 and "try again in" in right.json()["why"]
    assert [what for what, _ in ground.crew.noted] == ["log-in-refused"]
    ground.end()


def test_the_desks_refusal_comes_in_words(ground: Ground) -> None:
    """Pins that a refusal of the desk reaches the page as it was said."""
    token = ground.log_in()
    ground.crew.refuse = "tension-low: it is normal; there is nothing to acknowledge"
    answer = ground.client.post("/api/alarm/tension-low/acknowledge", json={"engine": "main"}, headers=token)
    assert answer.status_code == 409 and answer.json()["why"] == ground.crew.refuse


def test_booking_names_the_one_who_logged_in(ground: Ground) -> None:
    """Pins that whoever books is on record even where another did the work."""
    token = ground.log_in()
    body = {"engine": "main", "entry": {"kind": "hand-play", "play_links": 0.5, "person": "Third engineer"}}
    assert ground.client.post("/api/book", json=body, headers=token).status_code == 200
    request, who = ground.crew.asked[0]
    assert (request["by"], who, request["entry"]["person"]) == ("second", "page", "Third engineer")


JPEG, PNG = {"Content-Type": "image/jpeg"}, {"Content-Type": "image/png"}


def test_a_photo_is_kept_for_a_note_and_shown_to_users(ground: Ground) -> None:
    """Pins the way of a photo: sent, booked by its name, shown as what its bytes are, to users only."""
    refused = ground.client.post("/api/photo", content=photos_rig.png(), headers=PNG)
    assert refused.status_code == 401
    token = ground.log_in()
    # What it calls itself does not count.
    name = ground.client.post("/api/photo", content=photos_rig.png(), headers=token | JPEG).json()["name"]
    entry = {"kind": "note", "note": "Rail worn", "photos": [name]}
    assert ground.client.post("/api/book", json={"engine": "main", "entry": entry}, headers=token).status_code == 200
    assert ground.crew.asked[0][0]["entry"]["photos"] == [name]
    shown = ground.client.get(f"/api/photo/{name}")
    assert (shown.status_code, shown.content) == (200, photos_rig.png())
    assert shown.headers["content-type"] == "image/png" and shown.headers["x-content-type-options"] == "nosniff"
    ground.client.cookies.clear()
    assert ground.client.get(f"/api/photo/{name}").status_code == 401


def test_what_is_no_photo_is_not_kept(ground: Ground, filled: Settings) -> None:
    """Pins that size, kind, name and a note's photos are checked, and that nothing of it reaches the disk."""
    token = ground.log_in()
    folder = filled.gateway.data_dir / "photos"
    before = sorted(folder.iterdir()) if folder.exists() else []
    huge = photos_rig.jpeg(rest=bytes(PHOTO_BYTES_MAX))
    for content, sent_as, status in (
        (huge, JPEG, 409),
        (b"<svg/>", JPEG, 409),
        (b"<svg/>", {"Content-Type": "image/svg+xml"}, 415),
        (b"", PNG, 409),
        (photos_rig.png(50_000, 50_000), PNG, 409),
    ):
        answer = ground.client.post("/api/photo", content=content, headers=token | sent_as)
        assert answer.status_code == status and answer.json()["why"], (content[:20], sent_as)
    assert (sorted(folder.iterdir()) if folder.exists() else []) == before
    for photos in (["0" * 32 + ".jpg"], ["../state.db"], [7]):
        body = {"engine": "main", "entry": {"kind": "note", "note": "x", "photos": photos}}
        assert ground.client.post("/api/book", json=body, headers=token).status_code == 409, photos
    assert not ground.crew.asked
    for name in ("0" * 32 + ".jpg", "..%2f..%2fetc%2fpasswd", "state.db", "%00"):
        assert ground.client.get(f"/api/photo/{name}").status_code == 404, name


def test_photos_that_stand_in_notes_are_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that a full folder keeps what a note names, and that a note struck out makes room."""
    monkeypatch.setattr(photos_store, "PHOTOS_MAX", 1)
    monkeypatch.setattr(photos_store, "FRESH_S", -60.0)
    settings = rig.settings(tmp_path)
    rig.fill(settings, NOW, days=1)
    ground = Ground(settings)
    token = ground.log_in()
    name = ground.client.post("/api/photo", content=photos_rig.png(), headers=token | PNG).json()["name"]

    def booked(entry: Note | Correction) -> None:
        store = StateStore(settings.gateway.data_dir, settings.gateway, brokers={}, events_topic="t")
        store.commit(Batch(bookings=[NewBooking("main", entry.id, entry.kind, rfc3339(NOW), entry_json(entry))]))
        store.close()

    booked(Note(id="n", utc_s=NOW, hours=1.0, person="x", note="Rail worn", photos=[name]))
    other = photos_rig.png(shade=1)
    refused = ground.client.post("/api/photo", content=other, headers=token | PNG)
    assert refused.status_code == 409 and "Strike out" in refused.json()["why"]
    booked(Correction(id="c", utc_s=NOW, hours=1.0, person="x", replaces="n"))
    assert ground.client.post("/api/photo", content=other, headers=token | PNG).status_code == 200
    assert ground.client.get(f"/api/photo/{name}").status_code == 404
    ground.end()


# -- what never passes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("host", ["evil.example", "camdrift.evil.example:8484", "", "127.0.0.1.evil.example"])
def test_another_name_gets_nothing(ground: Ground, host: str) -> None:
    """Pins that a page under a foreign name, brought here by a forged name service, is refused."""
    assert ground.client.get("/api/present", headers={"Host": host}).status_code == 421


def test_known_names_and_addresses_are_served(filled: Settings) -> None:
    """Pins that addresses, localhost and the names of the settings are answered."""
    ground = Ground(with_page(filled, names=["ecr-gateway"]))
    for host in ("127.0.0.1", "localhost:8484", "[::1]:8484", "192.0.2.7", "ecr-gateway:8484"):
        assert ground.client.get("/api/session", headers={"Host": host}).status_code == 200, host
    ground.end()


def test_foreign_origin_and_forms_are_refused(ground: Ground) -> None:
    """Pins that another site's form or script cannot post, log-in included."""
    body = {"name": "second", "password": rig.PASSWORD}
    assert ground.client.post("/api/login", json=body, headers={"Origin": "http://evil.example"}).status_code == 403
    assert ground.client.post("/api/login", data=body).status_code == 415


def test_every_answer_carries_the_policy(ground: Ground) -> None:
    """Pins the strict policy on files, answers and refusals: no inline script or style, no frame, no sniffing."""
    for path in ("/", "/js/main.js", "/api/present", "/api/none", "/none"):
        headers = ground.client.get(path).headers
        assert "default-src 'self'" in headers["content-security-policy"], path
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff" and headers["x-frame-options"] == "DENY"


def test_too_much_is_not_read(ground: Ground) -> None:
    """Pins that a body or an address without end is refused, and odd JSON too."""
    big = ground.client.post("/api/login", content=b"[" * 100_000, headers={"Content-Type": "application/json"})
    assert big.status_code == 409 and "65,536" in big.json()["why"]
    assert ground.client.get("/" + "x" * 3_000).status_code == 414
    deep = ground.client.post("/api/login", content=b"[" * 60_000, headers={"Content-Type": "application/json"})
    assert deep.status_code == 409


def test_no_file_beside_the_pages_own(ground: Ground) -> None:
    """Pins that no path leads out of the page's folder."""
    for path in ("/../page.css", "/js/../../app.py", "/%2e%2e/app.py", "//etc/passwd", "/js"):
        # By hand: a client library would tidy the path up before it asks.
        raw = http.client.HTTPConnection("127.0.0.1", ground.served.server.port, timeout=180)
        raw.request("GET", path)
        assert raw.getresponse().status == 404, path
        raw.close()
    assert ground.client.get("/").headers["content-type"].startswith("text/html")


def test_looking_can_need_a_log_in(filled: Settings) -> None:
    """Pins that with the setting nothing is shown, and no stream opened, before log-in."""
    ground = Ground(with_page(filled, view_without_login=False))
    for path in ("/api/present", "/api/stream", "/api/events", "/api/status", "/api/sheet"):
        assert ground.client.get(path).status_code == 401, path
    ground.log_in()
    assert ground.client.get("/api/present").status_code == 200
    ground.end()


# -- the stream ---------------------------------------------------------------------------------------------------


def opened(response: httpx.Response) -> Iterator[str]:
    """The stream's lines, the first figures taken; the stream closes when they are let go of."""
    lines = response.iter_lines()
    while not next(lines).startswith("data:"):
        pass
    return lines


def test_the_stream_brings_the_present_again_and_again(ground: Ground) -> None:
    """Pins that a viewer gets the present at once, and what has changed with the next."""
    with ground.client.stream("GET", "/api/stream") as stream:
        lines = (line for line in stream.iter_lines() if line.startswith("data:"))
        assert '"spring_mm":{"value":180.94' in next(lines)
        ground.crew.view = replace(ground.crew.view, heartbeat=4_242)
        assert any('"heartbeat":4242' in next(lines) for _ in range(3))


def test_viewers_are_bounded(filled: Settings) -> None:
    """Pins that a viewer beyond the last place is refused in words, and that a place left is free again."""
    ground = Ground(with_page(filled, viewers_max=2))
    url = f"{ground.served.url}/api/stream"
    with httpx.stream("GET", url) as one, httpx.stream("GET", url) as two:
        held = opened(one), opened(two)
        with httpx.stream("GET", url) as third:
            assert third.status_code == 503 and "places" in third.read().decode()
        del held
    end = time.monotonic() + 180
    while True:
        with httpx.stream("GET", url) as again:
            if again.status_code == 200:
                break
        assert time.monotonic() < end, "the place is not free again"
        time.sleep(0.1)
    ground.end()


def test_stopping_sends_viewers_home(filled: Settings) -> None:
    """Pins that the page ends although somebody looks."""
    ground = Ground(filled)
    heard = threading.Event()

    def look() -> None:
        with httpx.stream("GET", f"{ground.served.url}/api/stream", timeout=180) as stream:
            lines = opened(stream)
            heard.set()
            for _ in lines:
                pass

    viewer = threading.Thread(target=look)
    viewer.start()
    assert heard.wait(180)
    ground.end()
    viewer.join(180)
    assert not viewer.is_alive()


def test_the_document_names_every_operation(ground: Ground) -> None:
    """Pins that the OpenAPI document describes each path with its parameters, and marks what needs a log-in."""
    document = ground.client.get("/api/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    paths = document["paths"]
    assert {"/api/present", "/api/history", "/api/events", "/api/stream", "/api/book"} <= set(paths)
    acknowledge = paths["/api/alarm/{tag}/acknowledge"]["post"]
    assert acknowledge["security"] and acknowledge["parameters"][0]["name"] == "tag"
    assert {p["name"] for p in paths["/api/history"]["get"]["parameters"]} == {"engine", "from", "to", "points"}
    assert "PresentAnswer" in document["components"]["schemas"]


def test_the_document_is_openapi(ground: Ground) -> None:
    """Pins that the document is OpenAPI 3.1 to a validator that is not ours, which finds a planted fault."""
    from openapi_spec_validator import OpenAPIV31SpecValidator
    from openapi_spec_validator.validation.exceptions import OpenAPIValidationError

    document = ground.client.get("/api/openapi.json").json()
    OpenAPIV31SpecValidator(document).validate()
    document["paths"]["/api/book"]["post"]["requestBody"]["content"] = "none"
    with pytest.raises(OpenAPIValidationError):
        OpenAPIV31SpecValidator(document).validate()


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "OPTIONS"])
def test_what_a_path_does_not_take_is_told(ground: Ground, method: str) -> None:
    """Pins 405 with the methods that the document names, in JSON as every refusal."""
    paths: dict[str, dict[str, Any]] = ground.client.get("/api/openapi.json").json()["paths"]
    for path, found in paths.items():
        if method.lower() not in found:
            answer = ground.client.request(method, path)
            assert answer.status_code == 405, path
            assert {m.lower() for m in answer.headers["allow"].split(", ")} == set(found)
            assert answer.json()["why"]


def test_a_head_request_takes_no_place(ground: Ground) -> None:
    """Pins that HEAD is answered like GET without the body, on the live stream too."""
    for path in ("/", "/api/present", "/api/stream"):
        answer = ground.client.head(path)
        assert (answer.status_code, answer.content) == (200, b""), path


def test_a_taken_port_is_told_and_nothing_falls(filled: Settings, ground: Ground) -> None:
    """Pins that a page whose port is taken says so in words and can still be stopped."""
    server = rig.PageServer(rig.inputs(with_page(filled, port=ground.served.server.port), ground.crew))
    server.start()
    end = time.monotonic() + 180
    while "not served" not in server.fault:
        assert time.monotonic() < end
        time.sleep(0.02)
    assert "Address already in use" in server.fault
    assert server.stop()


def test_a_missing_store_is_told(tmp_path: Path) -> None:
    """Pins that without history or record the present is still shown, and the rest refused in words."""
    ground = Ground(rig.settings(tmp_path))
    assert ground.client.get("/api/present").json()["engines"][0]["trend"] is None
    for path in ("/api/events", f"/api/history?engine=main&from={NOW - 9}&to={NOW}"):
        answer = ground.client.get(path)
        assert answer.status_code == 503 and "there is none yet" in answer.json()["why"]
    ground.end()


def test_one_bad_row_hides_no_other(tmp_path: Path) -> None:
    """Pins that the record and the log book answer with all sound rows, and the rest of the page with them."""
    settings = rig.settings(tmp_path)
    rig.fill(settings, NOW, days=2)
    db = sqlite3.connect(settings.gateway.data_dir / "state.db")
    (before,) = db.execute("SELECT count(*) FROM event").fetchone()
    with db:
        db.execute("UPDATE event SET payload=x'ff00' WHERE seq=60")
        db.execute("UPDATE event SET utc='never' WHERE seq=61")
        db.execute("UPDATE booking SET entry='{' WHERE n=1")
    db.close()
    ground = Ground(settings)
    shown: list[int] = []
    older = before + 1
    while older is not None:
        page = ground.client.get("/api/events", params={"limit": 50, "before": older}).raise_for_status().json()
        shown += [e["seq"] for e in page["events"]]
        older = page["older"]
    assert sorted(shown) == [n for n in range(1, before + 1) if n not in (60, 61)]
    for path in ("/api/events.csv", "/api/bookings?engine=main", "/api/bookings.csv?engine=main", "/api/present"):
        assert ground.client.get(path).status_code == 200, path
    ground.end()


def test_work_sheets_by_name(filled: Settings) -> None:
    """Pins that what is typed reaches the sheet, its refusal comes in words, and an unknown sheet is not there."""
    seen: list[tuple[str, dict[str, str]]] = []

    def sheet(engine: str, typed: Any) -> dict[str, Any]:
        seen.append((engine, dict(typed)))
        if typed.get("length") == "long":
            raise rig.Refused("a spring does not grow")
        return {
            "name": "made-up",
            "title": "T",
            "cautions": ["c"],
            "steps": [{"text": "s"}],
            "figures": [],
            "live": True,
        }

    ground = Ground(filled, sheets={"made-up": ("Made up", sheet)})
    assert ground.client.get("/api/sheet").json() == {"sheets": [{"name": "made-up", "title": "Made up"}]}
    assert ground.client.get("/api/sheet/made-up", params={"engine": "main", "length": "5"}).json()["live"]
    assert seen == [("main", {"length": "5"})]
    assert ground.client.get("/api/sheet/made-up?length=long").json() == {"why": "a spring does not grow"}
    assert ground.client.get("/api/sheet/other").status_code == 404
    ground.end()


def test_inputs_without_bounds_are_refused_in_one_line(ground: Ground) -> None:
    """Pins that huge numbers and deep nesting are answered with a reason: no 500, at any depth and in any place."""
    for path in ("/api/events", "/api/events.csv"):
        assert ground.client.get(path, params={"before": "9" * 25}).status_code == 422
        assert ground.client.get(path, params={"before": str(2**53 - 1)}).status_code == 200
    headers = ground.log_in() | {"content-type": "application/json"}
    for depth in (20, 400, 5_000):
        entry = "[" * depth + "]" * depth
        body = f'{{"engine":"main","entry":{{"kind":"note","x":{entry}}}}}'
        answer = ground.client.post("/api/book", content=body, headers=headers)
        assert answer.status_code == 409 and "levels" in answer.json()["why"]


def test_a_fault_of_our_own_is_one_line(filled: Settings) -> None:
    """Pins that what fails inside is answered with a 500 in words, and logged once however often it is asked for."""

    def broken(*_: object) -> dict[str, Any]:
        raise ZeroDivisionError("made up")

    ground = Ground(filled, sheets={"broken": ("Broken", broken)})
    with structlog.testing.capture_logs() as logs:
        for _ in range(5):
            answer = ground.client.get("/api/sheet/broken")
            assert answer.status_code == 500 and "log" in answer.json()["why"]
    ground.end()
    assert [line["event"] for line in logs] == ["page.request_failed"]
    assert "exc_info" not in logs[0] and "Traceback" not in str(logs[0])


def test_names_of_users_are_shown_to_users_only(filled: Settings) -> None:
    """Pins that whoever has not logged in reads no user's name in the record, the log book or the tables of both."""
    ground = Ground(filled)
    paths = ("/api/events?limit=500", "/api/events.csv", "/api/bookings?engine=main", "/api/bookings.csv?engine=main")
    before = [ground.client.get(path).text for path in paths]
    ground.log_in()
    after = [ground.client.get(path).text for path in paths]
    ground.end()
    assert all("Second engineer" in text for text in after)
    assert [path for path, text in zip(paths, before, strict=True) if "Second engineer" in text] == []
    assert [json.loads(text).keys() for text in before[::2]] == [json.loads(text).keys() for text in after[::2]]
