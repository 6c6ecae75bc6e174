"""Who is logged in, and who has tried too often. Passwords are hashed with argon2id and nowhere else kept."""

import asyncio
import hashlib
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from argon2 import PasswordHasher
from argon2.exceptions import Argon2Error, InvalidHashError

from gateway.model.errors import Refused, SettingsError
from gateway.model.files import UnfitFile, read_secret
from gateway.model.page_settings import PASSWORD_LENGTH_MIN, PageSettings
from gateway.web.tries import Tries

HASHER = PasswordHasher(time_cost=5, memory_cost=7_168, parallelism=1)
"""7 MiB and five passes: one of the equal choices of the OWASP password storage cheat sheet (from memory), the one
that a box of a few hundred MiB can spare."""
SESSIONS_MAX = 64
NOTE_EVERY_S = 600.0
WRONG = "The name or the password is wrong."


def hash_password(password: str) -> str:
    """The line for the settings. Raises Refused for one that is too short."""
    if len(password) < PASSWORD_LENGTH_MIN:
        raise Refused(f"a password needs at least {PASSWORD_LENGTH_MIN} characters; a few words in a row are good")
    return HASHER.hash(password)


@dataclass(slots=True)
class Session:
    """Somebody logged in. `csrf`: what each act must bring along; `used_s`: when it was last used."""

    user: str
    csrf: str
    used_s: float


class Sessions:
    """Log-ins of a page; any thread. `log_in` takes a good tenth of a second, one at a time."""

    def __init__(
        self,
        settings: PageSettings,
        note: Callable[[str, str], None],
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings, self._note, self._now = settings, note, now
        self._hashes = {u.name: u.password_hash or _from_file(u.password_hash_file or "") for u in settings.users}
        # An unknown name takes as long to refuse as a known one.
        self._nobody = HASHER.hash(secrets.token_urlsafe(16)) if self._hashes else ""
        self._note_due_s = float("-inf")
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        self._tries = Tries(settings.failures_max, settings.locked_minutes * 60)
        self._lock, self._checking = threading.Lock(), threading.Lock()
        self._turn = asyncio.Semaphore(1)

    def log_in(self, name: str, password: str, address: str) -> tuple[str, Session]:
        """Token and session. Raises Refused, with the same words for a wrong name and a wrong password; TooSoon."""
        with self._lock:
            # Counted before the hash is computed: tries side by side are as many tries.
            slowed = self._tries.begin(name, address, self._now())
        if not self._right(name, password):
            if slowed:
                self._note_slowed(name, address)
            raise Refused(WRONG)
        token, session = secrets.token_urlsafe(32), Session(name, secrets.token_urlsafe(24), self._now())
        with self._lock:
            self._tries.succeeded(name, address)
            self._sessions[_digest(token)] = session
            while len(self._sessions) > SESSIONS_MAX:
                self._sessions.popitem(last=False)
        self._note("logged-in", f"{name} logged in on the page from {address}")
        return token, session

    async def log_in_beside(self, name: str, password: str, address: str) -> tuple[str, Session]:
        """`log_in` from a server's loop: its turn is waited for on no thread, for those serve the viewers."""
        async with self._turn:
            return await asyncio.to_thread(self.log_in, name, password, address)

    def _note_slowed(self, name: str, address: str) -> None:
        """One entry for many tries: a record of every wrong one would let anybody fill the record."""
        with self._lock:
            now_s = self._now()
            if now_s < self._note_due_s:
                return
            self._note_due_s = now_s + NOTE_EVERY_S
        shown = name if name in self._hashes else "an unknown name"
        self._note("log-in-refused", f"wrong tries to log in as {shown} from {address}; each next one must wait longer")

    def find(self, token: str | None, *, touch: bool = True) -> Session | None:
        """The session behind a token, unless it was left alone for too long."""
        if not token:
            return None
        key, now_s = _digest(token), self._now()
        with self._lock:
            session = self._sessions.get(key)
            if session is None:
                return None
            if now_s - session.used_s > self._settings.session_minutes * 60:
                del self._sessions[key]
                return None
            if touch:
                session.used_s = now_s
        return session

    def log_out(self, token: str | None) -> None:
        """End a session."""
        with self._lock:
            self._sessions.pop(_digest(token or ""), None)

    def _right(self, name: str, password: str) -> bool:
        known = self._hashes.get(name)
        try:
            with self._checking:
                return HASHER.verify(known or self._nobody, password) and known is not None
        except (Argon2Error, InvalidHashError):
            return False


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _from_file(path: str) -> str:
    try:
        text = read_secret(Path(path)).decode("ascii").strip()
    except (UnfitFile, UnicodeDecodeError) as e:
        raise SettingsError([f"{path}: page.users: the password's hash: {e}"]) from None
    if not text.startswith("$argon2id$"):
        raise SettingsError([f"{path}: page.users: holds no line of `camdrift page-password`"])
    return text
