"""Its place puts this folder on the import path, so that helpers beside it can be imported by tests in every folder."""

import os
import sys
from collections.abc import Generator, Iterator
from typing import Any

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


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One browser for all files of a worker: starting it costs as much as a test of the page. Its users take it
    `as_new`."""
    import page_browser

    if page_browser.WHY_NOT is not None:
        pytest.skip(page_browser.WHY_NOT)
    with page_browser.chromium() as made:
        yield made


@pytest.fixture
def driver(browser: Any) -> Any:
    """It, as new, for one test."""
    import page_browser

    return page_browser.as_new(browser)


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(
    collector: pytest.Collector,
) -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Each worker begins at another place of a folder: in a fresh clone all would compile the same file at the same
    time, each for itself; so one compiles it and the others read what it has left. The order is made the same below."""
    report = yield
    worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw")
    if isinstance(collector, pytest.Directory):
        at = len(report.result) * int(worker) // int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
        report.result = [*report.result[at:], *report.result[:at]]
    return report


WAITING = (
    "tests/faults/",
    "tests/shore/",
    "tests/cli/",
    "tests/outlets/page/",
    "tests/outside/test_page_wcag",
    "tests/deploy/",
    "tests/test_",
)
"""Long files that mostly wait, for processes that they start."""
COMPUTING = ("tests/wear/", "tests/sea/", "tests/measure/")
"""Long files that do sums all the time."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files that take long come first, those that wait and those that do sums evenly mixed, so that the cores are busy
    all the time and no worker is left with a long one at the end; the others follow by name."""
    files = sorted({item.nodeid.split("::")[0] for item in items})
    place: dict[str, float] = {}
    for starts in (WAITING, COMPUTING):
        kind = sorted((f for f in files if f.startswith(starts)), key=lambda f: _first(f, starts))
        place.update((f, (n + 0.5) / len(kind)) for n, f in enumerate(kind))
    items.sort(key=lambda item: (place.get(file := item.nodeid.split("::")[0], 1.0), file))


def _first(file: str, starts: tuple[str, ...]) -> int:
    return next(n for n, start in enumerate(starts) if file.startswith(start))
