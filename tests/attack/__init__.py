"""Attacks on the running daemon over real sockets of loopback; `python -m tests.attack` prints the table."""
