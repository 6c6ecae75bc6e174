"""Its place puts this folder on the import path, so that helpers beside it can be imported by tests in every folder."""

import os

# Before anything brings numpy in: the workers' threads of linear algebra would spin against each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
import structlog


@pytest.fixture(autouse=True)
def _logs_as_new() -> None:
    """A test that ran a command in this process has set the logs of the whole process: they are nobody else's."""
    structlog.reset_defaults()
