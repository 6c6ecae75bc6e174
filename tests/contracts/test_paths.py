"""The paths of a sample, an alarm and a person's act, as DEVELOPERS.md lists them, are those of the code."""

import ast
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
STEP = re.compile(r"^(\d+)\. (⇒ )?`([a-z_/]+\.py): ([A-Za-z_.]+)` \w")
STEPS_MAX = 10


@dataclass(frozen=True)
class Step:
    """One line of a list. `handed`: reached over a queue or by a returned list, not by a call."""

    handed: bool
    file: str
    name: str


def paths(text: str) -> dict[str, list[Step]]:
    """The numbered lists under `### Four paths`, by the first words of the line before them."""
    section = text.split("### Four paths\n", 1)[1].split("\n### ", 1)[0]
    found: dict[str, list[Step]] = {}
    title = ""
    for line in section.splitlines():
        if m := STEP.match(line):
            steps = found.setdefault(title, [])
            assert int(m[1]) == len(steps) + 1, f"{title}: {line}"
            steps.append(Step(m[2] is not None, m[3], m[4]))
        elif line:
            title = line
    return found


@cache
def function(file: str, name: str) -> ast.FunctionDef | ast.AsyncFunctionDef:
    """The function's source. Fails where there is none of that name."""
    body: list[ast.stmt] = ast.parse((ROOT / "gateway" / file).read_text(encoding="utf-8")).body
    *owners, last = name.split(".")
    for owner in owners:
        body = next(n.body for n in body if isinstance(n, ast.ClassDef) and n.name == owner)
    return next(n for n in body if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef) and n.name == last)


def calls(step: Step, wanted: str) -> list[tuple[int, int]]:
    """Where the function calls one of that name: where each call ends, which is when it is done."""
    last = wanted.rsplit(".", 1)[-1]
    found = []
    for node in ast.walk(function(step.file, step.name)):
        if isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", None)
            if called == last:
                found.append((node.end_lineno or 0, node.end_col_offset or 0))
    return found


def exists(step: Step) -> bool:
    """Is there a function of that name in that file?"""
    try:
        function(step.file, step.name)
    except (StopIteration, OSError):
        return False
    return True


def faults(steps: list[Step]) -> list[str]:
    """What of a list does not hold. A step that is not handed over must be called by one above it, the nearest that
    calls it, and after whatever that one calls for the steps between."""
    found = []
    missing = [step for step in steps if not exists(step)]
    if missing:
        return [f"{step.name}: there is none in {step.file}" for step in missing]
    for n, step in enumerate(steps):
        if n == 0 or step.handed:
            continue
        caller = next((k for k in range(n - 1, -1, -1) if calls(steps[k], step.name)), None)
        if caller is None:
            found.append(f"{step.name}: nothing above it calls it")
            continue
        between = [at for other in steps[caller + 1 : n] for at in calls(steps[caller], other.name)[:1]]
        if between and max(calls(steps[caller], step.name)) < max(between):
            found.append(f"{step.name}: {steps[caller].name} calls it before what stands above it")
    return found


PATHS = paths((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8"))


def test_there_are_the_four_paths() -> None:
    """A list that is not read would hold by itself."""
    assert [title.split(",")[0] for title in PATHS] == [
        "A sample",
        "An alarm",
        "A person's act",
        "A maintenance record",
    ]
    assert all(4 < len(steps) <= STEPS_MAX for steps in PATHS.values())


@pytest.mark.parametrize("title", list(PATHS), ids=lambda t: str(t).split(",")[0])
def test_a_path_is_what_the_code_does(title: str) -> None:
    """Every function is there, and is called by one above it, downwards or onwards."""
    assert faults(PATHS[title]) == []


def test_a_path_that_the_code_does_not_take_is_found() -> None:
    """A missing function, one that nobody above calls, and two in the wrong order."""
    feed, run = Step(False, "pipeline.py", "EnginePipeline.feed"), Step(False, "pipeline.py", "EnginePipeline._run")
    assert faults([feed, run]) == []
    assert faults([run, feed]) == ["EnginePipeline.feed: nothing above it calls it"]
    assert faults([Step(False, "pipeline.py", "EnginePipeline.gone")]) != []
    publish = Step(False, "engine/thread.py", "EngineThread._publish")
    order = ["encode_reading", "Publisher.publish_reading"]
    files = {"encode_reading": "encode/publish.py", "Publisher.publish_reading": "app/publisher.py"}
    right = [publish, *(Step(False, files[name], name) for name in order)]
    assert faults(right) == []
    assert faults([right[0], right[2], right[1]]) != []
