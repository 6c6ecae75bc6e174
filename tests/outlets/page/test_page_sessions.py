"""Log-ins in made-up time."""

from pathlib import Path

import pytest
from page_rig import HASH, PASSWORD

from gateway.model.errors import Refused, SettingsError
from gateway.model.page_settings import PageSettings, PageUser
from gateway.outlets.page.sessions import LOCKED, TRIES_MAX, WRONG, Sessions, hash_password


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


def test_locked_for_its_time_only() -> None:
    """Pins that after five wrong tries the name is closed from everywhere for fifteen minutes, then open again."""
    clock = Clock()
    noted: list[str] = []
    sessions = made(clock, noted)
    for n in range(5):
        with pytest.raises(Refused, match=WRONG):
            sessions.log_in("second", "wrong", f"address {n}")
    with pytest.raises(Refused, match=LOCKED[:20]):
        sessions.log_in("second", PASSWORD, "elsewhere")
    clock.s += 15 * 60 + 1
    sessions.log_in("second", PASSWORD, "elsewhere")
    assert noted == ["log-in-refused", "logged-in"]


def test_a_right_one_clears_the_count() -> None:
    """Pins that four wrong tries, a right one and four more do not close the door."""
    sessions = made(Clock())
    for _ in range(2):
        for _ in range(4):
            with pytest.raises(Refused, match=WRONG):
                sessions.log_in("second", "wrong", "a")
        sessions.log_in("second", PASSWORD, "a")


def test_many_names_from_one_address_close_that_address(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pins that names made up by the hundred neither grow the memory nor get round the lock-out of their address."""
    sessions = made(Clock())
    monkeypatch.setattr(Sessions, "_right", lambda *_: False)
    for n in range(5):
        with pytest.raises(Refused, match=WRONG):
            sessions.log_in(f"name-{n}", "wrong", "a")
    with pytest.raises(Refused, match=LOCKED[:20]):
        sessions.log_in("name-6", "wrong", "a")
    for n in range(TRIES_MAX):
        with pytest.raises(Refused):
            sessions.log_in(f"name-{n}", "wrong", f"address {n}")
    assert len(sessions._tries) <= TRIES_MAX


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
