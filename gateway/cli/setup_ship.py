"""The steps of `setup` aboard. Each may be done again: it makes what is missing and leaves what is right."""

import argparse
import contextlib
import re
import secrets
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field

from gateway.cli import check
from gateway.cli.doctor_checks import plugged_in
from gateway.cli.setup_answers import Question, secret_file
from gateway.cli.setup_ashore import Ashore, ashore_of, learned_again, new_store
from gateway.cli.setup_broker import broker
from gateway.cli.setup_bundle import Bundle, unpack
from gateway.cli.setup_system import System
from gateway.cli.setup_text import SettingsText
from gateway.cli.text import out
from gateway.model.errors import PortError, Refused
from gateway.model.fields import Line, PlainPath, Section, Slug, Switch, schema_default
from gateway.model.settings_file import load_settings, shipped_config
from gateway.outlets.control_client import ask
from gateway.web.sessions import hash_password

SETTINGS, KEPT = "/etc/camdrift/ship.toml", "/etc/camdrift/setup.json"
DATA = "/var/lib/camdrift"
TLS = "/etc/camdrift/tls"
OWN_AUTHORITY = "/etc/camdrift/own-authority"
SHIP_PASSWORD = "/etc/camdrift/ship-password"
UPDATE_KEY = "/etc/camdrift/update.pem"
GZIP = b"\x1f\x8b"
"""How a back-up begins; a bundle is not compressed."""
UNITS = ("camdrift.service", "camdrift-report.timer", "camdrift-backup.timer")
LOOPBACK = ("127.0.0.1", "::1", "localhost")
READY_S, HEARD_S, AGAIN_S = 60.0, 20.0, 0.5
EXAMPLE = "Tern Passage"


@dataclass(frozen=True, kw_only=True, slots=True)
class UserAnswer(Section):
    """Somebody who may act on the page. The password's file is read once and not kept."""

    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]{1,32}$")]
    password_file: PlainPath


@dataclass(frozen=True, kw_only=True, slots=True)
class ShipAnswers(Section):
    """The answers file. Only the names and the head's port are needed."""

    name: Annotated[Line, Field(max_length=64)]
    slug: Slug
    head_port: Line
    settings: PlainPath | None = None
    """A settings file with the engine's figures; without it the invented example's, to be changed by hand."""
    ship_broker: Switch = False
    display_password_file: PlainPath | None = None
    bundle: PlainPath | None = None
    """The ship's bundle, made ashore; without it nothing is sent ashore."""
    page_listen: Line = "127.0.0.1"
    page_user: str | None = None
    page_password: str | None = None
    display_password: str | None = None
    page_users: Annotated[list[UserAnswer], Field(max_length=32)] = field(
        default_factory=list, metadata=schema_default([])
    )
    time_server: Line | None = None


QUESTIONS = [
    Question("name", "names", "Ship's name"),
    Question("slug", "names", "Short name for messages and certificates (a-z, 0-9, -)"),
    Question("settings", "names", "Settings file with the engine's figures, if there is one (path)"),
    Question("head_port", "head", "Port of the sensor head (number or path)", choices=plugged_in),
    Question("ship_broker", "broker", "A broker on this box, for displays and loggers aboard", False),
    Question(
        "display_password",
        "broker",
        "Password of displays at that broker",
        secret=True,
        instead="display_password_file",
    ),
    Question("bundle", "shore", "The ship's bundle from the shore, if there is one (path)"),
    Question("time_server", "shore", "Time server aboard, if there is one (address)"),
    Question("page_listen", "page", "Address where the page is shown; 127.0.0.1 = on this box alone", "127.0.0.1"),
    Question("page_user", "page", "Name of the first who may acknowledge on the page", instead="page_users"),
    Question(
        "page_password", "page", "Password of that person, 12 characters or more", secret=True, instead="page_users"
    ),
]


class ShipSetup:
    """`steps` in their order, then `start`, then what is `left` to do."""

    def __init__(self, system: System) -> None:
        self._box = system
        self._bundle: Bundle | None = None
        self._ashore: Ashore | None = None
        self._restored = False
        self._learned_again: list[str] = []
        self.from_bundle: dict[str, object] = {}
        """Answers that a spare box's bundle gives."""

    def found(self) -> dict[str, object]:
        """Answers that a settings file which is there already gives."""
        text = self._box.read(SETTINGS)
        try:
            data: dict[str, Any] = tomllib.loads(text) if text else {}
        except tomllib.TOMLDecodeError as e:
            raise Refused(f"{SETTINGS}: not valid TOML: {e}; correct it, or move it away") from None
        found: dict[str, object] = {}
        with contextlib.suppress(KeyError, IndexError, TypeError):
            found = {"name": data["vessel"]["name"], "slug": data["vessel"]["slug"]}
            found["head_port"] = data["head"][0]["port"]
        return found

    def restore(self, file: Path) -> str:
        """Take over a back-up, or a spare box's bundle from ashore: the gateway goes on under a number of its own,
        which the record links to the old one. Raises Refused."""
        if self._box.at(f"{DATA}/state.db").exists():
            raise Refused(
                f"{DATA} holds a store already; a back-up goes into an empty box; move that folder away first"
            )
        if not file.is_file():
            raise Refused(f"{file} is not there; plug the stick in and look for the file on it")
        with file.open("rb") as f:
            packed = f.read(2) == GZIP
        if not packed:
            return self._from_ashore(file)
        self._restored = True
        return self._box.run("sh", self._box.share("backup.sh"), "restore", file, within_s=600).strip()

    def _from_ashore(self, file: Path) -> str:
        bundle = unpack(file)
        self._ashore = found = ashore_of(bundle, file)
        self.from_bundle = {"slug": bundle.slug, "bundle": str(file), **vessel_name(bundle)}
        self._folders()
        new_store(self._box.at(DATA), found)
        for path in self._box.at(DATA).iterdir():
            self._box.rights(path, 0o600, "camdrift", "camdrift")
        lines = [
            f"restored from what the shore keeps of {bundle.slug}: {len(found.book)} records of work, running hours"
        ]
        return "\n".join([*lines, *(f"the last trend ashore: {x}" for x in found.stood)])

    def steps(self, a: ShipAnswers) -> Iterator[tuple[str, Callable[[], None]]]:
        """Name and deed of each step."""
        yield "folders and rights", self._folders
        if a.bundle is not None:
            yield "certificates from the shore's bundle", lambda: self._from_bundle(a)
        if a.ship_broker:
            yield "broker of the ship", lambda: self._broker(a)
        if a.page_listen not in LOOPBACK:
            yield "certificate of the page", lambda: self._page_certificate(a)
        if a.time_server is not None:
            yield "time server", lambda: self._time_server(str(a.time_server))
        yield "settings", lambda: self._settings(a)
        if self._ashore is not None:
            yield "learned figures", self._learned_figures
        yield "check", self._check

    def _folders(self) -> None:
        self._box.folder(TLS, 0o750, "root", "camdrift")
        self._box.folder(DATA, 0o700, "camdrift", "camdrift")

    def _from_bundle(self, a: ShipAnswers) -> None:
        assert a.bundle is not None
        self._bundle = b = unpack(a.bundle)
        if b.slug != a.slug:
            raise Refused(f"{a.bundle} is of {b.slug}, this ship is {a.slug}; give the bundle of this ship")
        for name in ("ca.pem", "ship.pem"):
            self._box.write(f"{TLS}/{name}", b.parts[name], 0o640, "root", "camdrift")
        self._box.write(f"{TLS}/ship.key", b.parts["ship.key"], 0o600, "camdrift", "camdrift")
        if "update.pem" in b.parts:
            self._box.write(UPDATE_KEY, b.parts["update.pem"], 0o644)

    # -- broker, page, time ---------------------------------------------------------------------------------------

    def _broker(self, a: ShipAnswers) -> None:
        password = self._box.read(SHIP_PASSWORD) or secrets.token_urlsafe(24)
        self._box.write(SHIP_PASSWORD, password, 0o600, "camdrift", "camdrift")
        users = {"gateway": password.strip()}
        if a.display_password_file is not None or a.display_password:
            users["display"] = a.display_password or secret_file(Path(str(a.display_password_file)))
        settings = self._box.share("ship/mosquitto-ship.conf").read_text(encoding="utf-8")
        acl = self._box.share("ship/mosquitto-acl").read_text(encoding="utf-8").replace("tern-passage", a.slug)
        broker(self._box, "camdrift", settings, acl, users)

    def _page_certificate(self, a: ShipAnswers) -> None:
        """An authority of the box's own and a certificate for the page's address; made again 90 days before its end."""
        script = self._box.share("certificates.sh")
        here = self._box.at(OWN_AUTHORITY)
        self._box.folder(OWN_AUTHORITY, 0o700)
        if not (here / "ca.key").exists():
            self._box.run("sh", script, "authority", here)
        pem, key = here / f"{a.page_listen}.pem", here / f"{a.page_listen}.key"
        if pem.exists() and not self._lasts(script, pem):
            for old in (pem, key):
                old.rename(old.with_name(f"{old.name}.before-{int(time.time())}"))
        if not pem.exists():
            self._box.run("sh", script, "server", here, a.page_listen)
        self._box.write(f"{TLS}/page.pem", pem.read_bytes(), 0o640, "root", "camdrift")
        self._box.write(f"{TLS}/page.key", key.read_bytes(), 0o600, "camdrift", "camdrift")

    def _lasts(self, script: Path, pem: Path) -> bool:
        try:
            self._box.run("sh", script, "left", pem)
        except Refused:
            return False
        return True

    def _time_server(self, address: str) -> None:
        if not self._box.has("chronyd"):
            raise Refused("chrony is not installed: apt install chrony (its package may lie on the stick)")
        self._box.write("/etc/chrony/conf.d/ship.conf", f"server {address} iburst\n", 0o644)
        self._box.run("systemctl", "restart", "chrony")

    # -- settings -------------------------------------------------------------------------------------------------

    def _settings(self, a: ShipAnswers) -> None:
        before = self._box.read(SETTINGS)
        text = SettingsText(before or self._base(a))
        rows: list[tuple[str, str, dict[str, str | int | bool]]] = [
            ("vessel", "", {"name": a.name, "slug": a.slug}),
            ("gateway", "", {"data_dir": DATA}),
            ("head", "", {"port": lasting_name(a.head_port)}),
        ]
        if a.ship_broker:
            here: dict[str, str | int | bool] = {"name": "ship", "host": "127.0.0.1", "port": 1883}
            rows.append(("broker", "name", {**here, "user": "gateway", "password_file": SHIP_PASSWORD}))
        elif before is None:
            text.drop_from_row("broker", "name", "ship")
        if self._bundle is not None:
            rows.append(("broker", "name", shore_broker(self._bundle)))
        page: dict[str, str | int | bool] = {"listen": a.page_listen}
        if a.page_listen not in LOOPBACK:
            page |= {"cert_file": f"{TLS}/page.pem", "key_file": f"{TLS}/page.key"}
        rows.append(("page", "", page))
        rows += [("page.users", "name", {"name": n, "password_hash": hash_password(p)}) for n, p in self._users(a)]
        for table, key, values in rows:
            if key:
                text.put_in_row(table, key, values)
            else:
                text.put(table, values)
            text.checked(table, values)
        for engine, hours in self._ashore.hours.items() if self._ashore else ():
            if not text.put_below("engine", "slug", engine, "engine.service", {"hours_at_start": hours}):
                raise Refused(f"engine {engine} has a log book ashore, and is not in the settings; give the ship's own")
        new = with_classes(text.text())
        if before is not None and new != before:
            stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime())
            self._box.write(f"{SETTINGS}.before-{stamp}", before, 0o640, "root", "camdrift")
        self._box.write(SETTINGS, new, 0o640, "root", "camdrift")

    def _base(self, a: ShipAnswers) -> str:
        if a.settings is None and self._bundle is not None and "ship.toml" in self._bundle.parts:
            return self._bundle.parts["ship.toml"].decode("utf-8", "replace")
        path = a.settings or shipped_config("tern-passage.toml")
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as e:
            raise Refused(f"{path}: cannot be read: {e}; give another file") from None
        if a.settings is None:
            # A number and a society that are invented must not get into reports.
            text = re.sub(r"(?m)^(imo_number|class_society|last_survey|type_text|number)\s*=.*\n", "", text)
        return text

    def _users(self, a: ShipAnswers) -> Iterator[tuple[str, str]]:
        if a.page_user and a.page_password:
            yield a.page_user, a.page_password
        for user in a.page_users:
            yield user.name, secret_file(user.password_file)

    def _learned_figures(self) -> None:
        assert self._ashore is not None
        taken, self._learned_again = learned_again(self._ashore, load_settings(self._box.at(SETTINGS)))
        for text in taken:
            out(f"taken over: {text}")

    def _check(self) -> None:
        check.main(argparse.Namespace(config=self._box.at(SETTINGS), wear=0.02))

    # -- start, and what is left ----------------------------------------------------------------------------------

    def start(self, a: ShipAnswers) -> Iterator[str]:
        """Start what is to run from now on, raise the trial alarm, and see that it stands."""
        self._box.run("systemctl", "enable", "--quiet", *UNITS)
        self._box.run("systemctl", "restart", UNITS[0])
        self._box.run("systemctl", "start", *UNITS[1:])
        yield "started: camdrift, back-up each night, report each month"
        path = load_settings(self._box.at(SETTINGS)).gateway.socket or Path(f"{DATA}/camdrift.sock")
        # Before the head is heard an engine has no time of its own, and its alarm would bear none.
        if not self._heard(self._box.at(path)):
            yield "no valid data from a sensor head yet: camdrift doctor"
        try:
            answer = self._asked(self._box.at(path), {"do": "try-alarm", "alarm": "trial"})
            yield f"trial alarm (23) raised by {answer['by']}; it ends by itself after 2 minutes"
        except Refused as e:
            # It may stand from the run before, or from the box whose back-up was restored.
            yield f"trial alarm (23): {e}"
        status = self._asked(self._box.at(path), {"do": "status"})["status"]
        standing = any(x["tag"] == "trial" for e in status["engines"].values() for x in e["alarms"])
        standing = standing or any(x["tag"] == "trial" for x in status["alarms"])
        yield "the trial alarm stands in the gateway" if standing else "the trial alarm does not stand: camdrift doctor"
        for name, b in status["brokers"].items():
            yield f"broker {name}: " + (
                "connected" if b["connected"] else f"not connected yet: {b['why_not'] or 'trying'}"
            )

    def _heard(self, path: Path) -> bool:
        until_s = time.monotonic() + HEARD_S
        while True:
            engines = self._asked(path, {"do": "status"})["status"]["engines"].values()
            if all(e["head_heard"] for e in engines) or time.monotonic() > until_s:
                return all(e["head_heard"] for e in engines)
            time.sleep(AGAIN_S)

    def _asked(self, path: Path, request: dict[str, object]) -> dict[str, Any]:
        until_s = time.monotonic() + READY_S
        while True:
            try:
                return ask(path, {"engine": None, "by": None, **request})
            except PortError:
                if time.monotonic() > until_s:
                    raise
                time.sleep(AGAIN_S)

    def left(self, a: ShipAnswers, *, started: bool) -> Iterator[str]:
        """What a person still has to do, in order."""
        if self._ashore is not None:
            yield from (f"Not taken over: {text}" for text in self._learned_again)
            yield from (f"Not taken over, for it is not ashore: {text}" for text in self._ashore.missing)
            yield f"Compare running hours with the engine's counter; they are hours_at_start in {SETTINGS}"
        if a.settings is None and not self._restored and not (self._bundle and "ship.toml" in self._bundle.parts):
            yield f"The engine's figures in {SETTINGS} are invented: put in the manual's, then check them"
        if started:
            yield "See and hear the trial alarm at the alarm panel, the page and ashore; acknowledge it"
            yield f"Commission the head: camdrift commission {SETTINGS}"
        if a.bundle is not None or a.page_users or a.display_password_file:
            yield "Delete bundle and password files from the stick"
        if a.bundle is None:
            yield "Nothing is sent ashore: have a bundle made there (camdrift-shore setup --ship), then: --only shore"
        if a.ship_broker and not (a.display_password or a.display_password_file):
            yield "No display may read at the broker yet: mosquitto_passwd /etc/mosquitto/camdrift-passwords display"
        if not (a.page_user or a.page_users):
            yield "Nobody may acknowledge on the page yet: camdrift setup --only page"
        yield from firewall(a)
        yield "Put the panel on the list (PANEL.md), if it is not in the settings"
        yield "Set BACKUP_STICK in /etc/default/camdrift, so that back-ups leave this box"
        yield "Look at it all again tomorrow: camdrift doctor"


def firewall(a: ShipAnswers) -> Iterator[str]:
    """What a firewall must let through."""
    if a.page_listen not in LOOPBACK:
        yield f"Firewall: TCP 8484 to {a.page_listen} from the engine-room network only, never from ashore"
    if a.bundle is not None:
        yield "Firewall: outwards to the shore's broker (TCP 8883); nothing comes in from there"


def vessel_name(b: Bundle) -> dict[str, object]:
    """The ship's name from the settings in her bundle, where they are there."""
    with contextlib.suppress(KeyError, TypeError, tomllib.TOMLDecodeError, UnicodeDecodeError):
        return {"name": str(tomllib.loads(b.parts["ship.toml"].decode())["vessel"]["name"])}
    return {}


def shore_broker(b: Bundle) -> dict[str, str | int | bool]:
    """The block of the broker ashore, with certificates."""
    return {
        "name": "shore",
        "host": b.host,
        "port": b.port,
        "tls": True,
        "ca_file": f"{TLS}/ca.pem",
        "cert_file": f"{TLS}/ship.pem",
        "key_file": f"{TLS}/ship.key",
        "keepalive_s": 1_800,
        "needs_reader": True,
        "every_trend": True,
    }


def with_classes(text: str) -> str:
    """Readings stay aboard: the shore's block names its classes of message, once."""
    classes = 'classes = ["presence", "trend", "alarm", "event"]'
    if tomllib.loads(text).get("broker") and not any(
        b.get("name") == "shore" and "classes" not in b for b in tomllib.loads(text)["broker"]
    ):
        return text
    return re.sub(r'(?m)^name = "shore"(\s*#.*)?$', lambda m: f"{m[0]}\n{classes}", text, count=1)


def lasting_name(port: str) -> str:
    """The name of an adapter by its serial number, where there is one: ttyUSB0 is another one tomorrow."""
    with contextlib.suppress(OSError):
        device = Path(port).resolve(strict=True)
        for name in plugged_in():
            if Path(name).resolve() == device:
                return name
    return port
