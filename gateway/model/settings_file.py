"""The settings' file: TOML, every key known, every fault told.

What needs pydantic is here, not in `gateway.model.settings`: the running daemon does without (`gateway.model.marks`).
"""

import hashlib
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from gateway.model.errors import SettingsError
from gateway.model.marks import Section
from gateway.model.plain_data import NEEDED, TABLE_NEEDED
from gateway.model.settings import Settings

SHOWN_CHARS_MAX = 200
"""Of a key or a value in a reason: it is read in a terminal or a log."""

S = TypeVar("S", bound=Section)
_SETTINGS = TypeAdapter(Settings)
_SECTIONS: dict[type[Section], TypeAdapter[Any]] = {}
"""As they are asked for: to build one takes a hundred times as long as to check with it."""


def shipped_config(name: str) -> Path:
    """An example that travels with the package; in a checkout it lies in the folder `config`."""
    package = Path(__file__).resolve().parents[1]
    installed = package / "_config" / name
    return installed if installed.exists() else package.parent / "config" / name


def load_settings(path: Path) -> Settings:
    """Read and check a settings file. Raises SettingsError with one line per fault, `file: key: what is wrong`."""
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as e:
        raise SettingsError([f"{path}: cannot be read: {e.strerror}; give the path of a readable TOML file"]) from None
    except UnicodeDecodeError:
        raise SettingsError([f"{path}: is not UTF-8 text; save it as UTF-8"]) from None
    except tomllib.TOMLDecodeError as e:
        raise SettingsError([f"{path}: not valid TOML: {_short(str(e))}"]) from None
    except (ValueError, RecursionError):
        # What the TOML reader itself has no word for.
        raise SettingsError([f"{path}: not valid TOML: a number is too long, or tables lie too deep"]) from None
    try:
        return checked_settings(data)
    except ValidationError as e:
        raise SettingsError([_line(path, dict(err)) for err in e.errors()]) from None


def load_with_fingerprint(path: Path) -> tuple[Settings, str]:
    """Settings as `load_settings`, and their fingerprint: for the daemon, which lets this be done apart."""
    settings = load_settings(path)
    return settings, fingerprint(settings)


def checked_settings(data: object) -> Settings:
    """Settings from plain data, a mapping. Raises pydantic's ValidationError."""
    return _SETTINGS.validate_python(data)


def checked_section(kind: type[S], data: object) -> S:
    """One section from plain data, a mapping. Raises pydantic's ValidationError."""
    if kind not in _SECTIONS:
        _SECTIONS[kind] = TypeAdapter(kind)
    section: S = _SECTIONS[kind].validate_python(data)
    return section


def settings_json(settings: Settings) -> bytes:
    """All that is set, compact, keys in the order of the sections."""
    return _SETTINGS.dump_json(settings)


def fingerprint(settings: Settings) -> str:
    """Twelve hexadecimal digits of all that is set, however the file is laid out; the event of a start has it."""
    return hashlib.sha256(settings_json(settings)).hexdigest()[:12]


def _line(path: Path, err: dict[str, object]) -> str:
    loc = err["loc"]
    assert isinstance(loc, tuple)
    key = _short(".".join(str(p) for p in loc)) or "(whole file)"
    text = str(err["msg"]).removeprefix("Value error, ")
    if err["type"] in ("dataclass_type", "dict_type"):
        text = f"{TABLE_NEEDED}, as in {_heading(loc)}"
    elif err["type"] == "list_type":
        text = NEEDED[list]
    if err["type"] == "unexpected_keyword_argument":
        text = "unknown key; remove it or correct its spelling"
    elif err["type"] == "missing":
        text = "missing; this key must be given"
    elif "input" in err and not isinstance(err["input"], dict | list):
        text = f"{text}, not {_shown(err['input'])}"
    return f"{path}: {key}: {text}"


def _heading(loc: tuple[int | str, ...]) -> str:
    """The line that opens such a table in the file."""
    name = _short(".".join(p for p in loc if isinstance(p, str)))
    return f"[[{name}]]" if isinstance(loc[-1], int) else f"[{name}]"


def _shown(value: object) -> str:
    try:
        return _short(repr(value))
    except ValueError:
        return "a number of thousands of digits"


def _short(text: str) -> str:
    return text if len(text) <= SHOWN_CHARS_MAX else f"{text[:SHOWN_CHARS_MAX]}…"
