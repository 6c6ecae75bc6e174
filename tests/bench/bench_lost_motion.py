"""How true the elongation by the lost motion is: locked drives, simulated at their manoeuvres, 50 seeds.

Range due: 85 to 95 % of the true growths since the retightening lie within 5–95 %, ride-out unknown and drawn from 0
to 1. Run: `python tests/bench/bench_lost_motion.py [SEEDS]`.
"""

import sys
from pathlib import Path

import numpy as np

sys.path[:0] = [str(Path(__file__).parents[n]) for n in (1, 2)]

from lost_motion_drives import LEG_S, Ship, locked_drive, locked_engine  # noqa: E402

AT_H = (1_000, 2_000, 3_500)


def covered(seed: int) -> list[tuple[float, float, float, float]]:
    """At each of the hours: true growth, and 5, 50, 95 % of that by the lost motion, per cent; NaN = not known."""
    scenario, begins = locked_drive(seed)
    ship = Ship(scenario, locked_engine())
    found, due = [], list(AT_H)
    for begin_s in begins:
        ship.manoeuvre(begin_s)
        t_s = begin_s + 4 * LEG_S
        hours = ship.hours(t_s)
        if due and hours - 20_000 >= due[0]:
            due.pop(0)
            r = ship.lost_motion().view(hours, ship.ride_out()).growth_percent
            ends = (np.nan if x is None else x for x in (r.p05, r.p50, r.p95))
            found.append((ship.grown_percent(t_s), *ends))
    return found


def main(seeds: int) -> None:
    """Print coverage and width at each of the hours."""
    rows = np.array([covered(seed) for seed in range(seeds)])
    for i, at in enumerate(AT_H):
        known = rows[:, i][~np.isnan(rows[:, i, 1])]
        true, low, middle, high = known.T
        held = np.mean((low <= true) & (true <= high))
        off = f"below {np.mean(true < low):.0%}, above {np.mean(true > high):.0%}"
        print(f"{at:>5} h: {held:.0%} of {len(known)} held, {seeds - len(known)} not known yet; {off}")
        print(
            f"         width {np.median(high - low):.4f} %, growth {np.median(true):.4f} %, "
            f"error of the median {np.median(np.abs(middle - true)):.4f} %"
        )
    rows = rows.reshape(-1, 4)
    true, low, _, high = rows[~np.isnan(rows[:, 1])].T
    print(f"all: {np.mean((low <= true) & (true <= high)):.1%}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
