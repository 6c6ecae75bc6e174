"""What all the fleet's pages share: the frame, tables, forms. HTML made by the server, without scripts."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import parse_qs

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from gateway.model.errors import Refused
from gateway.report.markup import Child, Markup, document, tag
from gateway.web.sessions import Session

BODY_BYTES_MAX = 16_384
BODY_S = 10.0
VIEWS = (("/", "Fleet"), ("/plan", "Planning"), ("/sisters", "Sister engines"), ("/notices", "Notices"))
NAME = "Fleet: chain drives"
LIMITS = (
    "A monitoring aid ashore. Nothing on this page acts aboard. It never replaces the maker's manual, class rules, the "
    "safety management system, a permit to work or a licensed engineer's judgement."
)


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who is logged in, and as what."""

    session: Session
    role: str

    @property
    def plans(self) -> bool:
        """May keep port stays."""
        return self.role == "planner"


def page(title: str, here: str, visitor: Visitor | None, *content: Child, status: int = 200) -> Response:
    """A whole page. `here`: the path of its view."""
    items = []
    for path, name in VIEWS if visitor else ():
        items.append(tag("li", tag("a", name, href=path, aria_current="page" if path == here else None)))
    who = None
    if visitor is not None:
        who = form("/logout", visitor, tag("button", f"Log out {visitor.session.user}", type="submit", class_="quiet"))
    body = tag(
        "body",
        tag("a", "Go to the figures", class_="skip", href="#view"),
        tag("header", tag("div", tag("h1", NAME), class_="who"), tag("div", who, class_="tools"), class_="top"),
        tag("nav", tag("ul", items), class_="views", aria_label="Views") if items else None,
        tag("main", tag("h2", title), *content, id="view", tabindex="-1"),
        tag("footer", tag("p", LIMITS)),
    )
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", f"{title} - Fleet"),
        Markup('<link rel="icon" href="/static/icon.svg"><link rel="stylesheet" href="/static/page.css">'),
        Markup('<link rel="stylesheet" href="/static/fleet.css">'),
    )
    return HTMLResponse(document("en", head, body), status, headers={"cache-control": "no-store"})


def form(action: str, visitor: Visitor | None, *content: Child, class_: str | None = None) -> Markup:
    """A form that posts; with a log-in it bears the log-in's own token."""
    token = tag("input", type="hidden", name="token", value=visitor.session.csrf) if visitor else None
    return tag("form", token, *content, method="post", action=action, class_=class_)


def table(
    caption: str, heads: Sequence[str], rows: Sequence[Sequence[Child]], *, numbers: Sequence[int] = ()
) -> Markup:
    """A table; `numbers`: columns of figures. On a narrow screen each row stands alone, cells behind their heads."""
    if not rows:
        return tag("p", "None.", class_="words")
    head = tag("tr", [tag("th", h, scope="col", class_="n" if i in numbers else None) for i, h in enumerate(heads)])
    body = [
        tag("tr", [tag("td", c, class_="n" if i in numbers else None, data_head=heads[i]) for i, c in enumerate(row)])
        for row in rows
    ]
    inner = tag(
        "table", tag("caption", caption, class_="unseen"), tag("thead", head), tag("tbody", body), class_="list"
    )
    return tag("div", inner, class_="wide", tabindex="0", role="region", aria_label=caption)


def input_of(label: str, name: str, type_: str = "text", **more: str) -> Markup:
    """A labelled field."""
    given = {"id": f"f-{name}", "name": name, "type": type_, "required": "", **more}
    return tag("p", tag("label", label, for_=f"f-{name}"), " ", tag("input", **given), class_="field")


async def typed(request: Request) -> dict[str, str]:
    """What a form has sent, bounded. Raises Refused."""
    if request.headers.get("content-type", "").partition(";")[0].strip() != "application/x-www-form-urlencoded":
        raise Refused("Only this page's own forms are taken.")
    data = b""
    try:
        async with asyncio.timeout(BODY_S):
            async for part in request.stream():
                data += part
                if len(data) > BODY_BYTES_MAX:
                    raise Refused(f"More than {BODY_BYTES_MAX:,} bytes are not taken.")
    except TimeoutError:
        raise Refused("The form did not come whole; send it again.") from None
    try:
        found = parse_qs(data.decode(), keep_blank_values=True, max_num_fields=64, strict_parsing=bool(data))
    except ValueError:
        raise Refused("The form cannot be read; send it again.") from None
    return {name: values[-1] for name, values in found.items()}
