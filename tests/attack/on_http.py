"""Requests that no browser makes: the page answers each with its own refusal or closes, and serves the next viewer."""

import contextlib
import http.client
import socket
import ssl
import time

from tests.attack.case import case
from tests.attack.rig import Ship
from tests.attack.web import connected, is_closed, viewer_s

HOST = b"host: 127.0.0.1\r\n"
END = b"\r\n\r\n"
TRAVERSALS = (
    b"/%2e%2e/%2e%2e/etc/passwd", b"/static/..%2f..%2f..%2fetc/passwd", b"/..%5c..%5cetc/passwd", b"//etc/passwd",
    b"/static/%00", b"/static/%252e%252e/app.py", b"/./../__init__.py", b"/..;/etc/passwd", b"/%c0%ae%c0%ae/etc/passwd",
    b"/api/sheet/..%2f..%2fetc%2fpasswd", b"/api/alarm/..%2f..%2fsession/acknowledge", b"/" + b"a/" * 900,
)  # fmt: skip
HOSTS = (
    b"evil.example", b"127.0.0.1@evil.example", b"evil.example:80:80", b"[::1", b"[", b"\xff\xfe", b"127.0.0.1 evil",
    b"127.0.0.1,evil.example", b"localhost.evil.example", b":", b"", b"1" * 4_000, b"%31%32%37.0.0.1", b"[::1]]:1",
)  # fmt: skip
REQUESTS: dict[str, bytes] = {
    **{f"path {p[:40]!r}": b"GET " + p + b" HTTP/1.1\r\n" + HOST + END for p in TRAVERSALS},
    **{f"host {h[:20]!r}": b"GET /api/present HTTP/1.1\r\nhost: " + h + END for h in HOSTS},
    "two hosts": b"GET / HTTP/1.1\r\n" + HOST + b"host: evil.example" + END,
    "no host": b"GET / HTTP/1.1" + END,
    "HTTP/1.0": b"GET / HTTP/1.0\r\n" + HOST + END,
    "HTTP/0.9": b"GET /\r\n",
    "HTTP/9.9": b"GET / HTTP/9.9\r\n" + HOST + END,
    "HTTP/2 preface": b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    "absolute address": b"GET http://evil.example/api/present HTTP/1.1\r\n" + HOST + END,
    "absolute address of our own": b"GET http://127.0.0.1/api/present HTTP/1.1\r\n" + HOST + END,
    "a proxy's CONNECT": b"CONNECT 127.0.0.1:22 HTTP/1.1\r\n" + HOST + END,
    "OPTIONS *": b"OPTIONS * HTTP/1.1\r\n" + HOST + END,
    "TRACE": b"TRACE / HTTP/1.1\r\n" + HOST + END,
    "a method of 2,000 letters": b"A" * 2_000 + b" / HTTP/1.1\r\n" + HOST + END,
    "a cookie of 60 KB": b"GET / HTTP/1.1\r\n" + HOST + b"cookie: a=" + b"b" * 60_000 + END,
    "a cookie of 1 MB": b"GET / HTTP/1.1\r\n" + HOST + b"cookie: a=" + b"b" * 1_000_000 + END,
    "1,000 cookies": b"GET /api/session HTTP/1.1\r\n" + HOST + b"cookie: a=b\r\n" * 1_000 + END,
    "broken cookies": b"GET /api/session HTTP/1.1\r\n" + HOST + b'cookie: =;;"\\377\xff\x80; session="' + END,
    "10,000 headers": b"GET / HTTP/1.1\r\n" + HOST + b"x: y\r\n" * 10_000 + END,
    "1,000 ranges": b"GET /api/events.csv HTTP/1.1\r\n" + HOST + b"range: bytes=" + b"0-1," * 1_000 + b"0-" + END,
    "range backwards": b"GET / HTTP/1.1\r\n" + HOST + b"range: bytes=9-1,-0,99999999999999999999-" + END,
    "both lengths": b"POST /api/login HTTP/1.1\r\n"
    + HOST
    + b"content-length: 5\r\ntransfer-encoding: chunked"
    + END
    + b"0\r\n\r\nGET /api/session HTTP/1.1\r\n"
    + HOST
    + END,
    "two lengths": b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-length: 2\r\ncontent-length: 20" + END + b"{}",
    "a signed length": b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-length: +2" + END + b"{}",
    "a negative length": b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-length: -1" + END,
    "a length of 30 digits": b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-length: " + b"9" * 30 + END,
    "a length of 1 GB": b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-length: 1000000000" + END + b"{" * 70_000,
    "a chunk of FFFFFFFFFFFFFFFF": b"POST /api/login HTTP/1.1\r\n"
    + HOST
    + b"transfer-encoding: chunked"
    + END
    + b"FFFFFFFFFFFFFFFF\r\nx",
    "chunks with long extensions": b"POST /api/login HTTP/1.1\r\n"
    + HOST
    + b"transfer-encoding: chunked"
    + END
    + (b"1;" + b"e" * 4_000 + b"\r\n{\r\n") * 30
    + b"0\r\n\r\n",
    "100,000 empty-ish chunks": b"POST /api/login HTTP/1.1\r\n"
    + HOST
    + b"transfer-encoding: chunked"
    + END
    + b"1\r\n \r\n" * 100_000
    + b"0\r\n\r\n",
    "odd coding": b"POST /api/login HTTP/1.1\r\n" + HOST + b"transfer-encoding: gzip, chunked" + END,
    "space before the colon": b"GET / HTTP/1.1\r\nhost : 127.0.0.1" + END,
    "folded header": b"GET / HTTP/1.1\r\n" + HOST + b"x: a\r\n b" + END,
    "bare line feeds": b"GET / HTTP/1.1\n" + HOST.replace(b"\r", b"") + b"\n",
    "bare carriage returns": b"GET / HTTP/1.1\r" + HOST.replace(b"\n", b"") + b"\r\r",
    "NUL in a header": b"GET / HTTP/1.1\r\n" + HOST + b"x: a\0b" + END,
    "NUL in the path": b"GET /\0 HTTP/1.1\r\n" + HOST + END,
    "websocket": b"GET /api/stream HTTP/1.1\r\n" + HOST + b"connection: upgrade\r\nupgrade: websocket\r\n"
    b"sec-websocket-version: 13\r\nsec-websocket-key: AAAAAAAAAAAAAAAAAAAAAA==" + END,
    "h2c": b"GET / HTTP/1.1\r\n"
    + HOST
    + b"connection: upgrade, http2-settings\r\nupgrade: h2c\r\nhttp2-settings: AA"
    + END,
    "expect": b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-length: 2\r\nexpect: 200-maybe" + END,
    "no JSON": b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-type: text/xml\r\ncontent-length: 4" + END + b"<a/>",
    "UTF-16": b"POST /api/login HTTP/1.1\r\n"
    + HOST
    + b"content-type: application/json\r\ncontent-length: 6"
    + END
    + "{}".encode("utf-16"),
    "surrogates": b"POST /api/login HTTP/1.1\r\n"
    + HOST
    + b"content-type: application/json\r\ncontent-length: 41"
    + END
    + b'{"name":"\\ud800","password":"\\udfff\\u0000"}',
    "NaN": b"POST /api/login HTTP/1.1\r\n"
    + HOST
    + b"content-type: application/json\r\ncontent-length: 29"
    + END
    + b'{"name":NaN,"password":-1e999',
    "1,000 parameters": b"GET /api/events?" + b"before=1&" * 200 + b" HTTP/1.1\r\n" + HOST + END,
    "percent of nothing": b"GET /api/events?before=%&engine=%ff%fe&limit=%u0031 HTTP/1.1\r\n" + HOST + END,
    "odd numbers": "GET /api/events?limit=１٢ HTTP/1.1\r\n".encode() + HOST + END,
    "times beyond": b"GET /api/history?engine=main&from=-1e308&to=1e308&points=1 HTTP/1.1\r\n" + HOST + END,
    "years beyond": b"GET /api/history?engine=main&from=0001-01-01T00:00:00Z&to=9999-12-31T23:59:59Z HTTP/1.1\r\n"
    + HOST
    + END,
    "forwarded by a proxy": b"GET /api/session HTTP/1.1\r\n"
    + HOST
    + b"x-forwarded-for: 127.0.0.1\r\nforwarded: for=_x"
    + END,
}


def answered(ship: Ship, request: bytes, source: str) -> bytes:
    """What comes back within 6 s, at most 200 kB of it."""
    with connected(ship.page_port, source) as s, contextlib.suppress(OSError):
        s.settimeout(6.0)
        s.sendall(request)
        with contextlib.suppress(OSError):
            s.shutdown(socket.SHUT_WR)
        found = b""
        while len(found) < 200_000 and (more := s.recv(65_536)):
            found += more
        return found
    return b""


@case("requests that no browser makes: smuggling, traversal, hosts, ranges, lengths, upgrades")
def odd_requests(ship: Ship) -> None:
    """No 500, no file from outside, nothing switched to another protocol, and the log hardly grows."""
    logged = ship.log_bytes()
    for n, (name, request) in enumerate(REQUESTS.items()):
        found = answered(ship, request, f"127.0.6.{1 + n % 40}")
        status = found[9:12]
        assert not status.startswith(b"5") or status in (b"501", b"503", b"505"), f"{name}: {found[:120]!r}"
        assert status != b"101" and b"root:" not in found, f"{name}: {found[:120]!r}"
        assert not (name.startswith("host") and status == b"200"), f"{name}: {found[:60]!r}"
    assert viewer_s(ship.page_port) < 2.0
    assert ship.log_bytes() - logged < 20_000, f"{ship.log_bytes() - logged} bytes of log"


@case("40 requests whose bodies come a byte a second, and answers taken a byte a second")
def slow_bodies(ship: Ship) -> None:
    """Viewers are served meanwhile; none of them is still open after 30 s."""
    slow = []
    for n in range(40):
        with contextlib.suppress(OSError):
            s = ship.attackers.enter_context(connected(ship.page_port, f"127.0.7.{1 + n % 8}", 2_048))
            s.sendall(b"POST /api/login HTTP/1.1\r\n" + HOST + b"content-length: 60000" + END)
            slow.append(s)
    end_s = time.monotonic() + 30.0
    while time.monotonic() < end_s and slow:
        for s in list(slow):
            try:
                s.sendall(b" ")
            except OSError:
                slow.remove(s)
        assert viewer_s(ship.page_port) < 2.0
        time.sleep(1.0)
    still = [s for s in slow if not is_closed(s, 0.2)]
    assert not still, f"{len(still)} of 40 are still open after 30 s"


def tls_viewer_s(port: int, source: str) -> float:
    """How long a viewer waits for handshake and answer."""
    begin_s = time.monotonic()
    context = ssl._create_unverified_context()  # a certificate that the rig has just made
    client = http.client.HTTPSConnection("127.0.0.1", port, timeout=10.0, source_address=(source, 0), context=context)
    with contextlib.closing(client):
        client.request("GET", "/api/session")
        assert client.getresponse().status == 200
    return time.monotonic() - begin_s


def client_hello() -> bytes:
    """The first message of a handshake."""
    context = ssl.create_default_context()
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    with contextlib.suppress(ssl.SSLWantReadError):
        context.wrap_bio(incoming, outgoing, server_hostname="localhost").do_handshake()
    return outgoing.read()


@case("the page over TLS: 150 handshakes that never end", tls=True, together=False, grows_mib=20.0)
def tls_handshakes(ship: Ship) -> None:
    """Silent, half a first message, a whole one and then nothing, and no TLS; viewers are served, and all are cut.

    96 connections with the library's state and 32 kB for each, and the certificate's code at the first viewer.
    """
    hello = client_hello()
    openings = (b"", hello[: len(hello) // 2], hello, b"GET / HTTP/1.1\r\n", hello[:5])
    held = []
    for n in range(150):
        with contextlib.suppress(OSError):
            s = ship.attackers.enter_context(connected(ship.page_port, f"127.0.9.{1 + n % 30}"))
            s.sendall(openings[n % len(openings)])
            held.append(s)
    for source in ("127.0.0.3", "127.0.9.1"):
        assert tls_viewer_s(ship.page_port, source) < 4.0
    time.sleep(8.0)
    still = sum(not is_closed(s, 0.2) for s in held)
    assert not still, f"{still} of {len(held)} are still open after 8 s"
