"""Changes a settings file in its text, so that its comments stay; what was meant is compared with what is then read."""

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from gateway.model.errors import Refused

Value = str | int | float | bool | list[str]
_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.-]+)\s*\]\]?\s*(#.*)?$")


class SettingsText:
    """The text in sections. `put` sets plain values in a table; tables in a row are known by one of their keys."""

    def __init__(self, text: str) -> None:
        self._sections: list[tuple[str, list[str]]] = [("", [])]
        for line in text.splitlines():
            found = _HEADER.match(line)
            if found:
                self._sections.append((found[2], [line]))
            else:
                self._sections[-1][1].append(line)

    def text(self) -> str:
        """All of it."""
        return "\n".join(line for _, lines in self._sections for line in lines).rstrip() + "\n"

    def put(self, table: str, values: Mapping[str, Value]) -> None:
        """Set values in the first table of this name; it is added where there is none."""
        self._put(next((lines for name, lines in self._sections if name == table), None), f"[{table}]", table, values)

    def put_in_row(self, table: str, key: str, values: Mapping[str, Value]) -> None:
        """The same for a table of a row (`[[table]]`): the one whose `key` has the value that is to be set."""
        self._put(self._of_row(table, key, values[key]), f"[[{table}]]", table, values)

    def put_below(self, row: str, key: str, value: Value, table: str, values: Mapping[str, Value]) -> bool:
        """Set values in the sub-table of the row whose `key` has this value; False where there is no such row."""
        mine = self._of_row(row, key, value)
        if mine is None:
            return False
        start = next(i for i, (_, lines) in enumerate(self._sections) if lines is mine)
        rest = self._sections[start + 1 :]
        end = next((i for i, (name, _) in enumerate(rest) if not name.startswith(f"{row}.")), len(rest))
        lines = next((x for name, x in rest[:end] if name == table), None)
        if lines is None:
            lines = ["", f"[{table}]"]
            self._sections.insert(start + 1, (table, lines))
        self._put(lines, f"[{table}]", table, values)
        return True

    def drop_from_row(self, table: str, key: str, value: Value) -> None:
        """Remove the table of a row whose `key` has this value."""
        gone = self._of_row(table, key, value)
        if gone is not None:
            self._sections = [s for s in self._sections if s[1] is not gone]

    def _of_row(self, table: str, key: str, value: Value) -> list[str] | None:
        wanted = re.compile(rf"^\s*{re.escape(key)}\s*=\s*{re.escape(json.dumps(value, ensure_ascii=False))}\s*(#.*)?$")
        return next((x for name, x in self._sections if name == table and any(map(wanted.match, x))), None)

    def _put(self, lines: list[str] | None, header: str, table: str, values: Mapping[str, Value]) -> None:
        if lines is None:
            lines = ["", header]
            self._sections.append((table, lines))
        for key, value in values.items():
            line = f"{key} = {json.dumps(value, ensure_ascii=False)}"
            at = next((i for i, old in enumerate(lines) if re.match(rf"^\s*{re.escape(key)}\s*=", old)), None)
            if at is None:
                lines.insert(next(i for i, old in enumerate(lines) if _HEADER.match(old)) + 1, line)
            else:
                comment = re.search(r"\s+#[^\"']*$", lines[at])
                lines[at] = line + (comment[0] if comment else "")

    def checked(self, table: str, values: Mapping[str, Value]) -> None:
        """Compare what a table now holds. Raises Refused where the file is laid out so that it does not."""
        try:
            read: Any = tomllib.loads(self.text())
        except tomllib.TOMLDecodeError as e:
            raise Refused(f"the settings cannot be changed by setup: {e}; correct them by hand") from None
        for part in table.split("."):
            read = read.get(part, {}) if isinstance(read, dict) else {}
        rows = read if isinstance(read, list) else [read]
        if not any(all(row.get(k) == v for k, v in values.items()) for row in rows):
            raise Refused(f"[{table}] cannot be changed by setup; write by hand: {dict(values)}")
