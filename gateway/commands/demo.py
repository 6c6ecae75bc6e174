"""Show the whole job on this machine: simulated head, broker, daemon, subscriber."""

import argparse


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""


def main(args: argparse.Namespace) -> int:
    """Not yet."""
    return 1
