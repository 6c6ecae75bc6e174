"""Names of people, left out of what is shown to somebody who has not logged in: a name is half of a log-in."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from gateway.outlets.page.commission_shapes import CommissionAnswer
from gateway.wear.bookings import Entry, Note

HIDDEN = "(log in to see)"
_PEOPLE = ("by", "person")
_FREE = ("text", "note", "why", "away")


class Mask:
    """`names`: of the page's users, wherever they stand in a text."""

    def __init__(self, names: Iterable[str]) -> None:
        self._names = sorted(names, key=len, reverse=True)

    def text(self, text: str, *more: str) -> str:
        """A text without the users' names, nor those in `more`."""
        for name in (*more, *self._names):
            text = re.sub(rf"(?<![\w.-]){re.escape(name)}(?![\w-])", HIDDEN, text)
        return text

    def event(self, body: Mapping[str, Any]) -> dict[str, Any]:
        """An event or a booking as published, its people and their names left out."""
        people = [str(body[key]) for key in _PEOPLE if body.get(key)]
        found = dict(body)
        for key in _PEOPLE:
            if found.get(key):
                found[key] = HIDDEN
        for key in _FREE:
            if isinstance(found.get(key), str):
                found[key] = self.text(found[key], *people)
        return found

    def away(self, text: str) -> str:
        """Who shelved an alarm and why, `name: why`, without the name."""
        _, colon, why = text.partition(": ")
        return f"{HIDDEN}: {self.text(why)}" if colon else self.text(text)

    def commission(self, shown: CommissionAnswer) -> CommissionAnswer:
        """A commissioning; the record to print is nothing but names and findings, so it is left out."""
        rows = [
            row.model_copy(
                update={"by": HIDDEN if row.by else "", "lines": tuple(self.text(x, row.by) for x in row.lines)}
            )
            for row in shown.tasks
        ]
        signed = [s.model_copy(update={"name": HIDDEN, "by": HIDDEN}) for s in shown.signed]
        return shown.model_copy(update={"tasks": tuple(rows), "signed": tuple(signed), "text": ""})

    def sheet(self, made: Mapping[str, Any]) -> dict[str, Any]:
        """A work sheet, without who ticked."""
        record = made.get("record")
        if record is None:
            return dict(made)
        ticks = {
            key: {**tick, "by": HIDDEN, "second_by": tick["second_by"] and HIDDEN}
            for key, tick in record["ticks"].items()
        }
        hidden = {"opened_by": HIDDEN, "ticks": ticks, "reasons": [HIDDEN for _ in record["reasons"]]}
        return {**made, "record": {**record, **hidden}}

    def entry(self, entry: Entry) -> Entry:
        """A booking. Photos are left out, since people may be seen in them."""
        shown = replace(entry, person=HIDDEN, note=self.text(entry.note, entry.person))
        return replace(shown, photos=[]) if isinstance(shown, Note) else shown
