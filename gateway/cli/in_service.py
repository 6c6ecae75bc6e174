"""Put an alarm back in service."""

import argparse

from gateway.cli.operator import act, acting


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    acting(p)


def main(args: argparse.Namespace) -> int:
    """Ask the daemon."""
    return act(args, "in-service", "back in service")
