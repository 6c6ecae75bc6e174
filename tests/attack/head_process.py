"""A simulated head in a process of its own: for 3 s in every six it reports its loop as not valid.

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

FIRST_S, EVERY_S, BROKEN_S = 8.0, 6.0, 3.0
"""Whole seconds, as the gateway judges, and no break of the wire: five of these in five minutes are an intermittent
contact, whose alarm rightly stands on, and then nothing could be timed."""


def broken_at_s(rounds: int) -> list[float]:
    """Head times at which the loop breaks."""
    return [FIRST_S + EVERY_S * n for n in range(rounds)]


def main(link: str, rounds: str) -> int:
    """Play until the scenario ends."""
    events = "".join(
        f'[[event]]\nat_s = {at_s}\nkind = "loop-invalid"\nfor_s = {BROKEN_S}\n' for at_s in broken_at_s(int(rounds))
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
