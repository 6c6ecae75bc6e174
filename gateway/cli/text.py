"""Lines for people and programs: data on stdout, summaries on stderr, colour where the terminal has it."""

import os
import sys
from typing import TextIO


def out(line: str) -> None:
    """One line to stdout."""
    sys.stdout.write(line + "\n")


def note(line: str) -> None:
    """One line to stderr: a summary, not data."""
    sys.stderr.write(line + "\n")


def has_colour(stream: TextIO) -> bool:
    """Is it a terminal with colours? NO_COLOR, set to anything, means none."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM", "dumb") != "dumb"


def coloured(text: str, codes: str) -> str:
    """The text for stdout; `codes`: of ECMA-48's SGR, such as `1;97;41`."""
    return f"\x1b[{codes}m{text}\x1b[0m" if has_colour(sys.stdout) else text
