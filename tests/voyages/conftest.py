"""`pytest tests/voyages --seed N` sails that one seed."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    """Known only where tests/voyages is named on the command line."""
    parser.addoption("--seed", type=int, default=None, help="sail this one seed of tests/voyages")
