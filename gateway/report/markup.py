"""HTML and SVG from nested calls. Whatever is not `Markup` is text from outside and is escaped: no other way in."""

from collections.abc import Iterable
from html import escape

VOID = frozenset({"meta", "br", "hr", "col", "img", "input"})


class Markup(str):
    """Text that is markup already; only this module makes it."""

    __slots__ = ()


Child = str | float | Iterable["Child"] | None


def text(child: Child) -> Markup:
    """A child, or several, as markup; `None` is nothing."""
    if isinstance(child, Markup):
        return child
    if child is None:
        return Markup("")
    if isinstance(child, str):
        return Markup(escape(_printable(child), quote=False))
    if isinstance(child, int | float):
        return Markup(f"{child:g}")
    return Markup("".join(text(c) for c in child))


def tag(name: str, /, *children: Child, **attributes: str | float | None) -> Markup:
    """An element. An attribute loses a trailing underscore, inner ones become hyphens; `None` leaves it out."""
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_printable(_value(value)))}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in VOID:
        return Markup(f"<{name}{written}>")
    return Markup(f"<{name}{written}>{text(children)}</{name}>")


def style(rules: str) -> Markup:
    """A style element; `rules` are the program's own."""
    return Markup(f"<style>{rules}</style>")


def document(lang: str, *children: Child) -> str:
    """A whole HTML document."""
    return "<!doctype html>\n" + tag("html", *children, lang=lang) + "\n"


def _value(value: str | float) -> str:
    return value if isinstance(value, str) else f"{round(value, 2):g}" if abs(value) < 1e5 else f"{value:.0f}"


def _printable(raw: str) -> str:
    """HTML may hold no control characters, nor halves of a character: each becomes the mark for the unprintable."""
    return "".join(
        c if (c >= " " and not "\x7f" <= c <= "\x9f" and not _unfit(ord(c))) or c in "\n\t" else "\ufffd" for c in raw
    )


def _unfit(code: int) -> bool:
    return 0xD800 <= code <= 0xDFFF or 0xFDD0 <= code <= 0xFDEF or code & 0xFFFE == 0xFFFE
