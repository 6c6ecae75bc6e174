"""Show what is wrong on this box, each with the line that mends it; pack a bundle for support."""

import argparse
from collections.abc import Sequence

from gateway.cli.doctor_checks import Finding, Level, examine
from gateway.cli.text import note, out

SIGNS = {Level.OK: "ok", Level.LOOK: "look", Level.WRONG: "WRONG"}


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
