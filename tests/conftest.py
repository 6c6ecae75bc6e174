"""Its place puts this folder on the import path, so that helpers beside it can be imported by tests in every folder."""

import os

# Before anything brings numpy in: the workers' threads of linear algebra would spin against each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
import structlog
from hypothesis import HealthCheck, settings

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
