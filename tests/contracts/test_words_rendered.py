"""What a user reads, as the program shows it: every sheet, view, alarm, help, refusal of settings, and the guides.

Held against the word list without exception, and against 25 words for a sentence by counts that only fall
(`python tests/sentence_list.py`).
"""

import argparse
import re
import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
import ratchet
import sentence_list
import word_list
from pydantic import ValidationError

from gateway.alarm.table import ROWS
from gateway.alarm.wording import HELP, LIMIT_NAMES, WORDS, cleared_text, short_text
from gateway.cli.main import parser
from gateway.encode.event_words import KINDS
from gateway.encode.panel_list import signals
from gateway.model.outlet_checks import outlet_warnings
from gateway.model.settings_file import checked_settings
from gateway.model.validate import faults
from gateway.wear.datum import from_settings
from gateway.worksheet.catalogue import SHEETS, sheet
from gateway.worksheet.sheet import Facts

EXAMPLES = ("tern-passage.toml", "minimal.toml", "two-engines.toml")
BAD: tuple[Any, ...] = (-1e9, 1e30, "x" * 300, True, [], {}, "\0")
"""Put in place of each value of the example, one at a time."""


def examples() -> Iterator[tuple[str, dict[str, Any]]]:
    """The shipped settings as plain tables."""
    for name in EXAMPLES:
        yield name, tomllib.loads((word_list.ROOT / "config" / name).read_text(encoding="utf-8"))


def sheets() -> Iterator[tuple[str, str]]:
    """Every work sheet for every engine of the examples, with nothing typed."""
    for where, data in examples():
        for engine in checked_settings(data).engine:
            for name in SHEETS:
                s = sheet(name, Facts(engine, from_settings(engine)), {})
                parts = [s.title, *s.cautions, s.booking_wants, *(n.text for n in s.notices)]
                parts += [text for step in s.steps for text in (step.text, step.caution, step.confirm)]
                parts += [text for f in s.figures for text in (f.name, f.help)]
                parts += [text for i in s.inputs for text in (i.label, i.help, i.locked)]
                parts += [text for w in s.waits for text in (w.text, w.words)]
                yield from ((f"sheet {name}, {engine.slug} of {where}", part) for part in parts if part)


def alarms() -> Iterator[tuple[str, str]]:
    """Titles, actions, short texts, cleared texts, and the four lines of help."""
    for row in ROWS:
        words, lines = WORDS[row.tag], HELP[row.tag]
        texts = [words.title, words.action, short_text(row.tag, 1.5, 2.0), short_text(row.tag, None, None)]
        texts += [cleared_text(row.tag, 1.5, 2.0, row.unit)]
        texts += [lines.meaning, lines.causes, lines.first, lines.ashore]
        yield from ((f"alarm {row.tag}", text) for text in texts)
    yield from (("limits", text) for text in LIMIT_NAMES.values())
    yield from (("maintenance records", text) for text in KINDS.values())
    yield from (("panel's list", f"{s.signal}. {s.text}") for s in signals())


def helps() -> Iterator[tuple[str, str]]:
    """`--help` of every command and sub-command, argument by argument."""
    todo = [("camdrift", parser())]
    while todo:
        name, p = todo.pop()
        yield f"{name} --help", f"{p.description or ''}\n\n{p.epilog or ''}"
        for action in p._actions:
            if isinstance(action, argparse._SubParsersAction):
                todo += [(f"{name} {word}", inner) for word, inner in action.choices.items()]
            elif action.help and action.help != argparse.SUPPRESS:
                yield f"{name} {action.dest}", action.help


def refusals() -> Iterator[tuple[str, str]]:
    """What each wrong value of the example is answered with, and what `check` finds odd."""
    _, data = next(examples())
    for path in leaves(data):
        for bad in BAD:
            try:
                yield from (
                    ("check", warning) for warning in outlet_warnings(checked_settings(changed(data, path, bad)))
                )
            except ValidationError as e:
                yield from ((f"settings {'.'.join(path)}", line) for line in faults(e, whole="(whole file)", toml=True))


def leaves(node: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """Paths of all values that are no tables; of a list of tables the first."""
    if isinstance(node, dict):
        for key, inner in node.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(node, list) and node and isinstance(node[0], dict):
        yield from leaves(node[0], (*path, "0"))
    else:
        yield path


def changed(node: Any, path: tuple[str, ...], value: Any) -> Any:
    """A copy with another value there."""
    if not path:
        return value
    if isinstance(node, list):
        return [changed(node[0], path[1:], value), *node[1:]]
    return node | {path[0]: changed(node[path[0]], path[1:], value)}


RENDERED = {"sheets": sheets, "alarms": alarms, "help": helps, "refusals": refusals}
TERMS = re.compile(r"\b(?:may be reached|near limit|light: |let (?:her|it) run)\b", re.IGNORECASE)
"""Of the list of terms what its counting, file by file, does not look for."""


@pytest.mark.parametrize("what", list(RENDERED))
def test_no_word_of_the_list_is_shown(what: str) -> None:
    """In nothing that is rendered; tags of alarms stand in brackets or as what is typed, never as the text."""
    pieces = list(RENDERED[what]())
    assert len(pieces) > 50
    hits = {
        f"{where}: {m.group()!r} in {text!r}"
        for where, text in pieces
        for find in (word_list._SHOWN, TERMS)
        for m in find.finditer(text)
    }
    assert sorted(hits) == []


@pytest.mark.parametrize("what", list(RENDERED))
def test_rendered_sentences_are_short(what: str) -> None:
    """At most 25 words with all figures put in, but for those that are counted in their files."""
    hits = {(where, s) for where, text in RENDERED[what]() for s in sentence_list.long_sentences(text)}
    texts = sorted({s for _, s in hits})
    assert len(texts) <= MOST_RENDERED[what], "\n".join(f"{len(sentence_list.words_of(s))}: {s}" for s in texts)


MOST_RENDERED = {"sheets": 8, "alarms": 0, "help": 0, "refusals": 0}
"""These only fall."""


def test_long_sentences_only_become_fewer() -> None:
    """Over program, page, settings and guides; the files that have more than their share are named."""
    now, most = sentence_list.counts(), ratchet.most(sentence_list.MOST)
    more = {name: n - most.get(name, 0) for name, n in now.items() if n > most.get(name, 0)}
    left = f"{sum(now.values())} left, {sum(most.values())} may be; more than their share: {more}"
    assert sum(now.values()) <= sum(most.values()), left


@pytest.mark.parametrize(
    ("name", "text", "count"),
    [
        ("x.py", "'''" + "word " * 30 + ".'''\n", 0),
        ("x.py", "note('" + "word " * 26 + "')\n", 1),
        ("x.py", "note(f'" + "word " * 24 + "{x} {y}')\n", 1),
        ("x.py", "note('" + "word " * 20 + ". " + "Word " * 20 + ".')\n", 0),
        ("x.py", "run('SELECT " + "word " * 30 + "')\n", 0),
        ("x.md", "```\n" + "word " * 30 + "\n```\n| " + "word " * 30 + " |\n", 0),
        ("x.md", "- " + "word " * 20 + "\n- " + "word " * 20 + "\n", 0),
        ("x.md", "Some " + "word\n" * 26, 1),
        ("x.js", 'const a = "' + "word " * 26 + '"; // ' + "word " * 30 + "\n", 1),
        ("x.toml", "# " + "word " * 26 + "\nkey = 1 # x\n", 1),
    ],
)
def test_a_long_sentence_is_found_where_it_stands(tmp_path: Any, name: str, text: str, count: int) -> None:
    """In strings, scripts, guides and settings; not in docstrings, code, tables, queries."""
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    assert len(sentence_list.found(path)) == count
