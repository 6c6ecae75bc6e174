"""Random schedules of kills between a ship and its shore: keeper, broker with its memory, watchers there or not.

Each schedule is the slow test's own (`tests/shore/test_shore_missing.py`), with another seed: six rounds of kills and
of events written aboard; then all are up, and every event that the ship holds must be ashore, each once. A real
gateway, Mosquitto without persistence, a real keeper.

Run: `python tests/bench/bench_shore_kills.py [--schedules 300] [--first 0] [--minutes 60] [--jobs 1]`. It stops at
either bound, and prints how many schedules it has run, which failed, and how long the last event took to be ashore.
"""

import argparse
import sys
import tempfile
import time
import traceback
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from statistics import median

sys.path[:0] = [
    str(Path(__file__).parents[2]),
    str(Path(__file__).parents[1]),
    str(Path(__file__).parents[1] / "shore"),
]


def one(seed: int) -> tuple[int, float, str]:
    """A schedule: its seed, how long it took in s, and why it failed (empty: it did not)."""
    import test_shore_missing as missing

    started = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="camdrift-kills-") as folder:
        try:
            missing.test_whatever_dies_in_whatever_order(Path(folder), seed)
        except BaseException:
            return seed, time.monotonic() - started, traceback.format_exc()[-3000:]
    return seed, time.monotonic() - started, ""


def main() -> int:
    """Run them."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--schedules", type=int, default=300)
    p.add_argument("--first", type=int, default=0, help="first seed")
    p.add_argument("--minutes", type=float, default=60.0)
    p.add_argument("--jobs", type=int, default=1)
    args = p.parse_args()
    end, done, failed = time.monotonic() + args.minutes * 60, [], []
    seeds = iter(range(args.first, args.first + args.schedules))
    with ProcessPoolExecutor(args.jobs) as pool:
        while time.monotonic() < end:
            batch = [seed for _, seed in zip(range(args.jobs), seeds, strict=False)]
            if not batch:
                break
            for seed, took_s, why in pool.map(one, batch):
                done.append(took_s)
                if why:
                    failed.append(seed)
                    print(f"seed {seed} failed after {took_s:.0f} s\n{why}", flush=True)
                elif len(done) % 10 == 0:
                    print(f"{len(done)} schedules, {len(failed)} failed", flush=True)
    print(f"{len(done)} schedules from seed {args.first}, {len(failed)} failed {failed or ''}; a schedule takes "
          f"{median(done):.1f} s (median), {max(done):.1f} s at most")  # fmt: skip
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
