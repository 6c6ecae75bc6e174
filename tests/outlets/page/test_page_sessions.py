"""Log-ins in made-up time."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from page_rig import HASH, PASSWORD

from gateway.model.errors import Refused, SettingsError
from gateway.model.page_settings import PageSettings, PageUser
from gateway.web import tries
from gateway.web.sessions import NOTE_EVERY_S, WRONG, Sessions, hash_password
from gateway.web.tries import PAIRS_MAX, TooSoon


class Clock:
    """Time at will."""

    def __init__(self) -> None:
        self.s = 1_000.0

    def __call__(self) -> float:
        """Now."""
        return self.s


def made(clock: Clock, noted: list[str] | None = None, user: PageUser | None = None) -> Sessions:
    """Sessions with one user, or none noted."""
    settings = PageSettings(users=[user or PageUser(name="second", password_hash=HASH)], session_minutes=10)
    return Sessions(settings, lambda what, _: None if noted is None else noted.append(what), clock)


def test_a_session_ends_when_left_alone() -> None:
    """Pins that use keeps a log-in alive, looking does not, and that it ends after its minutes."""
    clock = Clock()
    sessions = made(clock)
    token, _ = sessions.log_in("second", PASSWORD, "a")
    clock.s += 599
    assert sessions.find(token) is not None
    clock.s += 599
    assert sessions.find(token, touch=False) is not None
    clock.s += 2
    assert sessions.find(token) is None
    assert sessions.find(None) is None and sessions.find("made up") is None


def wrong(sessions: Sessions, times: int, name: str = "second", address: str = "a") -> list[type[Refused]]:
    """So many wrong tries, and how each was refused."""
    kinds = []
    for _ in range(times):
        with pytest.raises(Refused) as refused:
            sessions.log_in(name, "wrong", address)
        kinds.append(type(refused.value))
    return kinds


def test_a_delay_grows_for_a_name_at_one_address() -> None:
    """Pins that five tries are free, that the next wait 2, 4, 8 s and so on to 15 min, and one note of it."""
    clock = Clock()
    noted: list[str] = []
    sessions = made(clock, noted)
    assert wrong(sessions, 6) == [Refused] * 5 + [TooSoon]
    waits = []
    for _ in range(12):
        before = clock.s
        while wrong(sessions, 1) == [TooSoon]:
            clock.s += 1
        waits.append(clock.s - before)
    assert waits == [2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]
    assert noted[:1] == ["log-in-refused"] and len(noted) <= 1 + sum(waits) / NOTE_EVERY_S


def test_a_stranger_cannot_keep_anybody_out() -> None:
    """Pins that wrong tries under a name elsewhere, as many as a thousand addresses make, hold up nobody who has logged
    in from his own address before."""
    clock = Clock()
    sessions = made(clock)
    sessions.log_in("second", PASSWORD, "his own")
    for n in range(1_000):
        wrong(sessions, 6, address=f"stranger {n}")
    sessions.log_in("second", PASSWORD, "his own")


def test_all_strangers_together_have_a_rate() -> None:
    """Pins that a thousand addresses are 30 guesses and one in five seconds."""
    clock = Clock()
    sessions = made(clock)
    guesses = 0
    for n in range(1_000):
        guesses += wrong(sessions, 1, address=f"stranger {n}") == [Refused]
        clock.s += 0.1
    assert 45 <= guesses <= 51


def test_the_table_cannot_be_flushed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that names and addresses by the thousand make the page neither grow nor forget a delay."""
    monkeypatch.setattr(tries, "RATE_S", 0.001)
    clock = Clock()
    sessions = made(clock)
    monkeypatch.setattr(Sessions, "_right", lambda *_: False)
    assert wrong(sessions, 6)[-1] is TooSoon
    for n in range(2 * PAIRS_MAX):
        wrong(sessions, 1, name=f"name-{n}", address=f"address {n}")
        clock.s += 0.001
    assert len(sessions._tries) <= PAIRS_MAX
    assert wrong(sessions, 1) == [TooSoon]


def test_tries_side_by_side_are_counted() -> None:
    """Pins that sixty tries at once are five guesses: each is counted before its hash is computed."""
    sessions = made(Clock())
    with ThreadPoolExecutor(20) as pool:
        kinds = [kind for one in pool.map(lambda _: wrong(sessions, 1), range(60)) for kind in one]
    assert kinds.count(Refused) == 5


def test_a_right_one_clears_the_count() -> None:
    """Pins that four wrong tries, a right one and four more do not close the door."""
    sessions = made(Clock())
    for _ in range(2):
        for _ in range(4):
            with pytest.raises(Refused, match=WRONG):
                sessions.log_in("second", "wrong", "a")
        sessions.log_in("second", PASSWORD, "a")


def test_a_hash_from_a_file(tmp_path: Path) -> None:
    """Pins that a hash may lie in a file, and that one that others may read, or without a hash, is refused."""
    path = tmp_path / "hash"
    path.write_text(HASH + "\n")
    with pytest.raises(SettingsError, match="others may read"):
        made(Clock(), user=PageUser(name="chief", password_hash_file=str(path)))
    path.chmod(0o600)
    sessions = made(Clock(), user=PageUser(name="chief", password_hash_file=str(path)))
    sessions.log_in("chief", PASSWORD, "a")
    path.write_text("password123\n")
    with pytest.raises(SettingsError, match=str(path)):
        made(Clock(), user=PageUser(name="chief", password_hash_file=str(path)))


def test_no_user_means_nobody() -> None:
    """Pins that without users no name and no password gets in: there is no default one."""
    sessions = Sessions(PageSettings(), lambda *_: None, Clock())
    for name, password in (("admin", "admin"), ("", ""), ("second", PASSWORD)):
        with pytest.raises(Refused):
            sessions.log_in(name, password, name)


def test_passwords_have_a_length() -> None:
    """Pins the least length of a password, and that two hashes of one password differ."""
    with pytest.raises(Refused, match="12"):
        hash_password("eleven char")
    assert hash_password(PASSWORD) != hash_password(PASSWORD)
