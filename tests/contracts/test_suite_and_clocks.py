"""No test of the usual run passes or fails by how fast the machine is."""

import re
from pathlib import Path

import pytest
from hypothesis import settings

TESTS = Path(__file__).parents[1]
MEASURING = ("bench", "attack", "voyages")
"""Their business is time: scripts, tests marked slow, and time that is made up."""
BY_A_CLOCK = re.compile(
    r"\bdeadline ?="
    r"|\bassert [^#\n]*(?:monotonic|perf_counter|process_time|time\.time)\(\) - \w+ *<"
    r"|\bassert (?:\w+ *[<>]=? *)?(?:took|elapsed|seconds|wall|duration)\w* *<"
)
IMPATIENT = re.compile(r"(?:\btimeout=|\.(?:wait|join|get|result)\(|\bwithin_s=|\bread_some\([\w.]+, )(\d[\d_.]*)\b")
"""Bounded waits. Of a second or less they are a look now and then within a longer wait."""
PATIENCE_MIN_S = 100.0
LIMIT = re.compile(r"mark\.timeout\((\d[\d_]*)\)")


def sources() -> list[Path]:
    """The suite's files, but those that measure."""
    found = (p for p in sorted(TESTS.rglob("*.py")) if p.relative_to(TESTS).parts[0] not in MEASURING)
    return [p for p in found if p not in (Path(__file__), TESTS / "conftest.py")]


def test_no_test_is_judged_by_a_clock() -> None:
    """No deadline of an example, no assertion that something took less than so long."""
    found = {p.name: m.group() for p in sources() if (m := BY_A_CLOCK.search(p.read_text(encoding="utf-8")))}
    assert found == {}


def test_a_limit_only_ends_a_hang() -> None:
    """No test has less time than the suite gives to each, ten minutes."""
    limits = {p.name: int(n) for p in sources() for n in LIMIT.findall(p.read_text(encoding="utf-8"))}
    assert [name for name, limit in limits.items() if limit < 600] == []


def test_what_is_awaited_is_awaited_long() -> None:
    """No event is given up in less than a hundred seconds: that only ends a hang."""
    short = {
        f"{p.name}: {m.group()}"
        for p in sources()
        for m in IMPATIENT.finditer(p.read_text(encoding="utf-8"))
        if 1.0 < float(m[1]) < PATIENCE_MIN_S
    }
    assert short == set()


def test_one_profile_for_all_examples(request: pytest.FixtureRequest) -> None:
    """No deadline anywhere, and the same examples each time unless new ones are asked for."""
    assert settings.default is not None and settings.default.deadline is None
    asked = request.config.getoption("--hypothesis-profile")
    assert settings.default.derandomize == (asked is None)


@pytest.mark.parametrize(
    "line",
    [
        "@settings(max_examples=3, deadline=200)",
        "    assert time.monotonic() - began < 5.0",
        "    assert 0 < took_s < 2",
        "assert elapsed < 3",
    ],
)
def test_they_would_be_found(line: str) -> None:
    """The pattern finds what it is for."""
    assert BY_A_CLOCK.search(line)
