"""Answers of `setup`: from a file, kept from the time before, or typed. Passwords are never kept."""

import getpass
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from gateway.model.errors import Refused, SettingsError
from gateway.model.fields import Section
from gateway.model.files import SECRET_BYTES_MAX, UnfitFile, read_small
from gateway.model.settings_file import checked_section
from gateway.model.toml_file import read_toml
from gateway.model.validate import faults

S = TypeVar("S", bound=Section)
TRIES = 3
PLAIN = (str, int, float, bool)


@dataclass(frozen=True, slots=True)
class Question:
    """One thing to ask. `part`: of the setup; `choices`: what there is, shown with numbers; `secret`: typed unseen and
    never kept; `instead`: the key of an answers file that answers it too."""

    key: str
    part: str
    text: str
    default: object = ""
    choices: Callable[[], list[str]] | None = None
    secret: bool = False
    instead: str = ""


def answers_of(kind: type[S], data: Mapping[str, object], file: str) -> S:
    """The answers, checked. Raises SettingsError, a line for each fault."""
    try:
        return checked_section(kind, dict(data))
    except ValidationError as e:
        raise SettingsError([f"{file}: {line}" for line in faults(e, whole="(whole file)")]) from None


def answers_file(path: Path) -> dict[str, object]:
    """A file of answers. Raises SettingsError."""
    return read_toml(path)


def kept(text: str | None) -> dict[str, object]:
    """Answers as the last run kept them; empty where there are none."""
    try:
        read = json.loads(text) if text else {}
    except ValueError:
        return {}
    return read if isinstance(read, dict) else {}


def to_keep(data: Mapping[str, object], questions: list[Question]) -> str:
    """What the next run begins with: plain answers, nothing that was typed unseen and no file that holds a password."""
    secret = {q.key for q in questions if q.secret}
    plain = {k: v for k, v in data.items() if isinstance(v, PLAIN) and "password" not in k and k not in secret}
    return json.dumps(plain, indent=1, ensure_ascii=False) + "\n"


def lacking(questions: list[Question], data: Mapping[str, object]) -> list[Question]:
    """The questions that an answers file leaves open."""
    return [q for q in questions if q.key not in data and q.instead not in data]


def ask(
    questions: list[Question],
    data: Mapping[str, object],
    parts: frozenset[str],
    keep: Callable[[Mapping[str, object]], None],
) -> dict[str, object]:
    """Ask what belongs to `parts`; Enter takes what stands in brackets. What was answered is kept by `keep`, also where
    the rest is not answered. Raises Refused at the end of the input."""
    found = dict(data)
    try:
        for q in questions:
            if q.part in parts:
                found[q.key] = _secret(q) if q.secret else _asked(q, found.get(q.key, q.default))
    finally:
        keep(found)
    return {k: v for k, v in found.items() if v not in ("", None)}


def _asked(q: Question, default: object) -> object:
    choices = q.choices() if q.choices else []
    for n, choice in enumerate(choices, 1):
        sys.stdout.write(f"  {n}  {choice}\n")
    for _ in range(TRIES):
        word = _line(f"{q.text} [{_shown(default)}]: ")
        if not word:
            return default
        if choices and word.isdecimal() and 1 <= int(word) <= len(choices):
            return choices[int(word) - 1]
        if not isinstance(default, bool):
            return int(word) if isinstance(default, int) and word.isdecimal() else word
        if word.lower() in ("y", "yes", "n", "no"):
            return word.lower().startswith("y")
        sys.stdout.write("  yes or no\n")
    raise Refused(f"{q.text}: no answer; run setup again, it begins with what was answered")


def _secret(q: Question) -> str:
    for _ in range(TRIES):
        try:
            first = getpass.getpass(f"{q.text} (empty: none): ")
            if not first or first == getpass.getpass("Once more: "):
                return first
        except EOFError:
            break
        sys.stdout.write("  the two are not the same\n")
    raise Refused(f"{q.text}: no answer; run setup again, it begins with what was answered")


def _line(text: str) -> str:
    sys.stdout.write(text)
    sys.stdout.flush()
    line = sys.stdin.readline(4_096)
    if not line:
        raise Refused("the input ended; run setup again, it begins with what was answered")
    return line.strip()


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) if value not in ("", None) else "none"


def secret_file(path: Path) -> str:
    """The first line of a file; a stick knows no owners, so setup reminds that it is to be deleted. Raises Refused."""
    try:
        lines = read_small(path, SECRET_BYTES_MAX).decode().splitlines()
    except (UnfitFile, UnicodeDecodeError) as e:
        raise Refused(f"{path}: {e}; give the path of a text file") from None
    if not lines or not lines[0]:
        raise Refused(f"{path}: is empty; write the password into its first line")
    return lines[0]
