"""SQL scripts of numbered steps, as ship and shore keep them."""

import sqlite3


def statements(script: str) -> list[str]:
    """The statements of an SQLite script, each with its semicolon."""
    found, text = [], ""
    for line in script.splitlines(keepends=True):
        text += line
        if sqlite3.complete_statement(text):
            found.append(text)
            text = ""
    return found
