"""Tables of the report: a heading line that is repeated on each page, no row broken over two."""

from collections.abc import Iterable, Sequence

from gateway.report.markup import Child, Markup, tag

SHORT = 8
"""A table of so many rows is kept on one page."""


def table(caption: str, heads: Sequence[str], rows: Iterable[Sequence[Child]], class_: str = "plain") -> Markup:
    """A table whose first column names the row."""
    listed = list(rows)
    return tag(
        "table",
        tag("caption", caption),
        tag("thead", tag("tr", [tag("th", h, scope="col") for h in heads])),
        tag("tbody", [tag("tr", tag("th", r[0], scope="row"), [tag("td", c) for c in r[1:]]) for r in listed]),
        class_=f"{class_} {'short' if len(listed) <= SHORT else 'long'}",
    )
