"""Words and phrases that may not come back, and where they still stand. Reviewed by hand: each has one meaning here.

Left out are words with a right use: run, line, place, odd, plain, sum, room, door (of a crankcase), course (over
ground), booking (a key of the interface; the user's verb is `book`), apart, beside, nobody.

    python tests/word_list.py            what is left, file by file
    python tests/word_list.py --lower    write the counts of today as the most that may be; they are never raised
"""

import ast
import io
import re
import sys
import tokenize
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import ratchet
from ratchet import ROOT

MOST = ROOT / "tests" / "contracts" / "words_left.json"

EVERYWHERE = (
    r"told", r"tells?", r"telling", r"untold", r"said", r"says?", r"saying", r"speaks?", r"speaking", r"spoken",
    r"nought", r"anew", r"begun", r"wanting", r"wholly", r"weighty", r"weightier", r"strangers?",
    r"leaps?", r"leapt", r"leaping", r"she", r"let her", r"not to be had", r"no leave", r"leave to (?:open|work|refit)",
    r"(?:come|comes|came) round", r"held against", r"put away", r"well again", r"beside at least", r"by the clock",
    r"yardstick", r"strayed", r"mended", r"borne out", r"bears? out", r"thence", r"hark",
)  # fmt: skip
"""In comments, docstrings, log events, other strings, and in what a user reads."""
SHOWN = (
    r"bring back", r"aired", r"loosed", r"holds the spanner", r"dances", r"no good frame", r"reading good",
    r"storage: well", r"load on people", r"to be read with care", r"read with care", r"asked for", r"early end",
    r"held back by", r"as the device", r"tell of", r"first look", r"stood, by",
)  # fmt: skip
"""Besides, in what a user reads: strings of the program, the page's files, settings and guides."""
NAMES = ("told", "untold", "tell", "say", "said", "speak", "spoken", "nought", "anew", "begun", "leap", "leapt",
         "stranger", "strangers", "wish", "tally", "desk", "shelf", "aside", "asides", "calm", "wanting")  # fmt: skip
"""As a part of a name in the code."""

PAGE = {".js", ".html", ".css"}
GUIDES = ("README.md", "CHANGES.md", "config/*.toml", "deploy/**/*.md")
VENDORED = ("vendor", "uplot", "uPlot")


def _any_of(words: tuple[str, ...]) -> re.Pattern[str]:
    return re.compile(r"\b(?:" + "|".join(w.replace(" ", r"\s+") for w in words) + r")\b", re.IGNORECASE)


_EVERYWHERE, _SHOWN = _any_of(EVERYWHERE), _any_of(EVERYWHERE + SHOWN)
_PARTS = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])")


def found(path: Path) -> list[tuple[int, str]]:
    """(line, word) of each in one file."""
    text = path.read_text(encoding="utf-8")
    return sorted(_in_python(text) if path.suffix == ".py" else _in_text(text))


def _in_text(text: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(text.splitlines(), 1):
        yield from ((number, m.group().lower()) for m in _SHOWN.finditer(line))


def _in_python(text: str) -> Iterator[tuple[int, str]]:
    documented = _docstring_lines(text)
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        at = token.start[0]
        if token.type == tokenize.NAME:
            parts = {part.lower() for part in _PARTS.findall(token.string)}
            yield from ((at, f"{word} (in a name)") for word in sorted(parts & set(NAMES)))
        elif token.type == tokenize.COMMENT or at in documented:
            yield from ((at, m.group().lower()) for m in _EVERYWHERE.finditer(token.string))
        elif token.type in TEXT_TOKENS:
            yield from ((at, m.group().lower()) for m in _SHOWN.finditer(token.string))


TEXT_TOKENS = {tokenize.STRING, getattr(tokenize, "FSTRING_MIDDLE", tokenize.STRING)}


def _docstring_lines(text: str) -> set[int]:
    """Lines on which a string begins that nobody assigns: docstrings, also those under an attribute."""
    strings = (n for n in ast.walk(ast.parse(text)) if isinstance(n, ast.Expr) and isinstance(n.value, ast.Constant))
    return {n.lineno for n in strings}


def files() -> list[Path]:
    """The program's files, the page's, and the guides."""
    program = [p for p in (ROOT / "gateway").rglob("*") if p.suffix in {".py", *PAGE}]
    guides = [p for pattern in GUIDES for p in ROOT.glob(pattern)]
    return sorted(p for p in program + guides if not any(v in p.as_posix() for v in VENDORED))


def counts() -> dict[str, int]:
    """How many stand in each file that has any."""
    return ratchet.counts(files(), found)


if __name__ == "__main__":
    now = counts()
    if "--lower" in sys.argv:
        ratchet.lower(MOST, now)
    words = Counter(word for p in files() for _, word in found(p))
    sys.stdout.write(f"{ratchet.table(now)}{dict(words.most_common())}\n")
