"""Lines for people and programs, on stdout."""

import sys


def out(line: str) -> None:
    """One line to stdout."""
    sys.stdout.write(line + "\n")


def note(line: str) -> None:
    """One line to stderr: a summary, not data."""
    sys.stderr.write(line + "\n")
