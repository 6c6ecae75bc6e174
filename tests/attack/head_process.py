"""A simulated head in a process of its own: its loop breaks for 2.5 s in every six, and it prints when it starts.

    python -m tests.attack.head_process LINK ROUNDS

The first line on stdout is the monotonic clock (of the whole machine) at head time zero, so that another process knows
when each sample was due.
"""

import sys
import time
from pathlib import Path

from firmware_sim import Head, parse_scenario
from firmware_sim.outlets import PtyOutlet
from firmware_sim.play import play

FIRST_S, EVERY_S, BROKEN_S = 8.0, 6.0, 2.5


def broken_at_s(rounds: int) -> list[float]:
    """Head times at which the loop breaks."""
    return [FIRST_S + EVERY_S * n for n in range(rounds)]


def main(link: str, rounds: str) -> int:
    """Play until the scenario ends."""
    events = "".join(
        f'[[event]]\nat_s = {at_s}\nkind = "loop-broken"\nfor_s = {BROKEN_S}\n' for at_s in broken_at_s(int(rounds))
    )
    scenario = parse_scenario(f"[run]\nduration_s = {FIRST_S + EVERY_S * int(rounds)}\n{events}")
    outlet = PtyOutlet(lambda: False, Path(link))
    frames = Head(scenario).frames()
    sys.stdout.write(f"{time.monotonic()}\n")
    sys.stdout.flush()
    play(frames, outlet, 1.0, lambda: False)
    outlet.close()
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
