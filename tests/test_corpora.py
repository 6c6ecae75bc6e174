"""Every input that a fuzzer found worth keeping, or that once failed, through its parser."""

from pathlib import Path

import pytest
from outside_bytes import TARGETS

CORPORA = Path(__file__).parent / "corpora"


def test_every_parser_has_a_corpus_and_the_other_way() -> None:
    """A new parser of outside bytes comes with inputs, and no folder lies there unread."""
    assert {p.name for p in CORPORA.iterdir()} == set(TARGETS)
    assert all(any((CORPORA / name).iterdir()) for name in TARGETS)


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_no_input_of_the_corpus_gets_past_the_parser(name: str) -> None:
    """Refusals of the product's own and bounded answers are all that any of them brings forth."""
    for path in sorted((CORPORA / name).iterdir()):
        try:
            TARGETS[name](path.read_bytes())
        except Exception as e:
            raise AssertionError(f"{path.relative_to(CORPORA)}: {type(e).__name__}: {e}") from e
