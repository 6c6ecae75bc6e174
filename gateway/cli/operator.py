"""What the commands that talk to a running daemon share."""

import argparse
from pathlib import Path
from typing import Any

from gateway.cli.text import note, out
from gateway.model.toml_file import socket_of
from gateway.outlets.control_client import ask


def common(p: argparse.ArgumentParser) -> None:
    """Arguments of all of them."""
    p.add_argument("config", type=Path, help="the TOML file of the ship")
    data_dir(p)


def data_dir(p: argparse.ArgumentParser) -> None:
    """Another folder for the data than the settings name."""
    p.add_argument(
        "--data-dir",
        type=Path,
        help="where the gateway keeps its data, if not where the settings name it (gateway.data_dir)",
    )


def acting(p: argparse.ArgumentParser, *, tag: bool = True) -> None:
    """Arguments of an act on an alarm."""
    common(p)
    if tag:
        p.add_argument("tag", help="the alarm's tag, such as lag-near")
    p.add_argument("--engine", help="the engine's short name in the settings, where there are several")
    p.add_argument("--by", help="who acts, if not the user who is logged in")


def request(args: argparse.Namespace, do: str, **fields: Any) -> dict[str, Any]:
    """Ask the daemon. Raises PortError where none answers, Refused where it refuses."""
    asked = {"do": do, "engine": getattr(args, "engine", None), "by": getattr(args, "by", None), **fields}
    return ask(socket_of(args.config, args.data_dir), asked)


def act(args: argparse.Namespace, do: str, done: str, **fields: Any) -> int:
    """An act on one alarm, and a line that it is done."""
    answer = request(args, do, alarm=args.tag, **fields)
    out(f"{args.tag}: {done} by {answer['by']}")
    show_note(answer)
    return 0


def show_note(answer: dict[str, Any]) -> None:
    """What the daemon adds to its answer: that the disk does not have it yet, for example."""
    if text := answer.get("note"):
        note(f"camdrift: {text}")
