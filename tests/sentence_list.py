"""Sentences for users that are too long: over 25 words. Where they still stand; the counts only fall.

What a user reads: the program's strings (docstrings are not), the page's strings, settings' comments, guides. A figure
that is put in counts as one word, as code in a guide does; tables and code blocks of a guide are no sentences. The list
of changes is left out: a line of it is a summary.

    python tests/sentence_list.py            what is left, file by file; with a file's name: the sentences themselves
    python tests/sentence_list.py --lower    write the counts of today as the most that may be; they are never raised
"""

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import ratchet
from word_list import GUIDES, PAGE, ROOT, VENDORED

MOST = ROOT / "tests" / "contracts" / "sentences_left.json"
WORDS_MAX = 25
END = re.compile(r"(?<=[.!?])[\"')*_]*\s+(?=[\"'(*_`]*(?:[A-Z0-9`]|camdrift\b))")
CODE = re.compile(r"`[^`\n]*`")
FIGURE = "0"
CODE_INDENT = "    "


def long_sentences(text: str) -> list[str]:
    """Of a text in paragraphs: those with more words than may be."""
    found: list[str] = []
    if len(text.split()) <= WORDS_MAX:
        return found
    for paragraph in re.split(r"\n\s*\n", text):
        sentences = END.split(CODE.sub("CODE", " ".join(paragraph.split())))
        found += [sentence for sentence in sentences if len(words_of(sentence)) > WORDS_MAX]
    return found


def words_of(sentence: str) -> list[str]:
    """What counts as a word: whatever has a letter or a figure in it."""
    return [word for word in sentence.split() if re.search(r"\w", word)]


def texts(path: Path) -> Iterator[str]:
    """What a user reads of a file, in pieces."""
    text = path.read_text(encoding="utf-8")
    if path.suffix == ".py":
        yield from _python(text)
    elif path.suffix == ".toml":
        yield from _comments(text)
    elif path.suffix == ".md":
        yield from _guide(text)
    elif path.suffix == ".js":
        yield from _script(text)


def _python(text: str) -> Iterator[str]:
    tree = ast.parse(text)
    unseen = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            unseen.update(id(part) for part in node.values)
    for node in ast.walk(tree):
        if id(node) in unseen:
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield from _string(node.value)
        elif isinstance(node, ast.JoinedStr):
            parts = (str(p.value) if isinstance(p, ast.Constant) else FIGURE for p in node.values)
            yield from _string("".join(parts))


_NO_PROSE = re.compile(r"\b(?:SELECT|DELETE FROM|INSERT INTO|NOT BETWEEN|CREATE)\b|\{[^}]*:[^}]*;")
"""Queries and style sheets."""
_COLUMN = re.compile(r"^\s*\w+ (?:text|number|whole|utc): ", re.MULTILINE)


def _string(text: str) -> Iterator[str]:
    """A list of columns is read line by line."""
    if not _NO_PROSE.search(text):
        yield from text.splitlines() if _COLUMN.search(text) else [text]


def _comments(text: str) -> Iterator[str]:
    block: list[str] = []
    for line in [*text.splitlines(), ""]:
        if line.startswith("#"):
            block.append(line.lstrip("# "))
        elif block:
            yield " ".join(block)
            block = []


def _guide(text: str) -> Iterator[str]:
    """Paragraphs and items of lists; no code, no table, no heading."""
    text = re.sub(r"^```.*?^```", "\n", text, flags=re.DOTALL | re.MULTILINE)
    lines = ["" if line.startswith(("|", "#", CODE_INDENT)) else line for line in text.splitlines()]
    # An item of a list begins a paragraph of its own.
    for paragraph in re.split(r"\n\s*\n|\n(?=\s*(?:[-*]|\d+\.) )", "\n".join(lines)):
        yield re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", paragraph)


_STRING = re.compile(r'"((?:[^"\\\n]|\\.)*)"|`((?:[^`\\]|\\.)*)`')


def _script(text: str) -> Iterator[str]:
    for line in text.splitlines():
        if not line.lstrip().startswith("//"):
            for plain, template in _STRING.findall(line):
                yield plain or re.sub(r"\$\{[^}]*\}", FIGURE, template)


def files() -> list[Path]:
    """The program's files, the page's, and the guides."""
    program = [p for p in (ROOT / "gateway").rglob("*") if p.suffix in {".py", *PAGE}]
    guides = [p for pattern in GUIDES if pattern != "CHANGES.md" for p in ROOT.glob(pattern)]
    return sorted(p for p in program + guides if not any(v in p.as_posix() for v in VENDORED))


def found(path: Path) -> list[str]:
    """The sentences of a file that are too long."""
    return [sentence for text in texts(path) for sentence in long_sentences(text)]


def counts() -> dict[str, int]:
    """How many stand in each file that has any."""
    return ratchet.counts(files(), found)


def main(words: list[str]) -> None:
    """List, or lower."""
    if "--lower" in words:
        ratchet.lower(MOST, counts())
    elif words:
        for name in words:
            sys.stdout.writelines(f"{len(words_of(s)):3}  {s}\n" for s in found(ROOT / name))
    else:
        sys.stdout.write(ratchet.table(counts()))


if __name__ == "__main__":
    main(sys.argv[1:])
