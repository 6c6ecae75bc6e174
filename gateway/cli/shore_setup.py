"""`camdrift shore setup`: broker, store, keepers, certificates, people; and a ship's bundle as one file."""

import argparse
import contextlib
import json
import re
import secrets
import socket
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from gateway.cli import shore_setup_people as people
from gateway.cli.setup_answers import Question, answers_file, answers_of, ask, kept, lacking, secret_file, to_keep
from gateway.cli.setup_broker import broker
from gateway.cli.setup_bundle import pack
from gateway.cli.setup_steps import INTRODUCTION, do, left_to_do
from gateway.cli.setup_system import System
from gateway.cli.shore_arguments import SETUP_PARTS
from gateway.cli.text import note, out
from gateway.model.errors import Refused
from gateway.model.fields import Integer, Line, PlainPath, Slug, Switch

HERE, USER = people.HERE, people.USER
OF_A_SHIP = ("ship", "ship_settings", "spare")
KEPT = f"{HERE}/setup.json"
AUTHORITY = f"{HERE}/authority"
BROKER_TLS = "/etc/mosquitto/tls"
KEEPER_PASSWORD = f"{HERE}/broker-password"
STORES = {"sqlite": "sqlite:////var/lib/camdrift-shore/fleet.db", "postgresql": "postgresql:///fleet"}
PORT = 8883
BROKER_VERSION = (2, 0, 18)
"""Older ones can stall under many keepers."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ShoreAnswers(people.PeopleAnswers):
    """The answers file ashore."""

    host: Annotated[Line, Field(max_length=253)]
    """The name or address by which ships reach this machine; the broker's certificate bears it."""
    store: Literal["sqlite", "postgresql"] = "sqlite"
    keepers: Annotated[Integer, Field(ge=1, le=8)] = 2
    watch_password_file: PlainPath | None = None
    watch_password: str | None = None
    ship: Slug | None = None
    ship_settings: PlainPath | None = None
    """The ship's settings, prepared here; they travel in the bundle."""
    bundle_dir: PlainPath = Path("/root")
    spare: Switch = False
    """The bundle is for a spare box: what is kept here of the ship goes into it."""


QUESTIONS = [
    Question("host", "shore", "Name or address by which ships reach this machine", socket.gethostname()),
    Question("store", "shore", "Store: sqlite (one machine, ten ships) or postgresql", "sqlite"),
    Question("keepers", "shore", "How many keepers; two stand in for each other", 2),
    Question(
        "watch_password",
        "shore",
        "Password of those who watch alerts (shore.watch)",
        secret=True,
        instead="watch_password_file",
    ),
    *people.QUESTIONS,
    Question("ship", "ship", "Short name of a ship that gets a bundle now, if there is one"),
    Question("ship_settings", "ship", "Her settings file, if it is ready (path)"),
]


def run(args: argparse.Namespace, system: System) -> int:
    """Ask or read, write, start; run again it begins with what was answered."""
    system.folder(HERE, 0o700, USER, USER)
    before = kept(system.read(KEPT))

    def keep(found: Mapping[str, object]) -> None:
        of_here = {k: v for k, v in found.items() if k not in OF_A_SHIP}
        system.write(KEPT, to_keep(of_here, QUESTIONS), 0o600, USER, USER)

    if args.ship is not None:
        if not before:
            raise Refused("this machine is not set up: camdrift-shore setup, without --ship, comes first")
        data = {**before, "ship": args.ship, "spare": args.spare}
        if args.ship_settings:
            data["ship_settings"] = args.ship_settings
    else:
        given = answers_file(args.answers) if args.answers is not None else {}
        asked = lacking(QUESTIONS, given) if args.ask or args.answers is None else []
        data = {**before, **given} if asked or args.only is not None else given
        if asked:
            out(INTRODUCTION)
            data = ask(asked, data, frozenset([args.only] if args.only else SETUP_PARTS), keep)
    answers = answers_of(ShoreAnswers, data, str(args.answers or "answers"))
    keep(data)
    setup = ShoreSetup(system, answers)
    only = "ship" if args.ship is not None else args.only
    do(setup.steps(only, start=not args.no_start))
    if args.no_start:
        note("nothing was started")
    else:
        for line in setup.trial():
            out(line)
    left_to_do(setup.left())
    return 0


class ShoreSetup:
    """The steps ashore. Each may be done again: it makes what is missing and leaves what is right."""

    def __init__(self, system: System, answers: ShoreAnswers) -> None:
        self._box, self._a = system, answers
        self._people = people.PeopleSetup(system, answers)
        self._record_lines: list[str] = []

    def steps(self, only: str | None, *, start: bool) -> Iterator[tuple[str, Callable[[], None]]]:
        """Name and deed of each step; `only`: those of one part."""
        if only in (None, "shore"):
            yield "authority and the broker's certificate", self._certificates
            yield "broker", self._broker
            if self._a.store == "postgresql":
                yield "database", self._database
            yield "keepers", lambda: self._keepers(start=start)
        if only in (None, "notices", "page") and self._people.asked:
            place = self._box.at(AUTHORITY)
            pair = (place / f"{self._a.host}.pem", place / f"{self._a.host}.key")
            yield "settings of notices and page", lambda: self._people.write(pair)
            if start:
                yield "notifiers, fleet's page", self._people.run
        if only in (None, "ship") and self._a.ship is not None:
            yield f"bundle of {self._a.ship}", self._bundle

    def _script(self, *words: str | Path) -> None:
        self._box.run("sh", self._box.share("certificates.sh"), *words)

    def _certificates(self) -> None:
        place, host = self._box.at(AUTHORITY), self._a.host
        self._box.folder(AUTHORITY, 0o700)
        if not (place / "ca.pem").exists():
            self._script("authority", place)
        if not (place / "update.pem").exists():
            self._script("signer", place)
        if not (place / f"{host}.pem").exists():
            self._need_key()
            self._script("server", place, host)
        self._box.folder(BROKER_TLS, 0o750, "root", "mosquitto")
        for name, source in (("ca.pem", "ca.pem"), ("server.pem", f"{host}.pem"), ("server.key", f"{host}.key")):
            self._box.write(f"{BROKER_TLS}/{name}", (place / source).read_bytes(), 0o640, "root", "mosquitto")
        self._box.write(f"{HERE}/ca.pem", (place / "ca.pem").read_bytes(), 0o600, USER, USER)

    def _need_key(self) -> None:
        if not self._box.at(f"{AUTHORITY}/ca.key").exists():
            raise Refused(f"{AUTHORITY}/ca.key is away: move it back from its offline place for this, then away again")

    def _broker(self) -> None:
        password = self._box.read(KEEPER_PASSWORD) or secrets.token_urlsafe(30)
        self._box.write(KEEPER_PASSWORD, password, 0o600, USER, USER)
        users = {"shore.keeper": password.strip()}
        if self._a.watch_password or self._a.watch_password_file is not None:
            users["shore.watch"] = self._a.watch_password or secret_file(Path(str(self._a.watch_password_file)))
        settings = self._box.share("shore/mosquitto-shore.conf").read_text(encoding="utf-8")
        acl = self._box.share("shore/mosquitto-shore-acl").read_text(encoding="utf-8")
        broker(self._box, "camdrift-shore", settings, acl, users)

    def _database(self) -> None:
        if not self._box.has("psql"):
            raise Refused("PostgreSQL is not installed: apt install postgresql; or answer sqlite")
        as_owner = ("runuser", "-u", "postgres", "--")
        asked = f"SELECT 1 FROM pg_roles WHERE rolname = '{USER}'"
        if not self._box.run(*as_owner, "psql", "-tAc", asked).strip():
            self._box.run(*as_owner, "createuser", USER)
        if not self._box.run(*as_owner, "psql", "-tAc", "SELECT 1 FROM pg_database WHERE datname = 'fleet'").strip():
            self._box.run(*as_owner, "createdb", "--owner", USER, "fleet")

    def _keepers(self, *, start: bool) -> None:
        # The broker's certificate names the host as ships call it; on this machine that name is this machine.
        store = STORES[self._a.store]
        text = (
            f"# Made by setup. No secrets here.\nCAMDRIFT_BROKER=mqtts://{self._a.host}:8884\nCAMDRIFT_STORE={store}\n"
        )
        self._own_name()
        self._box.write(f"{HERE}/keeper.env", text, 0o600, USER, USER)
        if start:
            units = [f"camdrift-keep@{n}" for n in range(1, self._a.keepers + 1)]
            self._box.run("systemctl", "enable", "--quiet", *units)
            self._box.run("systemctl", "restart", *units)

    def _own_name(self) -> None:
        hosts = self._box.read("/etc/hosts") or ""
        if re.fullmatch(r"[0-9.]+", self._a.host):
            raise Refused("host is an address; keepers come in at loopback by name: give this machine a name")
        if self._a.host not in hosts.split():
            self._box.write("/etc/hosts", f"{hosts.rstrip()}\n127.0.0.1 {self._a.host}\n", 0o644)

    def _bundle(self) -> None:
        place, slug = self._box.at(AUTHORITY), str(self._a.ship)
        if not (place / f"{slug}.pem").exists():
            self._need_key()
            self._script("ship", place, slug)
        parts = {
            "ca.pem": (place / "ca.pem").read_bytes(),
            "ship.pem": (place / f"{slug}.pem").read_bytes(),
            "ship.key": (place / f"{slug}.key").read_bytes(),
        }
        with contextlib.suppress(FileNotFoundError):
            parts["update.pem"] = (place / "update.pem").read_bytes()
        settings = f"{HERE}/ships/{slug}.toml"
        if self._a.ship_settings is not None:
            try:
                parts["ship.toml"] = self._a.ship_settings.read_bytes()
            except OSError as e:
                raise Refused(f"{self._a.ship_settings}: {e.strerror}; give the path of the settings") from None
            # A copy stays, for the day on which a spare box takes over.
            self._box.folder(f"{HERE}/ships", 0o700, USER, USER)
            self._box.write(settings, parts["ship.toml"], 0o600, USER, USER)
        elif (held := self._box.read(settings)) is not None:
            parts["ship.toml"] = held.encode()
        if self._a.spare:
            parts["ashore.json"] = self._record(slug, with_settings="ship.toml" in parts).encode()
        pack(self._box.at(self._bundle_path()), self._a.host, PORT, slug, parts)

    def _record(self, slug: str, *, with_settings: bool) -> str:
        """What the store has of the ship, asked as the user who may read it."""
        line = ["runuser", "-u", USER, "--", "camdrift-shore", "record", slug, "--store", STORES[self._a.store]]
        record = json.loads(self._box.run(*line))
        if not with_settings:
            record["missing"].insert(0, f"her settings: give them with --ship-settings, or there is no {slug}.toml")
        self._record_lines = [f"{slug} {x}" for x in record["stood"]] + [f"Not ashore: {x}" for x in record["missing"]]
        return json.dumps(record, ensure_ascii=False)

    def _bundle_path(self) -> str:
        return f"{self._a.bundle_dir}/{self._a.ship}.bundle"

    def trial(self) -> Iterator[str]:
        """Trial notices, a line each."""
        return self._people.trial(STORES[self._a.store])

    def left(self) -> Iterator[str]:
        """What a person still has to do, in order."""
        a = self._a
        if self._box.at(f"{AUTHORITY}/ca.key").exists():
            yield f"Move ca.key and update.key in {AUTHORITY} offline: they are for new ships, renewals and updates"
        if a.ship is not None:
            yield f"Carry {self._bundle_path()} aboard on a stick (it holds the ship's key): camdrift setup asks for it"
            yield from self._record_lines
        else:
            yield "For each ship: camdrift-shore setup --ship SLUG"
        if (found := self._broker_version()) is not None and found < BROKER_VERSION:
            shown = ".".join(map(str, found))
            yield f"Mosquitto here is {shown}; with many ships take 2.0.18 or later, from backports or its makers"
        yield f"Firewall: TCP {PORT} in, from the ships; no other port. Ships reach it as {a.host}"
        if not (a.watch_password or a.watch_password_file):
            yield "Nobody may watch alerts yet: mosquitto_passwd /etc/mosquitto/camdrift-shore-passwords shore.watch"
        yield from self._people.left()
        yield f"Back-up of the store ({STORES[a.store]}), away from this machine"
        yield f"Look: camdrift-shore fleet --store {STORES[a.store]} (as user {USER})"

    def _broker_version(self) -> tuple[int, ...] | None:
        try:
            text = self._box.run("dpkg-query", "-W", "-f", "${Version}", "mosquitto")
        except Refused:
            return None
        found = re.match(r"(\d+)\.(\d+)\.(\d+)", text)
        return tuple(int(n) for n in found.groups()) if found else None
