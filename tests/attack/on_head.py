"""A second engine's head in a stranger's hands: right CRC and absurd fields, noise, floods; and a clock that steps."""

import contextlib
import random
import socket
import struct
import time
from collections.abc import Callable, Iterator

from daemon_rig import until
from head_writer import HeadWriter, frame

from gateway.outlets.control_client import ask
from tests.attack.case import case
from tests.attack.rig import Ship

SPELL_S = 1.5
"""Each mood of the head lasts so long; then it hangs up and the daemon connects again."""
TIMES_US = (0, 1, 2**31, 2**32, 2**53 - 1, 2**53, 2**53 + 1, 2**62, 2**63 - 1, 2**63, 2**64 - 1)
NAMES = (b"\0" * 16, b"\x1b[2J\x1b]0;x\x07\r\n\t", b"\xff\xfe\xfd" * 5, b"../../etc/passwd", "‮⁦ａ＝".encode())


def ordinary(w: HeadWriter, rng: random.Random) -> bytes:
    """An engine at 90 rpm, so that the next mood falls on a measurement at work."""
    at = w.head_us / 1e6
    rows = [(int((at + i * 0.002) * 1.5 * 65_536) & 0xFFFF,) * 2 + (14_600,) for i in range(50)]
    return w.samples(rows) + (w.health() if rng.random() < 0.1 else b"")


def any_sequence(w: HeadWriter, rng: random.Random) -> bytes:
    """Sequence numbers by chance."""
    w.sequence = rng.getrandbits(16)
    return ordinary(w, rng)


def two_boots(w: HeadWriter, rng: random.Random) -> bytes:
    """Frames of two boots in turn, as if two heads shared a wire."""
    w.boot = 7 if w.boot == 8 else 8
    return ordinary(w, rng)


def any_boot(w: HeadWriter, rng: random.Random) -> bytes:
    """Starts with every frame, with boot numbers that fall too."""
    w.boot = rng.choice((0, 1, 2**31, 2**32 - 1, rng.getrandbits(32)))
    return ordinary(w, rng)


def backwards(w: HeadWriter, rng: random.Random) -> bytes:
    """Head time runs backwards."""
    w.head_us = max(0, w.head_us - 350_000)
    return ordinary(w, rng)


def any_time(w: HeadWriter, rng: random.Random) -> bytes:
    """Head time at the edges of what floats and integers hold."""
    w.head_us = rng.choice(TIMES_US)
    made = ordinary(w, rng) if w.head_us < 2**64 - 10**6 else frame(w.header(2) + struct.pack("<IHBB", 10**6, 0, 7, 0))
    return made + w.health(min(rng.choice(TIMES_US), 2**64 - 1), turns=rng.choice((0, 1, 2**31, 2**32 - 2, 2**32 - 1)))


def years_ahead(w: HeadWriter, rng: random.Random) -> bytes:
    """Each frame is a year after the last."""
    w.head_us += 365 * 86_400 * 10**6
    return ordinary(w, rng) + w.health(turns=rng.getrandbits(32))


def identities(w: HeadWriter, rng: random.Random) -> bytes:
    """Another head with each frame, with names that no terminal should see."""
    return b"".join(w.identity(rng.choice(NAMES)[:16]) + w.identity(rng.randbytes(16)) for _ in range(40))


def edges(w: HeadWriter, rng: random.Random) -> bytes:
    """Interval and number of samples at both ends of what is allowed, and beyond."""
    w.interval_ns = rng.choice((0, 1, 49_999, 50_000, 10**9, 10**9 + 1, 2**32 - 1))
    n = rng.choice((1, 2, 255, 256))
    return w.samples([tuple(rng.getrandbits(16) for _ in range(3)) for _ in range(n)], rng.getrandbits(8))


def turns_fall(w: HeadWriter, rng: random.Random) -> bytes:
    """The count of turns that hours come from jumps both ways."""
    return ordinary(w, rng) + w.health(turns=rng.choice((0, 10**9, 2**32 - 2, rng.getrandbits(32))))


def any_payload(w: HeadWriter, rng: random.Random) -> bytes:
    """Any fields at all behind a header that counts on, CRC right."""
    return frame(
        w.header(rng.getrandbits(2), rng.choice((None, rng.getrandbits(64)))) + rng.randbytes(rng.randrange(90))
    )


def noise(_w: HeadWriter, rng: random.Random) -> bytes:
    """No frames."""
    return rng.randbytes(4_096)


def endless(_w: HeadWriter, _rng: random.Random) -> bytes:
    """One frame without an end."""
    return b"\x01" * 65_536


def delimiters(_w: HeadWriter, _rng: random.Random) -> bytes:
    """Nothing but ends of frames."""
    return bytes(65_536)


def flood(w: HeadWriter, rng: random.Random) -> bytes:
    """Good frames as fast as the port takes them."""
    return b"".join(ordinary(w, rng) for _ in range(20))


MOODS = (any_sequence, two_boots, any_boot, backwards, any_time, years_ahead, identities, edges, turns_fall,
         any_payload, noise, endless, delimiters, flood)  # fmt: skip
FLOODS = (noise, endless, delimiters, flood, identities)


@contextlib.contextmanager
def listening(port: int) -> Iterator[socket.socket]:
    """The head's end of the link."""
    with socket.create_server(("127.0.0.1", port)) as server:
        server.settimeout(40.0)
        yield server


def played(server: socket.socket, mood: Callable[[HeadWriter, random.Random], bytes], rng: random.Random) -> None:
    """One connection: an ordinary second first, then the mood. Ends where the daemon hangs up."""
    connection, _ = server.accept()
    with connection, contextlib.suppress(OSError):
        connection.settimeout(2.0)
        w = HeadWriter(boot=rng.getrandbits(8), head_us=rng.randrange(10**9))
        connection.sendall(w.identity() + b"".join(ordinary(w, rng) for _ in range(10)))
        until_s = time.monotonic() + SPELL_S
        while time.monotonic() < until_s:
            connection.sendall(mood(w, rng))
            time.sleep(0.0 if mood in FLOODS else 0.01)


@case("a second head that sends absurd frames with right CRC, noise and floods", grows_mib=25.0, second=True)
def hostile_head(ship: Ship) -> None:
    """Every mood in an order by chance, twice; the engine on it answers afterwards, and the log hardly grows."""
    rng, logged = random.Random(17), ship.log_bytes()
    with ship.head_turn, listening(ship.second_head_port) as server:
        for mood in rng.sample(MOODS, len(MOODS)) + rng.sample(MOODS, len(MOODS)):
            played(server, mood, rng)
            engines = ask(ship.socket_path, {"do": "status"})["status"]["engines"]
            assert "aux" in engines, f"after {mood.__name__}: {list(engines)}"
        frames = rng.randrange(10**9)
        connection, _ = server.accept()
        with connection:
            w = HeadWriter(boot=9_999, head_us=frames)
            connection.sendall(w.identity() + b"".join(ordinary(w, rng) for _ in range(50)))
            until(lambda: _heard(ship), "the engine on the second head is measured again", 20.0)
    assert ship.log_bytes() - logged < 60_000, f"{ship.log_bytes() - logged} bytes of log"


def _heard(ship: Ship) -> bool:
    engine = ask(ship.socket_path, {"do": "status"})["status"]["engines"]["aux"]
    return engine["running"] in ("ahead", "turning", "changing")


STEPS = ("+30y", "-40y", "+5y", "-1d", "+0d", "+9000d", "-3y", "+0d")


@case("the system clock steps by years, both ways, every 2 s", together=False, clock=True)
def clock_steps(ship: Ship) -> None:
    """The record goes on without a gap in seq, the shell and the page answer at each clock."""
    assert ship.clock is not None
    for step in STEPS:
        ship.clock.write_text(f"{step}\n", encoding="ascii")
        time.sleep(2.0)
        assert ask(ship.socket_path, {"do": "status"})["status"]["version"]
        assert ship.process.child.poll() is None


@case("a head whose last two seconds come over and over, as from a converter that hangs", second=True)
def repeated_stream(ship: Ship) -> None:
    """It is no sound link: `link-poor` or `head-silent` stands on that engine meanwhile."""
    rng, w = random.Random(3), HeadWriter(boot=5, head_us=10**6)
    with ship.head_turn, listening(ship.second_head_port) as server:
        connection, _ = server.accept()
        with connection:
            connection.sendall(w.identity())
            sound = [ordinary(w, rng) for _ in range(100)]
            for n in range(400):
                connection.sendall(sound[n] if n < 100 else sound[80 + n % 20])
                time.sleep(0.1)
                if n > 150 and n % 10 == 0 and _standing(ship) & {"link-poor", "head-silent", "head-timing"}:
                    return
    raise AssertionError("a stream that repeats itself passes for a sound one")


def _standing(ship: Ship) -> set[str]:
    alarms = ask(ship.socket_path, {"do": "status"})["status"]["engines"]["aux"]["alarms"]
    return {a["tag"] for a in alarms if a["state"] in ("unacknowledged", "acknowledged")}
