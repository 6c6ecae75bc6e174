"""Show what is wrong on this box, each with the line that mends it; pack a bundle for support."""

import argparse
from collections.abc import Sequence
from pathlib import Path

from gateway.cli.doctor_checks import Finding, Level, examine
from gateway.cli.text import note, out

SETTINGS = Path("/etc/camdrift/ship.toml")
SIGNS = {Level.OK: "ok", Level.LOOK: "look", Level.WRONG: "WRONG"}


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    p.add_argument("config", type=Path, nargs="?", default=SETTINGS, help="the TOML file of the ship (%(default)s)")
    p.add_argument(
        "--data-dir",
        type=Path,
        help="where the gateway keeps its data, if not where the settings name it (gateway.data_dir)",
    )
    p.add_argument(
        "--bundle",
        type=Path,
        metavar="FILE",
        help="pack settings without secrets, logs, counts and the last captures into this new tar.gz file",
    )


def main(args: argparse.Namespace) -> int:
    """Look, print, pack. 0 where nothing is wrong, else 1."""
    examined = examine(args.config, args.data_dir)
    lines = report(examined.findings)
    for line in lines:
        out(line)
    if args.bundle is not None:
        from gateway.cli.doctor_bundle import pack

        size = pack(args.bundle, args.config, examined, "\n".join(lines) + "\n")
        note(f"packed: {args.bundle} ({size / 1e6:.1f} MB). Secrets are blanked; look through it before it is sent")
    return 1 if any(f.level is Level.WRONG for f in examined.findings) else 0


def report(findings: Sequence[Finding]) -> list[str]:
    """The findings as lines, in their order, and a sum at the end."""
    lines = []
    for f in findings:
        lines.append(f"{SIGNS[f.level]:<6}{f.what:<14}{f.text}")
        if f.mend:
            lines.append(f"{'':<20}mend: {f.mend}")
    wrong = sum(f.level is Level.WRONG for f in findings)
    looks = sum(f.level is Level.LOOK for f in findings)
    lines.append(f"{wrong} wrong, {looks} to look at" + ("" if wrong else "; nothing is wrong on this box"))
    return lines
