"""A settings file's tables, not validated; and what small commands need of them, without the validating library."""

import re
import tomllib
from pathlib import Path

from gateway.model.errors import SettingsError
from gateway.model.files import SETTINGS_BYTES_MAX, UnfitFile, read_small

DATA_DIR = Path("/var/lib/camdrift")
SOCKET_NAME = "camdrift.sock"
KEY_CHARS_MAX = 200
"""Of a key or of a parser's words in a reason: it is read in a terminal or a log."""
_LONG_KEY = re.compile(r"""(?<![\w"'.-])(?:[\w"'-]+[ \t]*\.[ \t]*){20}""")
"""Names of tables joined by dots. The reader's time grows with the square of their number: 30,000 took 14 s, and a file
may hold 500,000."""


def read_toml(path: Path) -> dict[str, object]:
    """The file's tables, not validated. Raises SettingsError."""
    try:
        text = read_small(path, SETTINGS_BYTES_MAX).decode()
        if _LONG_KEY.search(text):
            raise SettingsError([f"{path}: a key of 20 or more parts joined by dots; no key has more than 4"])
        return tomllib.loads(text)
    except UnfitFile as e:
        raise SettingsError([f"{path}: {e}; give the path of a readable TOML file"]) from None
    except UnicodeDecodeError:
        raise SettingsError([f"{path}: is not UTF-8 text; save it as UTF-8"]) from None
    except tomllib.TOMLDecodeError as e:
        raise SettingsError([f"{path}: not valid TOML: {shortened(str(e), KEY_CHARS_MAX)}"]) from None
    except (ValueError, RecursionError):
        # What the TOML reader itself has no word for.
        raise SettingsError([f"{path}: not valid TOML: a number is too long, or tables lie too deep"]) from None


def socket_of(path: Path, data_dir: Path | None) -> Path:
    """Where the daemon of this settings file listens; `data_dir`: in place of the file's. Raises SettingsError."""
    gateway = read_toml(path).get("gateway", {})
    if not isinstance(gateway, dict):
        raise SettingsError([f"{path}: gateway: a table is needed, as in [gateway]"])
    for key in ("socket", "data_dir"):
        if not isinstance(gateway.get(key, ""), str) or "\0" in gateway.get(key, ""):
            raise SettingsError([f"{path}: gateway.{key}: a path as text is needed"])
    if "socket" in gateway:
        return Path(gateway["socket"])
    return Path(data_dir or gateway.get("data_dir", DATA_DIR)) / SOCKET_NAME


def shortened(text: str, most: int) -> str:
    """The text, or its beginning."""
    return text if len(text) <= most else f"{text[:most]}…"


def printable(text: str) -> str:
    """The text on one line, control characters written out."""
    return text if text.isprintable() else ascii(text)[1:-1]
