"""Does the daemon grow? An hour and more of running, sped up, with alarms coming and going all the time.

Real processes; the head runs N times faster than time, and the daemon counts time by the head. Resident memory,
threads and descriptors are read twelve times; due is that the last third is no higher than the middle third, within
what one block of the allocator (1 MiB) makes. Run: `python tests/bench/bench_growth.py [SECONDS] [TIMES_FASTER]`.
"""

import sys
import tempfile
import time
from pathlib import Path
from statistics import fmean

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import daemon_rig as rig  # noqa: E402
from bench_live import Use, use_of  # noqa: E402

LOOKS = 12
GROWTH_DUE_MIB = 1.0


def main(seconds: float, faster: float) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        broker = rig.lasting_broker(place)
        data = rig.example(place, broker.port, reading_every_s=10)
        data["time"] = {"source": "head", "start": "2026-03-01T00:00:00Z"}
        scenario = rig.restless(place, rounds=3_000, spell_s=10.0)
        uses: list[tuple[float, Use]] = []
        try:
            with rig.head(place, scenario, "--speed", f"{faster}"), rig.daemon(rig.written(place, data)) as process:
                for _ in range(LOOKS):
                    time.sleep(seconds / LOOKS)
                    uses.append((head_s(place), use_of(process.child.pid)))
                assert process.end() == 0
        finally:
            broker.stop()
        events = rig.StateReader(place / "data").events(0, 1, newest_first=True)[0].seq
    print(f"{'head time, min':>14s} {'resident, MiB':>14s} {'threads':>8s} {'descriptors':>12s}")
    for t_s, use in uses:
        print(f"{t_s / 60:14.1f} {use.resident_mib:14.2f} {use.threads:8d} {use.descriptors:12d}")
    third = LOOKS // 3
    middle = fmean(u.resident_mib for _, u in uses[third : 2 * third])
    late = fmean(u.resident_mib for _, u in uses[2 * third :])
    print(f"{events} events; last third over middle third: {late - middle:+.2f} MiB, due under {GROWTH_DUE_MIB:g} MiB")


def head_s(place: Path) -> float:
    """How far the daemon has come in the head's time, as it last kept it."""
    return float(rig.checkpoint(place / "data")["timeline"]["t_us"]) / 1e6


if __name__ == "__main__":
    main(
        float(sys.argv[1]) if len(sys.argv) > 1 else 180.0,
        float(sys.argv[2]) if len(sys.argv) > 2 else 30.0,
    )
