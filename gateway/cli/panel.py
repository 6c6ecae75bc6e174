"""Print the list for the panel's maker: registers, discrete inputs, coils, alert identifiers, sentences, relay."""

import argparse
import sys

from gateway.cli.text import out
from gateway.encode.panel_list import COLUMNS, Signal, signals
from gateway.model.csv_text import csv_text
from gateway.model.settings_file import load_settings

_HEADS = {
    "input register": "Input registers (functions 4 and 3; addresses from 0; word = figure x scale)",
    "discrete input": "Discrete inputs (function 2)",
    "coil": "Coils (functions 5 and 15)",
    "alert": "Alerts in sentences (identifier; title and text, the text bears figure and limit)",
}


def main(args: argparse.Namespace) -> int:
    """Print it for these settings."""
    rows = list(signals(load_settings(args.config)))
    if args.csv:
        sys.stdout.write(csv_text([COLUMNS, *([getattr(s, name) for name in COLUMNS] for s in rows)]))
        return 0
    kind = ""
    for row in rows:
        head = _HEADS.get(row.kind, "This ship")
        if head != kind:
            kind = head
            out(f"\n{head}")
        out(f"  {line(row)}")
    return 0


def line(s: Signal) -> str:
    """One row for a terminal."""
    address = s.address if s.kind in _HEADS else f"{s.kind} {s.address}"
    figure = ", ".join(part for part in (s.unit, f"x {s.scale}" if s.scale not in ("", "1") else "", s.number) if part)
    unknown = f"not known {s.unknown}" if s.unknown else ""
    return f"{address:<7}" + "; ".join(part for part in (f" {s.signal}", figure, unknown, s.priority, s.text) if part)
