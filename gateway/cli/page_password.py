"""Read a password, hidden, and print the line for the settings that lets its owner act on the page."""

import argparse
import getpass
import sys

from gateway.cli.text import out
from gateway.model.errors import Refused
from gateway.web.sessions import hash_password


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    p.add_argument("--stdin", action="store_true", help="take it from the first line of standard input, for scripts")


def main(args: argparse.Namespace) -> int:
    """Ask twice, print the hash. The password itself is neither shown nor kept."""
    if args.stdin:
        password = sys.stdin.readline(1_024).rstrip("\r\n")
    else:
        try:
            password = getpass.getpass("Password: ")
            again = getpass.getpass("Once more: ")
        except EOFError:
            raise Refused("no password was typed, so nothing was made; run it again") from None
        if password != again:
            raise Refused("the two are not the same, so nothing was made; run it again")
    out(f'password_hash = "{hash_password(password)}"')
    return 0
