"""deploy/shore/README.md: the package's way comes first, and each of its commands is one that the program takes."""

import re
import shlex
from pathlib import Path

import pytest

from gateway.cli.main import parser

GUIDE = (Path(__file__).parents[2] / "deploy/shore/README.md").read_text(encoding="utf-8")
PACKAGE, _, APPENDIX = GUIDE.partition("\n## Appendix")
CALL = re.compile(r"(?:^|\s|;)(?:camdrift-shore|ashore) (?=[a-z])(.*)")


def commands(text: str) -> list[list[str]]:
    """Words of each call of `camdrift-shore` in shell blocks and in code between the words."""
    blocks = "".join(re.findall(r"```sh\n(.*?)```", text, re.DOTALL)).replace("\\\n", " ")
    lines = [line for line in blocks.splitlines() if not line.startswith("apt ")]
    lines += re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
    found = [match.group(1) for line in lines if (match := CALL.search(line))]
    return [shlex.split(one.split("  #")[0]) for one in found]


@pytest.mark.parametrize("words", commands(PACKAGE), ids=" ".join)
def test_each_command_is_one_of_the_program(words: list[str]) -> None:
    """Its command, options and arguments are those of the command line."""
    if words[:2] == ["close-gap", "…"]:
        words = ["close-gap", "--store", "s", "g", "1", "2", *words[2:]]
    assert parser(["shore"]).parse_args(["shore", *words]).shore == words[0]


def test_the_commands_are_found() -> None:
    """The check above looks at what the guide is for: setting up, looking, notices, and emptying a keeper."""
    found = commands(PACKAGE)
    assert {"setup", "fleet", "watch", "report", "export", "notify", "keep", "close-gap"} <= {w[0] for w in found}
    assert any("--drain" in words for words in found)


def test_the_long_way_is_an_appendix_with_its_reason() -> None:
    """What is before it needs no folder of the long way; the appendix begins with why it is there."""
    assert "/opt/camdrift" not in PACKAGE and "pip install" not in PACKAGE
    assert "where the package does not fit" in APPENDIX.partition("###")[0]
