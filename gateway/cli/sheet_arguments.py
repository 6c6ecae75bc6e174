"""Arguments of `camdrift sheet`: a subcommand for each sheet, an option for each figure that may be typed."""

import argparse
from pathlib import Path

from gateway.cli import sheet_acts
from gateway.cli.operator import common
from gateway.worksheet.titles import TITLES

Option = tuple[str, str, str, str]
"""Option, the figure's name on the sheet, metavar, help; a metavar that ends in … takes several."""

OPTIONS: dict[str, tuple[Option, ...]] = {
    "retighten": (
        ("--free", "free_mm", "MM", "the spring's free length measured today"),
        ("--before", "before_mm", "MM", "its length before any nut was touched"),
        ("--there", "there_mm", "MM", "its length at the target"),
        ("--held", "held_mm", "MM", "its length with the opposite nut seated"),
        ("--seated", "seated_mm", "MM", "locked tightener: its length seated on the distance tube"),
        ("--turned", "turned_mm", "MM", "its length after turning the whole loop round"),
        ("--lost-motion", "lost_motion_deg", "DEG", "lost motion by a turn each way after the work"),
        ("--play", "play_links", "LINKS", "hand play at mid-span"),
    ),
    "retime": (
        ("--before", "before_deg", "DEG", "the lag before the couplings were released"),
        ("--gauge", "gauge_mm", "MM…", "pin gauge before, one a section, late is +"),
        ("--gauge-after", "gauge_after_mm", "MM…", "pin gauge after; 0 where it fits"),
        ("--lost-motion", "lost_motion_deg", "DEG", "lost motion by a turn each way after the work"),
        ("--running", "running_deg", "DEG", "the lag at the first steady load after the work"),
        ("--oil-off", "oil_off", "UTC", "when the last pressure was released, RFC 3339"),
    ),
    "compensate": (
        ("--lag", "lag_deg", "DEG", "in place of the lag as the gateway has it"),
        ("--pumps", "pumps", "N", "number of fuel pumps"),
    ),
    "pressures": (
        ("--taken", "taken", "WHEN", "before or after the work (default: before)"),
        ("--max", "max_bar", "P…", "maximum pressures, one a cylinder"),
        ("--mean", "mean_bar", "P…", "mean indicated pressures, one a cylinder"),
        ("--unit", "unit", "UNIT", "of these two: bar (default), MPa, kPa, Pa, psi"),
        ("--rpm", "rpm", "RPM", "speed, for the indicated power"),
        ("--load", "load", "PERCENT", "load, for a fair comparison of before and after"),
        ("--scavenge", "scavenge_bar", "BAR", "scavenge pressure"),
        ("--compression", "compression_bar", "BAR…", "compression pressures, one a cylinder"),
    ),
    "links": (
        ("--links", "links", "N", "how many links were measured"),
        ("--length", "length_mm", "MM", "the length over them, pin to pin"),
    ),
    "hand-play": (
        ("--links", "play_links", "LINKS", "play in links"),
        ("--mm", "play_mm", "MM", "or in mm"),
        ("--spring", "spring_mm", "MM", "spring length with the slack at the tightener"),
    ),
    "new-chain": (),
}


def add(p: argparse.ArgumentParser) -> None:
    """Arguments: the sheet's name, then the settings and the figures that were typed."""
    names = p.add_subparsers(dest="sheet", required=True, metavar="SHEET")
    for name, title in TITLES.items():
        one = names.add_parser(name, help=title, description=title)
        common(one)
        one.add_argument("--engine", help="the engine's short name in the settings, where there are several")
        one.add_argument("--json", action="store_true", help="the same data as one JSON object")
        if name == "pressures":
            one.add_argument("--file", type=Path, help="a pressure/crank-angle file: CSV, units in its heading")
        else:
            one.add_argument("--live", action="store_true", help="one line that follows the readings; Ctrl-C ends it")
            one.add_argument(
                "--for", dest="minutes", type=float, default=240.0, metavar="MIN", help="how long (default: 240)"
            )
        one.add_argument("--print", action="store_true", help="with a QR code that leads to the sheet on the page")
        sheet_acts.add(one)
        for option, figure, metavar, text in OPTIONS[name]:
            several = {"nargs": "+"} if metavar.endswith("…") else {}
            one.add_argument(option, dest=f"typed_{figure}", metavar=metavar.rstrip("…"), help=text, **several)  # type: ignore[arg-type]
