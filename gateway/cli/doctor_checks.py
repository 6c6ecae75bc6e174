"""What `doctor` looks at. Each check gives findings and changes nothing; the daemon's own state comes by its socket."""

import contextlib
import grp
import os
import platform
import pwd
import shutil
import socket
import sqlite3
import stat
import time
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field
from enum import Enum
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from gateway import __version__
from gateway.app.certificates import CertificateWatch
from gateway.app.clock import clock_synchronised
from gateway.model.errors import PortError, Refused, SettingsError
from gateway.model.outlet_checks import outlet_warnings
from gateway.model.settings import BrokerSettings, Settings
from gateway.model.settings_file import fingerprint, load_settings
from gateway.outlets.control_client import NoDaemon, ask
from gateway.store.database import use_steps
from gateway.wear.plausibility import plausibility

SERVICE = "camdrift"
"""The system's user and unit."""
OTHERS = 0o077
ROOM_MB = 200
"""Less free room than this fills within weeks, with the captures as they are usually set."""
BUILT_S = 1_735_689_600.0
"""2025-01-01: a clock before it has lost its time."""
CONNECT_S = 3.0
LOST_SHARE = 0.01
BY_ID = Path("/dev/serial/by-id")


class Level(Enum):
    """How bad."""

    OK = 0
    LOOK = 1
    WRONG = 2


@dataclass(frozen=True, slots=True)
class Finding:
    """One line: what was looked at, what was found, and the line that mends it."""

    level: Level
    what: str
    text: str
    mend: str = ""


@dataclass(slots=True)
class Examined:
    """All findings in order; `settings` and `status` where they could be had."""

    findings: list[Finding] = field(default_factory=list)
    settings: Settings | None = None
    data_dir: Path | None = None
    status: dict[str, Any] | None = None


def examine(config: Path, data_dir: Path | None) -> Examined:
    """Look at everything. Never raises for what is wrong on the box: that is what it shows."""
    e = Examined()
    e.findings += _versions()
    try:
        e.settings = load_settings(config)
    except SettingsError as fault:
        mend = f"put it right in {config}, then: camdrift check {config}"
        if not config.exists():
            mend = "camdrift setup"
        e.findings += [Finding(Level.WRONG, "settings", line, mend) for line in fault.faults]
        return e
    s = e.settings
    e.data_dir = data_dir or s.gateway.data_dir
    e.findings += _settings(s)
    e.findings += _rights(s, e.data_dir)
    e.findings += _ports(s)
    e.findings += _clock()
    found, e.status = _daemon(s.gateway.socket or e.data_dir / "camdrift.sock")
    e.findings += found
    e.findings += _brokers(s, e.status)
    e.findings += _certificates(s)
    e.findings += _disk(e.data_dir)
    e.findings += _store(e.data_dir, e.status)
    if e.status is not None:
        e.findings += head_findings(e.status)
        e.findings += panel_findings(s, e.status)
        e.findings += alarm_findings(e.status)
    return e


def _versions() -> Iterator[Finding]:
    names = []
    for name in ("numpy", "pydantic", "paho-mqtt"):
        try:
            names.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            yield Finding(Level.WRONG, "versions", f"{name} is not installed", "install the package again")
    text = f"camdrift {__version__}, Python {platform.python_version()}, {', '.join(names)}"
    yield Finding(Level.OK, "versions", text)


def _settings(s: Settings) -> Iterator[Finding]:
    yield Finding(Level.OK, "settings", f"valid, {s.vessel.name}, fingerprint {fingerprint(s)}")
    for text in (*(f"{e.slug}: {t}" for e in s.engine for t in plausibility(e)), *outlet_warnings(s)):
        yield Finding(Level.LOOK, "settings", text, "compare with the engine's manual, then edit the settings")


# -- rights, port, clock ------------------------------------------------------------------------------------------


def service_uid() -> int:
    """The user that the service runs as; our own where it is not set up."""
    try:
        return pwd.getpwnam(SERVICE).pw_uid
    except KeyError:
        return os.geteuid()


def _rights(s: Settings, data_dir: Path) -> Iterator[Finding]:
    uid = service_uid()
    right = yield from _folder_rights(data_dir, uid)
    for path in secrets_of(s):
        try:
            found = path.stat()
        except OSError as fault:
            right = False
            yield Finding(Level.WRONG, "rights", f"{path}: {fault.strerror}", f"put {path} back, or: camdrift setup")
            continue
        if found.st_uid not in (0, uid) or found.st_mode & OTHERS:
            right = False
            mend = f"chown {SERVICE} {path} && chmod 0600 {path}"
            yield Finding(Level.WRONG, "rights", f"{path}: others than its owner may read it", mend)
    if right:
        yield Finding(Level.OK, "rights", f"{data_dir} and the files with secrets belong to the service alone")


def _folder_rights(data_dir: Path, uid: int) -> Generator[Finding, None, bool]:
    mend = f"install -d -m 0700 -o {SERVICE} -g {SERVICE} {data_dir}"
    try:
        found = data_dir.stat()
    except OSError as fault:
        yield Finding(Level.WRONG, "rights", f"{data_dir}: {fault.strerror}", mend)
        return False
    if found.st_uid != uid:
        mend = f"chown -R {SERVICE}:{SERVICE} {data_dir}"
        yield Finding(Level.WRONG, "rights", f"{data_dir} belongs to uid {found.st_uid}, not to the service", mend)
        return False
    return True


def secrets_of(s: Settings) -> list[Path]:
    """Files that only the service may read: passwords, keys, hashes."""
    named = [p for b in s.broker for p in (b.password_file, b.key_file) if p is not None]
    if s.page.enabled:
        named += [Path(u.password_hash_file) for u in s.page.users if u.password_hash_file]
        named += [Path(s.page.key_file)] if s.page.key_file else []
    return named


def plugged_in() -> list[str]:
    """Serial adapters that are plugged in, by their names that last."""
    try:
        return sorted(str(p) for p in BY_ID.iterdir())
    except OSError:
        return []


def _ports(s: Settings) -> Iterator[Finding]:
    for head in s.head:
        if "://" in head.port:
            yield Finding(Level.OK, "port", f"{head.slug}: {head.port}, over the network")
            continue
        yield _port(f"{head.slug}: {head.port}", Path(head.port))


def _port(what: str, path: Path) -> Finding:
    try:
        found = path.stat()
    except OSError:
        there = plugged_in()
        text = f"{what} is not there; plugged in: {', '.join(there) or 'no adapter at all'}"
        mend = "camdrift setup --only head" if there else "plug in the head's adapter; look at its cable and supply"
        return Finding(Level.WRONG, "port", text, mend)
    if not stat.S_ISCHR(found.st_mode):
        return Finding(Level.WRONG, "port", f"{what} is no serial port", "camdrift setup --only head")
    if not _may_open(found):
        mend = f"usermod -a -G {_group_of(found.st_gid)} {SERVICE} && systemctl restart {SERVICE}"
        return Finding(Level.WRONG, "port", f"{what}: the service may not open it", mend)
    return Finding(Level.OK, "port", f"{what} is there")


def _may_open(found: os.stat_result) -> bool:
    uid = service_uid()
    if uid in (0, found.st_uid) or found.st_mode & 0o006 == 0o006:
        return True
    # The unit brings the group dialout with it.
    groups = {g.gr_gid for g in grp.getgrall() if g.gr_name == "dialout" or SERVICE in g.gr_mem}
    with contextlib.suppress(KeyError):
        groups.add(pwd.getpwuid(uid).pw_gid)
    return found.st_gid in groups and found.st_mode & 0o060 == 0o060


def _group_of(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)


def _clock() -> Iterator[Finding]:
    now = time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime())
    if time.time() < BUILT_S:
        mend = "date -u -s 'YYYY-MM-DD HH:MM:SS' && hwclock --systohc; then replace the battery of the clock"
        yield Finding(Level.WRONG, "clock", f"it is {now} here: the clock has lost its time", mend)
        return
    kept = clock_synchronised()
    if kept is False:
        mend = "put 'server ADDRESS iburst' into /etc/chrony/conf.d/ship.conf; systemctl restart chrony"
        yield Finding(Level.LOOK, "clock", f"{now}; nothing keeps it in time", mend)
    else:
        yield Finding(Level.OK, "clock", now + (", kept in time" if kept else ", the kernel cannot be asked"))


# -- daemon, brokers, certificates --------------------------------------------------------------------------------


def _daemon(path: Path) -> tuple[list[Finding], dict[str, Any] | None]:
    log = f"journalctl -u {SERVICE} -n 30"
    try:
        status: dict[str, Any] = ask(path, {"do": "status", "engine": None, "by": None})["status"]
    except NoDaemon:
        return [
            Finding(Level.WRONG, "service", f"no daemon answers at {path}", f"systemctl start {SERVICE}; {log}")
        ], None
    except (PortError, Refused) as e:
        return [Finding(Level.WRONG, "service", str(e), log)], None
    if status["version"] != __version__:
        text = f"the daemon is version {status['version']}, installed is {__version__}"
        return [Finding(Level.WRONG, "service", text, f"systemctl restart {SERVICE}")], status
    return [Finding(Level.OK, "service", f"runs, up {status['up_s']:,} s")], status


def _brokers(s: Settings, status: Mapping[str, Any] | None) -> Iterator[Finding]:
    if not s.broker:
        yield Finding(Level.OK, "broker", "none is set")
    for b in s.broker:
        known = None if status is None else status["brokers"].get(b.name)
        yield _reached(b) if known is None else _broker(b, known)


def _broker(b: BrokerSettings, known: Mapping[str, Any]) -> Finding:
    waits = f"{known['waiting']} events wait" if known["waiting"] else "all delivered"
    if not known["connected"]:
        text = f"{b.name}: not connected: {known['why_not']}; {waits}"
        return Finding(Level.WRONG, "broker", text, _mend_broker(b))
    if known["refused"]:
        text = f"{b.name}: {known['refused']} messages refused: {known['why_refused']}"
        return Finding(Level.WRONG, "broker", text, "look at the broker's access list")
    return Finding(Level.OK, "broker", f"{b.name}: connected, {waits}")


def _reached(b: BrokerSettings) -> Finding:
    """Without the daemon: does anybody listen there?"""
    try:
        socket.create_connection((b.host, b.port), CONNECT_S).close()
    except OSError as e:
        text = f"{b.name}: {b.host}:{b.port} does not answer: {e.strerror or e}"
        return Finding(Level.WRONG, "broker", text, _mend_broker(b))
    return Finding(Level.OK, "broker", f"{b.name}: somebody listens at {b.host}:{b.port}")


def _mend_broker(b: BrokerSettings) -> str:
    if b.host in ("127.0.0.1", "::1", "localhost"):
        return "systemctl restart mosquitto; journalctl -u mosquitto -n 30"
    return f"look at the link ashore and at the firewall; it needs {b.host} TCP {b.port} outwards"


def _certificates(s: Settings) -> Iterator[Finding]:
    ending = CertificateWatch(s).look(time.time(), 0.0)
    if ending is not None:
        worse = ending.days is None or ending.days <= 0
        mend = "have a new one made ashore, put it in its place, then: systemctl restart camdrift"
        yield Finding(Level.WRONG if worse else Level.LOOK, "certificates", ending.text, mend)
    else:
        yield Finding(Level.OK, "certificates", "none ends soon")


# -- disk, store --------------------------------------------------------------------------------------------------


def _disk(data_dir: Path) -> Iterator[Finding]:
    try:
        free_mb = shutil.disk_usage(data_dir).free // 1_000_000
        read_only = bool(os.statvfs(data_dir).f_flag & os.ST_RDONLY)
    except OSError as e:
        yield Finding(Level.WRONG, "disk", f"{data_dir}: {e.strerror}", f"mount the disk that holds {data_dir}")
        return
    if read_only:
        mend = "dmesg | grep -i error; then mount -o remount,rw /. A disk that does this again is to be replaced"
        yield Finding(Level.WRONG, "disk", f"{data_dir} is mounted read-only", mend)
    elif free_mb < ROOM_MB:
        text = f"{free_mb} MB free, {ROOM_MB} are needed"
        yield Finding(
            Level.WRONG, "disk", text, f"du -x -d2 / | sort -n | tail; or lower capture.megabytes ({data_dir})"
        )
    else:
        yield Finding(Level.OK, "disk", f"{free_mb:,} MB free")


def _store(data_dir: Path, status: Mapping[str, Any] | None) -> Iterator[Finding]:
    if status is not None:
        fault = status["storage"]["fault"] or status["storage"]["nearly_full"]
        if fault:
            yield Finding(Level.WRONG, "store", str(fault), "free some room, or replace the disk")
        else:
            yield Finding(Level.OK, "store", f"storage OK, {status['storage']['pending']} events not yet written")
        return
    path = data_dir / "state.db"
    if not path.exists():
        yield Finding(Level.LOOK, "store", f"{path} is not there: no store was made yet", f"systemctl start {SERVICE}")
        return
    found = damage(path)
    restore = "systemctl stop camdrift; restore the last back-up; see INSTALL.md"
    if newer := newer_store(path):
        yield Finding(Level.WRONG, "store", newer, "camdrift-update store, or install the newer version again")
    elif found:
        yield Finding(Level.WRONG, "store", f"{path}: {found}", restore)
    else:
        yield Finding(Level.OK, "store", f"{path} is whole")


def damage(path: Path) -> str:
    """What is wrong with a file of the store, empty for nothing. Reads a copy: beside the file nothing may be made."""
    try:
        with contextlib.closing(sqlite3.connect(":memory:")) as copy:
            with contextlib.closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as db:
                db.backup(copy)
            found = copy.execute("PRAGMA quick_check(1)").fetchone()
    except sqlite3.Error as e:
        return str(e)
    return "" if found and found[0] == "ok" else str(found[0] if found else "cannot be read")


def newer_store(path: Path) -> str:
    """That a newer camdrift wrote this file of the store; empty where not. Changes nothing."""
    try:
        with contextlib.closing(sqlite3.connect(f"file:{path}?immutable=1", uri=True)) as db:
            use_steps(db, path, "state")
    except Refused as e:
        return str(e).partition("; ")[0]
    except (sqlite3.Error, ValueError):
        return ""
    return ""


# -- what the daemon sees -----------------------------------------------------------------------------------------


def head_findings(status: Mapping[str, Any]) -> Iterator[Finding]:
    """Heads by the daemon: heard, or why not; the share of frames that is lost."""
    for name, h in status["heads"].items():
        if h["open"]:
            yield Finding(Level.OK, "head", f"{name}: {h['text']}")
        else:
            yield Finding(Level.WRONG, "head", f"{name}: {h['text']}", "look at port, cable and the head's supply")
    for slug, e in status["engines"].items():
        good, lost = e["link"]["good"], e["link"]["lost"]
        if not e["head_heard"]:
            mend = "camdrift status; look at the head's supply, its cable and the baud rate in the settings"
            yield Finding(Level.WRONG, "head", f"{slug}: no valid data from the sensor head", mend)
        elif lost > LOST_SHARE * (good + lost):
            text = f"{slug}: {lost:,} of {good + lost:,} frames lost"
            yield Finding(Level.LOOK, "head", text, "look at the cable's screen and length, and at its plugs")


def panel_findings(s: Settings, status: Mapping[str, Any]) -> Iterator[Finding]:
    """Panel, relay, sentences and page."""
    for name, fault in status["panel"].items():
        yield Finding(
            Level.WRONG, "panel", f"{name}: {fault}", f"look at the settings of {name}; camdrift panel shows them"
        )
    outlets = [
        *(["Modbus TCP"] if s.modbus_tcp is not None else []),
        *(["Modbus serial"] if s.modbus_rtu else []),
        *(["sentences"] if s.sentences else []),
        *(["relay"] if s.relay else []),
    ]
    if not outlets:
        text = "no alarm panel is set: alarms show on the page and at the brokers only"
        yield Finding(Level.LOOK, "panel", text, "see PANEL.md; then add [modbus_tcp], [[sentences]] or [[relay]]")
    elif not status["panel"]:
        yield Finding(Level.OK, "panel", ", ".join(outlets))


def alarm_findings(status: Mapping[str, Any]) -> Iterator[Finding]:
    """The gateway's own alarms that stand: they name what else is wrong."""
    for a in status["alarms"]:
        if a["state"] in ("unacknowledged", "acknowledged"):
            yield Finding(Level.LOOK, "alarm", f"{a['tag']}: {a['text'] or a['state']}", "camdrift status")
