"""Marking notices as seen: by the link in a notice, or after a log-in. Only the button changes anything."""

from collections.abc import Callable
from contextlib import closing
from typing import TYPE_CHECKING

from starlette.responses import Response

from gateway.model.errors import Refused
from gateway.report.markup import Child, Markup, tag
from gateway.shore.notices.records import Notice
from gateway.shore.notices.store import NoticeStore
from gateway.shore.notices.texts import NOT_ABOARD
from gateway.shore.page.frame import Visitor, form, page

if TYPE_CHECKING:
    from gateway.shore.page.app import Asked, Handler

IDS_MAX = 500


class SeenPages:
    """The pages of notices."""

    def __init__(self, url: str, utc: Callable[[], float]) -> None:
        self._url, self._utc = url, utc

    def pages(self) -> "list[tuple[str, Handler]]":
        """To read, after a log-in."""
        return [("/notices", self.notices)]

    def acts(self) -> "list[tuple[str, Handler]]":
        """By form, after a log-in."""
        return [("/notices/seen", self.mark)]

    def link(self, asked: "Asked") -> Response:
        """What a notice was about, and the button."""
        token = asked.path["token"]
        with closing(NoticeStore(self._url, make=False)) as store:
            found = store.linked(token, self._utc())
        if found is None:
            return _expired()
        waiting = [n for n, seen_at, over in found.notices if not seen_at and not over]
        button: Child = None
        if waiting:
            words = "Mark as seen" if len(waiting) == 1 else f"Mark all {len(waiting)} as seen"
            button = form(f"/n/{token}", None, tag("button", words, type="submit", class_="do-now"))
        cards = [_card(n, seen_at, over) for n, seen_at, over in found.notices]
        note = tag("p", NOT_ABOARD, class_="words")
        fleet = tag("p", tag("a", "The fleet's page", href="/"), " (after a log-in)")
        return page(f"Notice to {found.person}", "", None, cards, button, note, fleet)

    def mark_by_link(self, asked: "Asked") -> Response:
        """The button."""
        token = asked.path["token"]
        with closing(NoticeStore(self._url)) as store:
            found = store.linked(token, self._utc())
            if found is None:
                return _expired()
            store.mark_seen(
                [n.id for n, seen_at, over in found.notices if not seen_at and not over], found.person, self._utc()
            )
        return self.link(asked)

    def notices(self, asked: "Asked") -> Response:
        """All that are open."""
        with closing(NoticeStore(self._url, make=False)) as store:
            found = store.open_notices()
        waiting = [n for n in found if not n.seen_by]
        cards = [(_card(n, "", False), _button(asked.visitor, n)) for n in waiting]
        seen = [_card(n, "at", False) for n in found if n.seen_by]
        return page(
            "Notices", "/notices", asked.visitor,
            tag("p", NOT_ABOARD, class_="words"),
            tag("h3", f"Not seen: {len(waiting)}"), cards or tag("p", "None."),
            tag("h3", f"Seen, still open: {len(seen)}"), seen or tag("p", "None."),
        )  # fmt: skip

    def mark(self, asked: "Asked") -> Response:
        """One, by somebody who is logged in."""
        assert asked.visitor is not None
        number = asked.typed.get("id", "")
        if not number.isdecimal() or len(number) > 18:
            raise Refused("Which notice? Load the page again.")
        with closing(NoticeStore(self._url)) as store:
            store.mark_seen([int(number)], asked.visitor.session.user, self._utc())
        return self.notices(asked)


def _button(visitor: Visitor | None, n: Notice) -> Markup:
    number = tag("input", type="hidden", name="id", value=str(n.id))
    return form("/notices/seen", visitor, number, tag("button", f"Mark as seen: {n.situation.where}", type="submit"))


def _card(n: Notice, seen_at: str, over: bool) -> Markup:
    s = n.situation
    if over:
        state = "Over: it stands no more."
    elif n.seen_by:
        state = f"Seen by {n.seen_by}" + (f", {seen_at[:16].replace('T', ' ')} UTC." if len(seen_at) > 4 else ".")
    else:
        state = "Seen by nobody yet."
    aboard = {"unacknowledged": "Not acknowledged aboard.", "acknowledged": "Acknowledged aboard."}.get(s.state, "")
    where: Child = s.where
    if s.vessel:
        where = tag("a", s.where, href=f"/engine/{s.vessel}/{s.engine}" if s.engine else f"/ship/{s.vessel}")
    return tag(
        "article",
        tag("p", tag("strong", s.priority.upper()), " ", where, f" since {s.since}" if s.since else ""),
        tag("p", s.text, class_="text"),
        tag("p", f"What to do: {s.action}") if s.action else None,
        tag("p", " ".join(x for x in (aboard, state) if x), class_="words"),
        class_="alarm plain", data_priority=s.priority,
    )  # fmt: skip


def _expired() -> Response:
    return page(
        "This link is not valid", "", None,
        tag("p", "It has expired, or it is not complete. Open the fleet's page and look under Notices."),
        tag("p", tag("a", "The fleet's page", href="/notices")), status=404,
    )  # fmt: skip
