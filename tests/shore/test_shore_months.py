"""PostgreSQL's tables of months: made ahead, late rows moved into them, dropped when too old. In SQLite none."""

from contextlib import closing

from shore_rig import PREFIX, UTC, PostgresServer, trend

from gateway.encode.messages import rfc3339
from gateway.shore.check import check
from gateway.shore.database import open_database, steps
from gateway.shore.months import begins, month_of, part_of
from gateway.shore.store import FleetStore

MONTH_S = 31 * 86_400.0


def keep(store: FleetStore, *at_s: float) -> None:
    store.keep([check(*trend("a", ts=rfc3339(at)), PREFIX) for at in at_s], UTC)


def test_months_are_made_filled_and_dropped(store_url: str) -> None:
    """Over rows of now, of a late message, of a clock a hundred years ahead; the same rows stay to be read."""
    with closing(FleetStore(store_url)) as store:
        keep(store, UTC, UTC - 10 * MONTH_S, UTC + 1_200 * MONTH_S)
        made = store.months(UTC, UTC - 2 * MONTH_S, UTC - 20 * MONTH_S)
        keep(store, UTC + 60, UTC, UTC - 10 * MONTH_S)
        assert store.months(UTC, UTC - 2 * MONTH_S, UTC - 20 * MONTH_S) == []
        with closing(open_database(store_url, make=False)) as db:
            assert db.run("SELECT count(*) FROM trend") == [(4,)], "a copy changes nothing, also across the tables"
            if store_url.startswith("sqlite"):
                assert made == []
                return
            late = part_of("trend", month_of(UTC - 10 * MONTH_S))
            assert f"made {late}" in made and len(made) == 11
            assert db.run(f"SELECT count(*) FROM {late}") == [(1,)]
            assert db.run("SELECT count(*) FROM trend_other") == [(1,)], "what a wrong clock has sent"
        assert store.months(UTC, UTC - 2 * MONTH_S, UTC - 5 * MONTH_S) == [f"dropped {late}"]
        with closing(open_database(store_url, make=False)) as db:
            assert db.run("SELECT count(*) FROM trend") == [(3,)]


def test_a_store_of_before_is_divided_with_all_its_rows(postgres: PostgresServer) -> None:
    """The step from one table to months, over rows that are there."""
    import psycopg

    url = postgres.database()
    with psycopg.connect(url, autocommit=True) as db:
        db.execute("CREATE TABLE schema_step (step integer PRIMARY KEY)")
        for number, script in enumerate(steps("postgresql")[:5], start=1):
            db.execute(script.encode())
            db.execute("INSERT INTO schema_step VALUES (%s)", (number,))
        db.execute(
            "INSERT INTO trend (vessel, engine, trend_at, decision, message, spring_mm) VALUES "
            "('a', 'main', '2031-02-03T04:05:00Z', 'nothing', '{}', 181.5)"
        )
    with closing(FleetStore(url)) as store, closing(open_database(url, make=False)) as read:
        assert read.run("SELECT vessel, spring_mm FROM trend") == [("a", 181.5)]
        at = 1_927_800_000.0
        assert part_of("trend", month_of(at)) == "trend_2031_02" and begins(month_of(at) + 11) == "2032-01-01"
        assert "made trend_2031_02" in store.months(at, at, at)
        assert read.run("SELECT spring_mm FROM trend_2031_02") == [(181.5,)]
