"""Arguments of `camdrift shore`: its help is printed without what does the work, which takes long to import."""

import argparse
from collections.abc import Callable
from pathlib import Path

from gateway.cli.arguments import period_arguments, report_arguments, setup_arguments
from gateway.shore.keeper_settings import KeeperSettings

SETUP_PARTS = ("shore", "notices", "page", "ship")
"""Of what `shore setup` asks; --only takes all but the last."""


def add(p: argparse.ArgumentParser) -> None:
    """Arguments of `camdrift shore`: a subcommand for each work."""
    sub = p.add_subparsers(dest="shore", required=True, metavar="|".join(ADD))
    for name, (what, arguments) in ADD.items():
        arguments(sub.add_parser(name, help=what))


def _access(p: argparse.ArgumentParser) -> None:
    p.add_argument("--broker", required=True, metavar="URL", help="mqtts://HOST[:8883] or mqtt://HOST[:1883]")
    p.add_argument("--prefix", default="camdrift/1", help="of all topics (default: %(default)s)")
    p.add_argument("--user", help="name at the broker, where it requires one")
    p.add_argument("--password-file", type=Path, help="a file only its owner may read")
    p.add_argument("--password-env", metavar="NAME", help="the variable that holds the password")
    p.add_argument("--ca-file", type=Path, help="who must have signed the broker's certificate")
    p.add_argument("--cert-file", type=Path, help="our certificate")
    p.add_argument("--key-file", type=Path, help="its key; only its owner may read it")


def _store(p: argparse.ArgumentParser) -> None:
    p.add_argument("--store", required=True, metavar="URL", help="sqlite:///FILE or postgresql://USER@HOST/DATABASE")


def _silence(p: argparse.ArgumentParser) -> None:
    p.add_argument("--silent-after-min", type=float, default=180.0, help="nothing heard for so long is reported")


def _vessel(p: argparse.ArgumentParser) -> None:
    _store(p)
    p.add_argument("vessel", help="the vessel's short name in its settings")


def _setup(p: argparse.ArgumentParser) -> None:
    setup_arguments(p, SETUP_PARTS[:3])
    p.add_argument("--ship", metavar="SLUG", help="only make this ship's bundle; the rest was set up before")
    p.add_argument(
        "--ship-settings", type=Path, metavar="FILE", help="with --ship: her settings, to go into the bundle"
    )
    p.add_argument(
        "--spare", action="store_true", help="with --ship: for a spare box; her log book and learned figures go along"
    )


def _keep(p: argparse.ArgumentParser) -> None:
    _access(p)
    _store(p)
    d = KeeperSettings(store="")
    p.add_argument(
        "--group", default=d.group, help="keepers that share the load; '' = not shared (default: %(default)s)"
    )
    p.add_argument("--name", default=d.name, help="this keeper's own, the same at each start (default: %(default)s)")
    p.add_argument("--readings", action="store_true", help="keep readings too, where ships send them")
    p.add_argument("--no-receipts", action="store_true", help="report nothing to the ship of what has arrived")
    p.add_argument(
        "--drain", action="store_true", help="take over what waits for --name, which will not come back; end"
    )
    p.add_argument("--rate", type=float, default=d.rate_per_s, help="messages/s of one ship, long run (%(default)s)")
    p.add_argument("--burst", type=float, default=d.rate_burst, help="messages at once of one ship (%(default)s)")
    p.add_argument("--session-days", type=float, default=d.session_days, help="the broker waits for us so long")
    p.add_argument("--keep-readings-days", type=float, default=d.readings_days)
    p.add_argument("--keep-trends-days", type=float, default=d.trends_days)
    _silence(p)


def _watch(p: argparse.ArgumentParser) -> None:
    _access(p)
    p.add_argument("--json", action="store_true", help="one JSON object a line")
    p.add_argument("--vessel", help="only this vessel's")
    _silence(p)


def _notify(p: argparse.ArgumentParser) -> None:
    _store(p)
    p.add_argument("settings", type=Path, help="the shore's settings: people, duty, rules")
    p.add_argument("--name", default="1", help="this notifier's own, the same at each start (default: %(default)s)")
    p.add_argument("--test", metavar="PERSON", help="send a trial notice to this person, and end")
    p.add_argument("--check", action="store_true", help="check the settings and the week of the rules, and end")
    p.add_argument("--forget", metavar="NAME", help="the notifier of this name will not come back; end")


def _serve(p: argparse.ArgumentParser) -> None:
    _store(p)
    p.add_argument("settings", type=Path, help="the shore's settings: page, users, groups of engines, planning")


def _fleet(p: argparse.ArgumentParser) -> None:
    _store(p)
    p.add_argument("--format", choices=("table", "csv", "json"), default="table")


def _report(p: argparse.ArgumentParser) -> None:
    _store(p)
    p.add_argument("config", type=Path, help="a copy of the ship's settings: which ship it is, and its limits")
    report_arguments(p)


def _export(p: argparse.ArgumentParser) -> None:
    _vessel(p)
    p.add_argument(
        "--ship-id", help="as ISO 19848 has it, for instance IMO and seven figures (default: the short name)"
    )
    p.add_argument("--channels", action="store_true", help="print the data channel list instead")
    period_arguments(p)


def _close_gap(p: argparse.ArgumentParser) -> None:
    _store(p)
    p.add_argument("gateway", help="the gateway's UUID")
    p.add_argument("first", type=int, help="first number that is missing")
    p.add_argument("last", type=int, help="last number that is missing")
    p.add_argument("--by", required=True, help="who decided it")


def _schema(p: argparse.ArgumentParser) -> None:
    p.add_argument("kind", choices=("postgresql", "sqlite"))


ADD: dict[str, tuple[str, Callable[[argparse.ArgumentParser], None]]] = {
    "setup": ("set up this machine: broker, store, keepers; make a ship's bundle", _setup),
    "keep": ("subscribe to a fleet and keep what it sends", _keep),
    "watch": ("print alerts as they come", _watch),
    "notify": ("notify people ashore of what stands, until they have seen it", _notify),
    "serve": ("serve the fleet's page", _serve),
    "fleet": ("list every engine, worst first", _fleet),
    "report": ("make a vessel's report or survey file from what is kept ashore", _report),
    "export": ("print a vessel's trends and events as an ISO 19848 package", _export),
    "record": ("print what is kept of a vessel for a spare box, as JSON", _vessel),
    "close-gap": ("record that missing events will never come", _close_gap),
    "schema": ("print the SQL that makes the store", _schema),
}
"""By the subcommand's name: its line of help, and its arguments."""
