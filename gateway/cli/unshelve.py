"""Unshelve an alarm before its time."""

import argparse

from gateway.cli.operator import act, acting


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    acting(p)


def main(args: argparse.Namespace) -> int:
    """Ask the daemon."""
    return act(args, "unshelve", "brought back")
