"""Kills with -9 at random moments, the broker up and down: does every alarm transition reach a subscriber?

Real daemon, head (real time, failing and mending without end) and Mosquitto, which keeps its sessions on disk, since a
broker that forgets its subscribers delivers to nobody. Every tenth time the broker is killed too and stays away for a
while. At the end the subscriber's events are compared with the store to the byte, with each other (each alarm leaves
the state it last went to), and with the retained states; any fault ends the bench with an error.

A kill takes some three seconds, most of it waiting, so several ships, each with its own broker, run side by side.
Run: `python tests/bench/bench_kill.py [--kills 200] [--seed 1] [--ships 4]`; 2,000 take half an hour.
"""

import argparse
import random
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402

BROKER_EVERY = 10
START_EVERY = 4
"""One kill in so many comes at any moment, the start-up included; before the others the daemon has started."""
LIFE_S = (0.3, 3.5)


def main(kills: int, seed: int, ships: int) -> None:
    """Run them and print the sums."""
    begun_s = time.monotonic()
    shares = [kills // ships + (n < kills % ships) for n in range(ships)]
    with ThreadPoolExecutor(ships) as pool:
        sailed = list(pool.map(one_ship, [n for n in shares if n], range(seed, seed + ships)))
    print(f"{'what':50s} {'found':>8s}   due")
    for rows in zip(*sailed, strict=True):
        what, _, due = rows[0]
        print(f"{what:50s} {sum(found for _, found, _ in rows):8d}   {due}")
    print(f"{len(sailed)} ships, {(time.monotonic() - begun_s) / 60:.1f} min")


def one_ship(kills: int, seed: int) -> list[tuple[str, int, str]]:
    """One daemon, head, broker and subscriber."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        broker = rig.lasting_broker(place)
        try:
            return voyage(place, broker, kills, rng)
        finally:
            broker.stop()


def voyage(place: Path, broker: rig.Mosquitto, kills: int, rng: random.Random) -> list[tuple[str, int, str]]:
    """Kill and start; returns the figures. Raises AssertionError where the story has a fault."""
    config = rig.written(place, rig.example(place, broker.port))
    down = starts = 0
    with rig.listening(broker.port) as listener, rig.head(place, rig.restless(place, rounds=3_000)):
        for n in range(kills):
            life_s = rng.uniform(*LIFE_S)
            with rig.daemon(config) as process:
                if n % START_EVERY:
                    started(process, starts)
                if n % BROKER_EVERY == BROKER_EVERY - 1:
                    time.sleep(life_s / 2)
                    broker.kill()
                    down += 1
                    time.sleep(life_s / 2)
                else:
                    time.sleep(life_s)
            starts = starts_of(config.with_suffix(".log"))
            if n % BROKER_EVERY == 0 and n:
                time.sleep(rng.uniform(0.0, 1.0))
                broker.start()
        if down and kills % BROKER_EVERY == 0:
            broker.start()
        with rig.daemon(config) as last:
            started(last, starts)
            time.sleep(3.0)
            assert last.end() == 0
        data = place / "data"
        story = rig.settled(listener, data, 60.0)
    alarms = [h for h in story.first if h.body["kind"] == "alarm"]
    return [
        ("kills of the daemon", kills, ""),
        ("daemons that had started before they were killed", starts, ""),
        ("kills of the broker", down, ""),
        ("events stored", story.first[-1].body["seq"], ""),
        ("events that reached the subscriber", len(story.first), "as many, in order, no gap in seq"),
        ("alarm transitions among them", len(alarms), "each leaves the state the last one led to"),
        ("repeats under the same seq, same bytes", story.again, "any number"),
    ]


def starts_of(log: Path) -> int:
    """How many daemons have got so far as to log their start."""
    return log.read_text(encoding="utf-8").count('"daemon.started"')


def started(process: rig.Process, before: int) -> None:
    """Wait for one start more than before."""
    rig.until(lambda: starts_of(process.log) > before, "the daemon has started")


if __name__ == "__main__":
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("--kills", type=int, default=200)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--ships", type=int, default=4)
    asked = given.parse_args()
    main(asked.kills, asked.seed, asked.ships)
