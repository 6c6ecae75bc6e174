"""Words and phrases that are not plain technical English may only become fewer, until there are none."""

import re
from pathlib import Path

import pytest
import ratchet
import word_list


def test_they_only_become_fewer() -> None:
    """Over program, page and guides the sum is at most what it was; the files that have more than their share are named
    with lines and words. What moves to another file takes its share along. After a cleaning lower the counts:
    `python tests/word_list.py --lower`."""
    now, most = word_list.counts(), ratchet.most(word_list.MOST)
    more = {name: n - most.get(name, 0) for name, n in now.items() if n > most.get(name, 0)}
    left = f"{sum(now.values())} left, {sum(most.values())} may be; more than their share: {more}"
    print(left)  # noqa: T201
    lines = [f"{name}:{at}: {word}" for name in more for at, word in word_list.found(word_list.ROOT / name)]
    assert sum(now.values()) <= sum(most.values()), "\n".join([left, *lines])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("# told once\n", ["told"]),
        ("def f():\n    '''Says it anew.'''\n", ["anew", "says"]),
        ("log.info('it does not come round')\n", ["come round"]),
        ("x = f'{1} not to be  had'\n", ["not to be  had"]),
        ("def speak_untold(): pass\n", ["speak (in a name)", "untold (in a name)"]),
        ("class LeapWish: pass\n", ["leap (in a name)", "wish (in a name)"]),
        ("'''The number asked for.'''\n", []),
        ("x = 'the number asked for'\n", ["asked for"]),
        ("essay = 'a run, a line, a place; odd; of course'  # shelter, unsaid\n", []),
    ],
)
def test_they_are_found_where_they_stand(tmp_path: Path, text: str, words: list[str]) -> None:
    """In comments, docstrings, names and strings, as whole words; the second list in strings alone."""
    path = tmp_path / "x.py"
    path.write_text(text, encoding="utf-8")
    assert sorted(word for _, word in word_list.found(path)) == words


def test_they_are_found_on_the_page(tmp_path: Path) -> None:
    """In the page's files and the guides every line counts."""
    path = tmp_path / "x.js"
    path.write_text('const a = "Bring back";\n// told\n', encoding="utf-8")
    assert word_list.found(path) == [(1, "bring back"), (2, "told")]


def test_hours_have_their_thousands_apart() -> None:
    """Pins that no text of the program writes hours as 4006 h: page, alarm, terminal and report write 4,006 h."""
    found = [
        f"{path.relative_to(word_list.ROOT)}:{n}"
        for path in sorted((word_list.ROOT / "gateway").rglob("*.py"))
        for n, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1)
        if re.search(r":\.\d?[fg]\} (?:running hours|h\b)|(?<![\d.])\d{4,} h\b", line)
    ]
    assert found == []
    assert re.search(r":\.\d?[fg]\} (?:running hours|h\b)", 'f"{hours:.0f} h since"')
