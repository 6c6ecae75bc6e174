"""Both stores for every test that names one."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from shore_rig import PostgresServer, postgres_server


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A private PostgreSQL for the whole run."""
    with postgres_server("fsync=off") as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty store, of each kind."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'fleet.db'}"
    server: PostgresServer = request.getfixturevalue("postgres")
    return server.database()
