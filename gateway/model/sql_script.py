"""SQL scripts of numbered steps, as ship and shore keep them."""

from collections.abc import Callable


def statements(script: str, complete: Callable[[str], bool]) -> list[str]:
    """The statements of a script, each with its semicolon. `complete`: whether a text ends a statement."""
    found, text = [], ""
    for line in script.splitlines(keepends=True):
        text += line
        if complete(text):
            found.append(text)
            text = ""
    return found
