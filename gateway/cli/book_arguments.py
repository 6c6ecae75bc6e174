"""Arguments of `camdrift book`: a subcommand for each kind of record, an option for each figure."""

import argparse
import types
import typing
from dataclasses import fields
from typing import Any

from gateway.cli.operator import common
from gateway.wear.bookings import ALIASES, KINDS, Booked

# What each kind is, as --help shows it: docstrings are gone under -OO.
KIND_TEXTS = {
    "retightened": "The chain was retightened. Lengths of the spring in mm; "
    "`free_length_mm` is measured afresh with no load.",
    "camshaft-set": "The camshaft was set, or found right. "
    "`raw_deg`: crank − ratio·cam as the encoders read; `gauge_mm`: late = +.",
    "pumps-compensated": "The advance now in force at each fuel pump, in crank degrees, earlier = +; "
    "all of it, not what was added.",
    "chain-renewed": "A new chain. `spring_after_mm`, `lag_after_deg`: as read when the drive was together again.",
    "links-renewed": "`renewed` links of the chain were replaced.",
    "spring-renewed": "A new tightener spring: its free length in mm and, where it differs, its rate.",
    "links-measured": "Links were measured by hand: `length_mm` over `links` links.",
    "hand-play": "Play at mid-span by hand, in links or in mm.",
    "pressures": "Pressures of the cylinders, before or after work on the timing.",
    "loading": "The loading condition from these hours on: `condition`, or the mean draught in m, or both.",
    "note": "A remark about the drive: `note` holds it. It changes no figure.",
    "correction": "Replaces an earlier booking by `entry`, or strikes it out where there is none.",
}
FIGURES = {
    "free_length_mm": "length of the spring with no load, measured afresh, mm",
    "spring_before_mm": "length of the spring before the work, mm; from the readings if left out",
    "spring_after_mm": "length of the spring after the work, mm; from the readings if left out",
    "elongation_percent": "the chain's elongation then, %%, where it is known otherwise",
    "elongation_se_percent": "its standard error, %%",
    "lost_motion_deg": "lag ahead less lag astern, by a turn each way after the work, degrees of the crank",
    "raw_deg": "crank less cam as the encoders read, degrees of the crank; from the readings if left out",
    "gauge_mm": "what the pin gauge reads, mm, late is +",
    "lag_before_deg": "lag before the work, degrees of the crank, late is +; from the readings if left out",
    "lag_after_deg": "lag after the work, degrees of the crank, late is +; from the readings if left out",
    "before_deg": "advance at each pump before, degrees of the crank, earlier is +",
    "after_deg": "advance now in force at each pump, degrees of the crank, earlier is +",
    "renewed": "how many links were renewed",
    "rate_n_per_mm": "the new spring's rate, N/mm, where it differs",
    "links": "how many links were measured",
    "length_mm": "length over these links, mm",
    "play_links": "play at mid-span by hand, in links",
    "play_mm": "play at mid-span by hand, mm",
    "taken": "before or after the work",
    "rpm": "speed of the engine, rpm",
    "load": "load of the engine, a share of full load, 0 to 1.2",
    "scavenge_bar": "scavenge pressure, bar",
    "condition": "laden or ballast",
    "draught_m": "mean draught, m",
    "replaces": "name (id) of the booking to be put right",
}


def add(p: argparse.ArgumentParser) -> None:
    """Arguments: what all bookings carry, then the kind and its figures."""
    common(p)
    kinds = p.add_subparsers(dest="kind", required=True, metavar="KIND")
    for kind, model in KINDS.items():
        text = KIND_TEXTS[kind]
        aliases = [name for name, meant in ALIASES.items() if meant == kind]
        _arguments(kinds.add_parser(kind, help=text, description=text, aliases=aliases), model)


def _arguments(p: argparse.ArgumentParser, model: type[Booked]) -> None:
    p.add_argument("--engine", help="the engine's short name in the settings, where there are several")
    p.add_argument("--person", required=True, help="who did the work")
    p.add_argument(
        "--at", dest="utc_s", metavar="UTC", help="when it was done, such as 2031-02-03T04:05:00Z; now if left out"
    )
    p.add_argument("--hours", type=float, help="running hours then; the present ones if left out and the daemon runs")
    p.add_argument("--note", help="anything worth keeping")
    p.add_argument("--id", help="a name for this booking; drawn if left out")
    common_names = {f.name for f in fields(Booked)}
    for f in fields(model):
        if f.name not in common_names and f.name != "kind":
            _figure(p, f.name, _bare(f.type))


def _figure(p: argparse.ArgumentParser, name: str, annotation: Any) -> None:
    option = "--" + name.replace("_", "-")
    if name == "cylinders":
        p.add_argument(
            "--cylinder", dest=name, action="append", metavar="NO:MAX[:MEAN[:COMPRESSION]]", help="bar; once a cylinder"
        )
    elif name == "entry":
        p.add_argument("--entry", metavar="JSON", help="the booking as it should have been; left out: struck out")
    elif name == "photos":
        return  # the page alone takes photos
    elif typing.get_origin(annotation) is list:
        p.add_argument(option, type=float, nargs="+", help=FIGURES[name])
    else:
        p.add_argument(option, type=_type(annotation), help=FIGURES[name])


def _bare(annotation: Any) -> Any:
    return typing.get_args(annotation)[0] if typing.get_origin(annotation) is typing.Annotated else annotation


def _type(annotation: Any) -> type:
    # `Annotated[…] | None` is a typing.Union, `float | None` a types.UnionType.
    is_union = typing.get_origin(annotation) in (types.UnionType, typing.Union)
    parts = typing.get_args(annotation) if is_union else (annotation,)
    bare = [_bare(a) for a in parts]
    return next((t for t in (int, float) if t in bare), float if float in bare else str)
