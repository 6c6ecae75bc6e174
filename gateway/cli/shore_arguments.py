"""Arguments of `camdrift shore`: its help is printed without what does the work, which takes long to import."""

import argparse
from pathlib import Path

from gateway.cli.arguments import report_arguments
from gateway.shore.keeper_settings import KeeperSettings

SETUP_PARTS = ("shore", "notices", "page", "ship")
"""Of what `shore setup` asks; --only takes all but the last."""


def add(p: argparse.ArgumentParser) -> None:
    """Arguments of `camdrift shore`: a subcommand for each work."""
    names = "setup|keep|watch|notify|serve|fleet|report|export|record|close-gap|schema"
    sub = p.add_subparsers(dest="shore", required=True, metavar=names)
    first = sub.add_parser("setup", help="set up this machine: broker, store, keepers; make a ship's bundle")
    _setup_arguments(first)
    keep = sub.add_parser("keep", help="subscribe to a fleet and keep what it sends")
    _access_arguments(keep)
    _keep_arguments(keep)
    look = sub.add_parser("watch", help="print alerts as they come")
    _access_arguments(look)
    look.add_argument("--json", action="store_true", help="one JSON object a line")
    look.add_argument("--vessel", help="only this vessel's")
    _silence_argument(look)
    people = sub.add_parser("notify", help="notify people ashore of what stands, until they have seen it")
    _store_argument(people)
    _notify_arguments(people)
    serve = sub.add_parser("serve", help="serve the fleet's page")
    _store_argument(serve)
    serve.add_argument("settings", type=Path, help="the shore's settings: page, users, groups of engines, planning")
    lines = sub.add_parser("fleet", help="list every engine, worst first")
    _store_argument(lines)
    lines.add_argument("--format", choices=("table", "csv", "json"), default="table")
    made = sub.add_parser("report", help="make a vessel's report or survey file from what is kept ashore")
    _store_argument(made)
    made.add_argument("config", type=Path, help="a copy of the ship's settings: which ship it is, and its limits")
    report_arguments(made)
    gap = sub.add_parser("close-gap", help="record that missing events will never come")
    _store_argument(gap)
    gap.add_argument("gateway", help="the gateway's UUID")
    gap.add_argument("first", type=int, help="first number that is missing")
    gap.add_argument("last", type=int, help="last number that is missing")
    gap.add_argument("--by", required=True, help="who decided it")
    sent = sub.add_parser("export", help="print a vessel's trends and events as an ISO 19848 package")
    _store_argument(sent)
    sent.add_argument("vessel", help="the vessel's short name in its settings")
    sent.add_argument(
        "--ship-id", help="as ISO 19848 has it, for instance IMO and seven figures (default: the short name)"
    )
    sent.add_argument("--channels", action="store_true", help="print the data channel list instead")
    sent.add_argument(
        "--from", dest="from_utc", default="2000-01-01T00:00:00Z", help="from this UTC on, such as 2031-02-03T04:05:00Z"
    )
    sent.add_argument(
        "--to", dest="to_utc", default="2100-01-01T00:00:00Z", help="up to this UTC, such as 2031-02-03T04:05:00Z"
    )
    spare = sub.add_parser("record", help="print what is kept of a vessel for a spare box, as JSON")
    _store_argument(spare)
    spare.add_argument("vessel", help="the vessel's short name in its settings")
    tables = sub.add_parser("schema", help="print the SQL that makes the store")
    tables.add_argument("kind", choices=("postgresql", "sqlite"))


def _access_arguments(p: argparse.ArgumentParser) -> None:
    p.add_argument("--broker", required=True, metavar="URL", help="mqtts://HOST[:8883] or mqtt://HOST[:1883]")
    p.add_argument("--prefix", default="camdrift/1", help="of all topics (default: %(default)s)")
    p.add_argument("--user", help="name at the broker, where it requires one")
    p.add_argument("--password-file", type=Path, help="a file only its owner may read")
    p.add_argument("--password-env", metavar="NAME", help="the variable that holds the password")
    p.add_argument("--ca-file", type=Path, help="who must have signed the broker's certificate")
    p.add_argument("--cert-file", type=Path, help="our certificate")
    p.add_argument("--key-file", type=Path, help="its key; only its owner may read it")


def _keep_arguments(p: argparse.ArgumentParser) -> None:
    _store_argument(p)
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
    _silence_argument(p)


def _store_argument(p: argparse.ArgumentParser) -> None:
    p.add_argument("--store", required=True, metavar="URL", help="sqlite:///FILE or postgresql://USER@HOST/DATABASE")


def _silence_argument(p: argparse.ArgumentParser) -> None:
    p.add_argument("--silent-after-min", type=float, default=180.0, help="nothing heard for so long is reported")


def _setup_arguments(p: argparse.ArgumentParser) -> None:
    p.add_argument("--answers", type=Path, metavar="FILE", help="a TOML file with all answers; nothing is asked")
    p.add_argument("--ask", action="store_true", help="with --answers: ask what the file lacks")
    p.add_argument("--only", choices=SETUP_PARTS[:3], help="ask again about this part alone")
    p.add_argument("--ship", metavar="SLUG", help="only make this ship's bundle; the rest was set up before")
    p.add_argument(
        "--ship-settings", type=Path, metavar="FILE", help="with --ship: her settings, to go into the bundle"
    )
    p.add_argument(
        "--spare", action="store_true", help="with --ship: for a spare box; her log book and running hours go along"
    )
    p.add_argument("--no-start", action="store_true", help="write everything, start nothing")


def _notify_arguments(p: argparse.ArgumentParser) -> None:
    p.add_argument("settings", type=Path, help="the shore's settings: people, duty, rules")
    p.add_argument("--name", default="1", help="this notifier's own, the same at each start (default: %(default)s)")
    p.add_argument("--test", metavar="PERSON", help="send a trial notice to this person, and end")
    p.add_argument("--check", action="store_true", help="check the settings and the week of the rules, and end")
    p.add_argument("--forget", metavar="NAME", help="the notifier of this name will not come back; end")
