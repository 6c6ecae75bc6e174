"""Its place puts this folder on the import path, so that helpers beside it can be imported by tests in every folder."""

import os
import sys

# Before anything brings numpy in: the workers' threads of linear algebra would spin against each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
import structlog
from hypothesis import HealthCheck, settings

# Where bytecode is switched off each worker would rewrite the tests, and each command that a test starts would compile
# the program, over and over: a tenth of the suite's time.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# One profile for the suite: the same examples in each run, and nothing that depends on how busy the machine is (neither
# the deadline of an example nor the check of how fast they are made). A test sets `max_examples` where it needs more or
# fewer. `--hypothesis-profile=search` looks for new ones.
settings.register_profile(
    "suite",
    max_examples=100,
    deadline=None,
    derandomize=True,
    database=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("search", parent=settings.get_profile("suite"), derandomize=False)
settings.load_profile("suite")


@pytest.fixture(autouse=True)
def _logs_as_new() -> None:
    """A test that ran a command in this process has set the logs of the whole process: they are nobody else's."""
    structlog.reset_defaults()


LONGEST_FIRST = (
    "tests/faults/",
    "tests/shore/",
    "tests/cli/",
    "tests/outlets/page/",
    "tests/outside/test_page_wcag",
    "tests/wear/",
    "tests/test_",
)
"""So that no worker is left with one of these at the end while the others have nothing to do."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take long come first, in the order of the list; the others stay as they are."""

    def rank(item: pytest.Item) -> int:
        return next((n for n, start in enumerate(LONGEST_FIRST) if item.nodeid.startswith(start)), len(LONGEST_FIRST))

    items.sort(key=rank)
