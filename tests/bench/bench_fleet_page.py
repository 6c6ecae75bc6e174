"""How fast the fleet's page answers over years of trends: PostgreSQL, hourly trends of some ships, all in the lists.

Run: `python tests/bench/bench_fleet_page.py [--ships 200] [--with-years 20] [--years 5]`. `--ships` stand in the
fleet's list; `--with-years` of them have hourly trends over so many years, in tables of months. It prints only.
"""

import argparse
import sys
import time
from contextlib import closing
from pathlib import Path
from statistics import median

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parents[1])]

import fleet_rig as rig  # noqa: E402
import httpx  # noqa: E402
from shore_rig import PREFIX, postgres_server, presence, trend  # noqa: E402

from gateway.encode.messages import rfc3339  # noqa: E402
from gateway.shore.check import check  # noqa: E402
from gateway.shore.database import open_database  # noqa: E402
from gateway.shore.store import FleetStore  # noqa: E402


def fill(url: str, ships: int, deep: int, years: float) -> int:
    """The lists by a keeper's own code, the years by the database, from one message. Gives how many trends."""
    now_s = rig.NOW_S
    with closing(FleetStore(url)) as store:
        for first in range(0, ships, 100):
            some = [f"v{n:05d}" for n in range(first, min(first + 100, ships))]
            sent = [m for v in some for m in (presence(v, "online", now_s), trend(v, ts=rfc3339(now_s)))]
            store.keep([check(t, p, PREFIX) for t, p in sent], now_s)
    # First one trend a month, whose tables are then there for all the others, as they are in a fleet's years.
    for step in ("1 month", "1 hour"):
        with closing(open_database(url, make=True)) as db:
            db.run("SET statement_timeout = 0")
            db.run(
                "INSERT INTO trend SELECT t.vessel, t.engine, g.at, t.hours, t.lag_deg_p05, t.lag_deg, t.lag_deg_p95, "
                "t.lag_deg_per_1000h, t.elongation_percent, t.elongation_percent_per_1000h, t.decision, t.message, "
                "t.spring_mm, t.lost_motion_deg FROM trend t CROSS JOIN generate_series(t.trend_at - "
                f"interval '{int(years * 8766)} hours', t.trend_at - interval '1 hour', interval '{step}') AS g(at) "
                "WHERE t.vessel < ? AND t.trend_at = (SELECT max(trend_at) FROM trend) ON CONFLICT DO NOTHING",
                (f"v{deep:05d}",),
            )
        with closing(FleetStore(url)) as store:
            store.months(now_s, now_s, now_s - (years + 1) * 365.25 * 86_400)
    with closing(open_database(url, make=True)) as db:
        db.run("ANALYZE")
        return int(db.run("SELECT count(*) FROM trend")[0][0])


def main() -> None:
    """Run it."""
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--ships", type=int, default=200)
    p.add_argument("--with-years", type=int, default=20)
    p.add_argument("--years", type=float, default=5.0)
    args = p.parse_args()
    with postgres_server("fsync=off") as server:
        url = server.database()
        started = time.monotonic()
        rows = fill(url, args.ships, args.with_years, args.years)
        print(f"{args.ships} ships, {args.with_years} of them with {args.years:g} years: {rows:,} trends, "
              f"loaded in {time.monotonic() - started:.0f} s")  # fmt: skip
        with rig.served(url, rig.settings()) as base, httpx.Client(base_url=base, timeout=180) as c:
            c.post("/login", data={"name": "vera", "password": rig.PASSWORD, "next": "/"})
            for path in ("/", "/engine/v00003/main?years=5", "/engine/v00003/main?years=1", "/plan", "/fleet.csv"):
                took = []
                for _ in range(7):
                    began = time.monotonic()
                    assert c.get(path).status_code == 200, path
                    took.append(time.monotonic() - began)
                print(f"{path:32} {median(took) * 1000:6.0f} ms (median of 7), {max(took) * 1000:.0f} ms at most")


if __name__ == "__main__":
    main()
