"""Print the JSON Schema of a message or of the configuration."""

import argparse
import json

from gateway.cli.text import out
from gateway.encode.checked import SCHEMAS, schema


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    p.add_argument("name", choices=SCHEMAS, metavar="NAME", help=", ".join(SCHEMAS))


def main(args: argparse.Namespace) -> int:
    """Print it."""
    out(json.dumps(schema(args.name), indent=2, ensure_ascii=False))
    return 0
