"""Attacks on the page (issue: connections, large answers, input, log-in)."""

import contextlib
import http.client
import socket
import struct
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from page_rig import PASSWORD
from photos_rig import jpeg, png

from gateway.model.output import Batch
from gateway.model.settings_file import load_settings
from gateway.store.photos import PHOTOS_MAX
from gateway.store.reader import StateReader
from gateway.store.state import NewEvent, StateStore
from tests.attack.case import case
from tests.attack.rig import Ship, more_descriptors
from tests.attack.web import asked, connected, is_closed, logged_in, viewer_s

EVENTS = 20_000
TOPIC = "camdrift/1/tern-passage/event"


def held(ship: Ship, count: int, sources: int = 1) -> list[object]:
    """Connections that send nothing; those refused are left out."""
    more_descriptors()
    found: list[object] = []
    for n in range(count):
        with contextlib.suppress(OSError):
            found.append(ship.attackers.enter_context(connected(ship.page_port, f"127.0.1.{1 + n % sources}")))
    return found


@case("70 connections that send nothing keep no viewer out, from other addresses or the same", quick=True)
def silent_connections(ship: Ship) -> None:
    """Viewers first from another address, then from the attacker's own."""
    held(ship, 70)
    assert viewer_s(ship.page_port) < 2.0
    assert viewer_s(ship.page_port, "127.0.1.1") < 2.0
    held(ship, 70, sources=70)
    assert viewer_s(ship.page_port) < 2.0


@case("990 connections that send nothing use up no descriptors")
def silent_990(ship: Ship) -> None:
    """The daemon's descriptors stay far below its limit, and a head plugged in again is heard."""
    before = ship.descriptors()
    held(ship, 990, sources=50)
    assert ship.descriptors() - before <= 90, f"{ship.descriptors()} descriptors, {before} before"
    assert viewer_s(ship.page_port) < 2.0


@case("a header that trickles in is cut after 5 s, also that of a second request")
def trickled_headers(ship: Ship) -> None:
    """A byte every half second, on a new connection and on one that was served before."""
    new = ship.attackers.enter_context(connected(ship.page_port))
    used = ship.attackers.enter_context(connected(ship.page_port))
    used.sendall(b"GET /api/session HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")
    assert used.recv(65_536).startswith(b"HTTP/1.1 200")
    begun = time.monotonic()
    open_ = [new, used]
    while open_ and time.monotonic() - begun < 12.0:
        for s in list(open_):
            try:
                s.sendall(b"G" if s is new else b"X")
            except OSError:
                open_.remove(s)
        time.sleep(0.5)
    assert not open_, "a trickled header was still taken after 12 s"


def filled(folder: Path) -> None:
    """A record of 20,000 events."""
    data = folder / "data"
    settings = load_settings(Path(__file__).parents[2] / "config" / "tern-passage.toml")
    store = StateStore(data, settings.gateway, brokers={}, events_topic=TOPIC)
    body = {"v": 1, "ts": "2026-01-01T00:00:00.000Z", "hours": None, "kind": "gateway", "what": "time-set",
            "version": "0.1.0", "text": "an invented event with a text of the usual length, for the table"}  # fmt: skip
    for n in range(0, EVENTS, 1_000):
        store.commit(
            Batch(
                events=[
                    NewEvent("camdrift/1/tern-passage/event", "gateway", body | {"hours": n + m}) for m in range(1_000)
                ]
            )
        )
    store.close()


TABLE = b"GET /api/events.csv?limit=20000 HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n"


@case("100 readers of the whole record that do not read", before=filled)
def readers_that_do_not_read(ship: Ship) -> None:
    """Cut off after 10 s, those refused after 15 s without a question; viewers are served meanwhile."""
    more_descriptors()
    readers = []
    for n in range(100):
        with contextlib.suppress(OSError):
            s = ship.attackers.enter_context(connected(ship.page_port, f"127.0.1.{1 + n % 20}", 4_096))
            s.sendall(TABLE)
            readers.append(s)
    for _ in range(5):
        assert viewer_s(ship.page_port) < 2.0
        time.sleep(0.5)
    time.sleep(14.0)
    cut = sum(is_closed(s, 0.5) for s in readers)
    assert cut == len(readers), f"{len(readers) - cut} of {len(readers)} are not cut after 17 s"


@case("an ordinary download of the whole record", before=filled, grows_mib=15.0)
def download(ship: Ship) -> None:
    """Complete, newest first, and cheap."""
    status, body, _ = asked(ship.page_port, "/api/events.csv?limit=20000", within_s=60.0)
    rows = body.count(b"\r\n") - 1
    assert status == 200 and rows >= EVENTS, (status, rows)


@case("300 viewers that leave before their stream begins take no place from others", quick=True)
def streams_left_at_once(ship: Ship) -> None:
    """Each asks for the stream and resets the connection at once."""
    for n in range(300):
        with contextlib.suppress(OSError), connected(ship.page_port, f"127.0.1.{1 + n % 40}") as s:
            s.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            s.sendall(b"GET /api/stream HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")
    begun = time.monotonic()
    while time.monotonic() - begun < 5.0:
        with connected(ship.page_port, "127.0.0.3") as s:
            s.sendall(b"GET /api/stream HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n")
            if s.recv(4_096).startswith(b"HTTP/1.1 200"):
                return
        time.sleep(0.2)
    raise AssertionError("no place for a viewer")


@case("60 readers of other large answers that do not read", before=filled)
def large_answers_not_read(ship: Ship) -> None:
    """Pages of the record as JSON, over and over on one connection."""
    more_descriptors()
    question = b"GET /api/events?limit=500 HTTP/1.1\r\nhost: 127.0.0.1\r\n\r\n"
    for n in range(60):
        with contextlib.suppress(OSError):
            s = ship.attackers.enter_context(connected(ship.page_port, f"127.0.1.{1 + n % 20}", 4_096))
            s.sendall(question * 20)
    for _ in range(5):
        assert viewer_s(ship.page_port) < 2.0
        time.sleep(0.3)


@case("inputs without bounds: numbers, nesting, bodies, methods, broken requests", quick=True)
def inputs_without_bounds(ship: Ship) -> None:
    """Never a 500, and the log hardly grows however often it is tried."""
    logged = ship.log_bytes()
    me = logged_in(ship.page_port, PASSWORD)
    deep = b'{"engine":"main","entry":{"kind":"note","x":' + b"[" * 400 + b"]" * 400 + b"}}"
    for n in range(100):
        for path in (
            f"/api/events?before={'9' * 25}",
            f"/api/events.csv?before={'9' * 25}",
            "/api/history?points=1e400",
        ):
            assert asked(ship.page_port, path)[0] == 422
        assert asked(ship.page_port, "/api/book", body=deep, headers=me)[0] == 409
        with contextlib.suppress(OSError), connected(ship.page_port, f"127.0.1.{1 + n % 9}") as s:
            s.sendall(b"\x16\x03\x01 no HTTP at all\r\n\r\n" * 3)
            assert is_closed(s, 5.0)
    assert ship.log_bytes() - logged < 20_000, f"{ship.log_bytes() - logged} bytes of log for 500 requests"


@case("photos: huge, of a wrong type, very many, not read, and under names that lead elsewhere", grows_mib=15.0)
def photos(ship: Ship) -> None:
    """Never a 500; the folder stays bounded; the record and the viewers go on."""
    more_descriptors()
    me = logged_in(ship.page_port, PASSWORD)
    path, folder = "/api/photo", ship.folder / "data" / "photos"

    def sent(data: bytes, kind: str = "image/jpeg", headers: dict[str, str] | None = None) -> int:
        more = (me if headers is None else headers) | {"content-type": kind}
        try:
            return asked(ship.page_port, path, body=data, headers=more, within_s=60.0)[0]
        except OSError:
            return 0  # closed before all of it was sent

    assert sent(jpeg(), headers={}) == 401
    assert not folder.exists(), "a stranger has a photo kept"
    # Huge in bytes, by its head alone, and huge once unpacked.
    assert sent(jpeg(rest=bytes(50_000_000))) in (0, 409)
    assert sent(jpeg(65_535, 65_535)) == sent(png(60_000, 60_000), "image/png") == 409
    for data, kind in (
        (b"<svg onload='x'/>", "image/jpeg"),
        (b"GIF89a", "image/gif"),
        (b"", "image/png"),
        (b"{}", "text/html"),
    ):
        assert sent(data, kind) in (409, 415), (data, kind)
    # A body that trickles in, and one that is promised and does not come, keep nobody else out for long.
    begun = f"POST {path} HTTP/1.1\r\nhost: 127.0.0.1\r\ncontent-type: image/jpeg\r\ncontent-length: 500000\r\n"
    begun += "".join(f"{k}: {v}\r\n" for k, v in me.items()) + "\r\n"
    for _ in range(20):
        with contextlib.suppress(OSError):
            s = ship.attackers.enter_context(connected(ship.page_port))
            s.sendall(begun.encode() + jpeg()[:10])
    assert viewer_s(ship.page_port) < 2.0
    # Very many: those of no note are bounded, and a refusal says so.
    found = [sent(jpeg(rest=n.to_bytes(4, "big") + bytes(2_000))) for n in range(PHOTOS_MAX + 20)]
    assert set(found) == {200, 409}, set(found)
    kept = sorted(folder.iterdir())
    assert len(kept) == PHOTOS_MAX, len(kept)
    # A note whose photos are not there, or are no names.
    for names in (["0" * 32 + ".jpg"], ["../state.db"], ["x"] * 5_000, [kept[0].name] * 5, {"a": 1}):
        entry = {"kind": "note", "note": "made up", "photos": names}
        status, body, _ = asked(ship.page_port, "/api/book", body={"engine": "main", "entry": entry}, headers=me)
        assert status == 409, (status, body[:200])
    for name in ("..%2fstate.db", "%2fetc%2fpasswd", "../../etc/passwd", "%00", "x" * 1_500, kept[0].name + "%0a"):
        assert asked(ship.page_port, f"{path}/{name}", headers=me)[0] == 404, name
    # Asked for over and over by readers that do not read.
    question = f"GET {path}/{kept[0].name} HTTP/1.1\r\nhost: 127.0.0.1\r\ncookie: {me['cookie']}\r\n\r\n".encode()
    for n in range(60):
        with contextlib.suppress(OSError):
            s = ship.attackers.enter_context(connected(ship.page_port, f"127.0.1.{1 + n % 20}", 4_096))
            s.sendall(question * 50)
    for _ in range(5):
        assert viewer_s(ship.page_port) < 2.0
        time.sleep(0.3)
    # The engineer's own note still goes through, with a photo that is kept already.
    entry = {"kind": "note", "note": "rail worn", "photos": [kept[0].name]}
    assert asked(ship.page_port, "/api/book", body={"engine": "main", "entry": entry}, headers=me)[0] == 200


@case("60 wrong log-ins at once, 300 names from 300 addresses, and an engineer who logs in", grows_mib=15.0, quick=True)
def wrong_log_ins(ship: Ship) -> None:
    """Whoever has logged in from his address before logs in again at once; strangers get few guesses.

    One hash takes 7 MiB, which the allocator keeps for the next.
    """
    me = "127.0.0.3"
    logged_in(ship.page_port, PASSWORD, source=me)
    body = {"name": "second", "password": "wrong wrong wrong"}

    def tried(n: int) -> int:
        return asked(ship.page_port, "/api/login", source=f"127.0.2.{n}", body=body, within_s=60.0)[0]

    with ThreadPoolExecutor(20) as pool:
        guesses = list(pool.map(tried, [1] * 60)).count(403)
        assert guesses <= 5, f"{guesses} guesses of 60 at once"
        guesses = list(pool.map(tried, range(2, 252))).count(403)
        assert guesses <= 40, f"{guesses} guesses from 250 addresses"
    begun = time.monotonic()
    logged_in(ship.page_port, PASSWORD, source=me)
    assert time.monotonic() - begun < 5.0
    _, events, _ = asked(ship.page_port, "/api/events?limit=500", source="127.0.2.1")
    assert b"second logged in" not in events and b"second" not in events


@case("300 wrong log-ins from 250 addresses push nothing out of the record", before=filled, grows_mib=15.0)
def record_flooded(ship: Ship) -> None:
    """What a stranger can have recorded is bounded: the log's place is for alarms."""
    reader = StateReader(ship.folder / "data")
    ship.attackers.callback(reader.close)

    def written() -> int:
        return sum(row.kind == "gateway" for row in reader.events(EVENTS, 10_000))

    before = written()
    body = {"name": "second", "password": "wrong wrong wrong"}

    def tried(n: int) -> None:
        with contextlib.suppress(OSError, http.client.HTTPException):
            asked(ship.page_port, "/api/login", source=f"127.0.2.{n % 250 + 1}", body=body, within_s=60.0)

    with ThreadPoolExecutor(20) as pool:
        list(pool.map(tried, range(300)))
    assert written() - before <= 40, f"{written() - before} events"
