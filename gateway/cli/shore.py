"""The shore side: keep what a fleet sends, watch its alerts, list its engines."""

import argparse
import json
import os
import signal
import socket
import ssl
import sys
import threading
import time
from collections.abc import Callable
from functools import partial
from urllib.parse import SplitResult, urlsplit

from pydantic import ValidationError

from gateway.cli import shore_notify, shore_report, shore_serve, shore_setup
from gateway.cli.progress import progress
from gateway.cli.setup_system import System
from gateway.cli.text import note, out
from gateway.encode import iso19848
from gateway.encode.times import utc_of
from gateway.model.errors import PortError, Refused
from gateway.model.settings import BrokerSettings
from gateway.model.settings_file import checked_section
from gateway.model.validate import faults
from gateway.outlets.mqtt.access import read_password, reason_text, tls_context, why_not
from gateway.shore import fleet as listing
from gateway.shore.database import open_database, steps
from gateway.shore.export import vessel_channels, vessel_package
from gateway.shore.gaps import close_gap
from gateway.shore.keeper import Keeper
from gateway.shore.keeper_settings import KeeperSettings
from gateway.shore.link import CONNECT_S, Access
from gateway.shore.record import ship_record
from gateway.shore.watch import Alert, watch

PORTS = {"mqtt": 1883, "mqtts": 8883}


def main(args: argparse.Namespace) -> int:
    """Do what was asked."""
    does: dict[str, Callable[[argparse.Namespace], int]] = {
        "setup": _setup,
        "keep": _keep,
        "watch": _watch,
        "notify": lambda a: shore_notify.main(a, _stopping()),
        "serve": lambda a: shore_serve.main(a, _stopping()),
        "fleet": _fleet,
        "report": shore_report.main,
        "export": _export,
        "record": _record,
        "close-gap": _close_gap,
        "schema": _schema,
    }
    return does[args.shore](args)


def _setup(args: argparse.Namespace) -> int:
    return shore_setup.run(args, System())


def _keep(args: argparse.Namespace) -> int:
    settings = KeeperSettings(
        store=args.store,
        prefix=args.prefix.rstrip("/"),
        group=args.group,
        name=args.name,
        readings=args.readings,
        receipts=not args.no_receipts,
        rate_per_s=args.rate,
        rate_burst=args.burst,
        session_days=args.session_days,
        readings_days=args.keep_readings_days,
        trends_days=args.keep_trends_days,
        silent_after_s=args.silent_after_min * 60,
    )
    keeper = Keeper(access(args), settings)
    over = threading.Event()
    shown = threading.Thread(target=_show_catching_up, args=(keeper, over), daemon=True)
    shown.start()
    try:
        keeper.run(_stopping(), drain=args.drain)
    finally:
        over.set()
        shown.join()
    t = keeper.counts
    note(f"kept {t.kept} messages in {t.batches} batches, refused {t.refused}")
    return 0


def _show_catching_up(keeper: Keeper, over: threading.Event) -> None:
    """On a terminal: how many messages were kept, until nothing waits. The broker does not give how many wait."""
    with progress("catching up, messages kept") as moved:
        while not over.wait(0.5) and not keeper.caught_up:
            moved(keeper.counts.kept)


def _watch(args: argparse.Namespace) -> int:
    stopping = _stopping()

    def show(alert: Alert) -> None:
        if args.vessel in (None, alert.vessel):
            out(alert.json() if args.json else alert.line())
            sys.stdout.flush()

    name = f"camdrift-watch-{socket.gethostname()[:20]}-{os.getpid()}"
    silent_s = args.silent_after_min * 60
    watch(access(args), args.prefix.rstrip("/"), name, show, lambda: not stopping.is_set(), note, silent_s)
    return 0


def _fleet(args: argparse.Namespace) -> int:
    rows = listing.fleet(args.store, time.time())
    if args.format == "csv":
        sys.stdout.write(listing.as_csv(rows))
    else:
        out(listing.as_json(rows) if args.format == "json" else listing.as_table(rows))
    return 0


def _close_gap(args: argparse.Namespace) -> int:
    db = open_database(args.store, make=True)
    try:
        close_gap(db, args.gateway, args.first, args.last, args.by, time.time())
    finally:
        db.close()
    return 0


def _export(args: argparse.Namespace) -> int:
    try:
        span = utc_of(args.from_utc), utc_of(args.to_utc)
    except ValueError as e:
        raise Refused(str(e)) from None
    ship = iso19848.Ship(args.ship_id or args.vessel, args.vessel)
    make = vessel_channels if args.channels else vessel_package
    out(iso19848.text(make(args.store, ship, span, time.time())))
    return 0


def _record(args: argparse.Namespace) -> int:
    out(json.dumps(ship_record(args.store, args.vessel, time.time()), indent=1, ensure_ascii=False))
    return 0


def _schema(args: argparse.Namespace) -> int:
    out("\n".join(steps(args.kind)).rstrip())
    return 0


def _stopping() -> threading.Event:
    stopping = threading.Event()
    for signum in (signal.SIGTERM, signal.SIGINT):
        signal.signal(signum, lambda *_: stopping.set())
    return stopping


def access(args: argparse.Namespace) -> Access:
    """Where the broker is and how to come in; secrets are read at each connection, so they may be changed meanwhile."""
    broker = _broker(args)
    return Access(
        host=broker.host,
        port=broker.port,
        user=broker.user,
        password=lambda: read_password(broker),
        tls=_tls(broker),
        why_not=lambda e: str(e) if isinstance(e, PortError) else why_not(e, broker.host, broker.port, CONNECT_S),
        reason=reason_text,
        keepalive_s=broker.keepalive_s,
    )


def _broker(args: argparse.Namespace) -> BrokerSettings:
    url = _url(args.broker)
    try:
        given = {
            "name": "fleet",
            "host": url.hostname or "",
            "port": url.port or PORTS[url.scheme],
            "user": args.user or url.username,
            "tls": url.scheme == "mqtts",
            "password_file": args.password_file,
            "password_env": args.password_env,
            "ca_file": args.ca_file,
            "cert_file": args.cert_file,
            "key_file": args.key_file,
        }
        return checked_section(BrokerSettings, given)
    except (ValidationError, ValueError) as e:
        text = faults(e, whole="broker")[0] if isinstance(e, ValidationError) else str(e)
        raise Refused(f"--broker and what goes with it: {text}") from None


def _url(text: str) -> SplitResult:
    url = urlsplit(text)
    if url.scheme not in PORTS or not url.hostname:
        raise Refused(f"--broker {text}: give mqtts://HOST or mqtt://HOST")
    if url.password is not None:
        raise Refused("--broker: a password in a URL can be read by everybody; use --password-file or --password-env")
    if url.scheme == "mqtt" and url.hostname not in ("127.0.0.1", "::1", "localhost"):
        note(f"camdrift: {url.hostname} is reached without TLS: anybody on the way can read and change what ships send")
    return url


def _tls(broker: BrokerSettings) -> Callable[[], ssl.SSLContext | None]:
    return partial(tls_context, broker)
