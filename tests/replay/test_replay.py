"""Captures and what they must say, to the byte: events, alarms, trends, readings and the summary."""

import difflib
from pathlib import Path

import pytest
from replay_cases import CASES, FOLDER, Case

BLESS = "python tests/replay/bless.py"
CAPTURES_MAX_BYTES = 300_000


def expected(path: Path) -> bytes:
    """What was blessed; without it the case fails."""
    assert path.exists(), f"{path.name} of case {path.parent.name} is missing: run `{BLESS}`, read it, commit it"
    return path.read_bytes()


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_says_what_was_blessed(case: Case) -> None:
    """The same bytes say the same as on the day they were blessed, on stdout and on stderr."""
    for path, said in zip(case.expected, case.replay(), strict=True):
        wanted = expected(path)
        if said != wanted:
            lines = difflib.unified_diff(wanted.decode().splitlines(), said.decode().splitlines(), lineterm="", n=0)
            told = "\n".join(line[:200] for line in list(lines)[:12])
            pytest.fail(f"{case.name} says something else now; if that is right, run `{BLESS}`:\n{told}")


def test_every_folder_is_a_case() -> None:
    """No folder of a case is left unrun, and none is missing."""
    folders = {p.name for p in FOLDER.iterdir() if p.is_dir() and not p.name.startswith("__")}
    assert folders == {case.name for case in CASES}


def test_missing_expectation_fails(tmp_path: Path) -> None:
    """A case of which nothing was blessed fails and says how to bless it, instead of passing unread."""
    with pytest.raises(AssertionError, match=r"bless\.py"):
        expected(tmp_path / "expected.jsonl")


def test_captures_stay_small() -> None:
    """All captures together are small enough to live in the repository."""
    assert sum((case.folder / "capture.bin").stat().st_size for case in CASES) < CAPTURES_MAX_BYTES


TELLS = {
    "wear-in-bursts": ("tension-low", "lag-near", "lag-limit", "transducer-fault"),
    "manoeuvring": ('"running":"astern"', '"running":"turning"', '"running":"ahead"'),
    "rough-link": ("lag-step", "tooth", "cam-encoder-fault", "link-poor"),
    "four-stroke": ("tightener-moved",),
}


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_blessed_output_tells_the_scenario(case: Case) -> None:
    """What was blessed holds what the scenario plays, so that an empty output cannot be blessed unnoticed."""
    said = expected(case.expected[0]).decode()
    assert [word for word in TELLS[case.name] if word not in said] == []
