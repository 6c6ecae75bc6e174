"""What the demo's subscriber makes of the messages: lines for people, a crew that does its part, and the summary."""

import contextlib
import textwrap
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from gateway.alarm.wording import LIMIT_NAMES
from gateway.cli.text import out
from gateway.cli.trend import CAUTION, text_of
from gateway.encode.checked import trend_of
from gateway.encode.event_words import KINDS
from gateway.encode.outlook import about_hours
from gateway.encode.shapes import HoursRange
from gateway.model.errors import Refused

WIDTH = 108
INDENT = " " * 32
"""Where the words of a line begin."""
LINE_EVERY_H = 250.0
NUT_TURNED_MM = 2.5
"""In port the spring stands shorter by so much than it was at sea: cooling alone makes it about 1 mm shorter."""
FREE_LENGTHS_MM = (203.0, 202.8)
"""As the crew measures it at each retightening: the spring takes a set."""
LEGS = (
    ("2031-01-02", "laden"),
    ("2031-02-08", "ballast"),
    ("2031-03-10", "laden"),
    ("2031-04-27", "ballast"),
    ("2031-06-02", "laden"),
    ("2031-07-18", "ballast"),
    ("2031-08-27", "laden"),
    ("2031-10-16", "ballast"),
    ("2031-12-16", "laden"),
)
"""From these days on, as the deck officers report it."""
RETIMED_FROM = "2031-12-16"
"""The camshaft was re-timed in the last long stay; from this day on the ship sails again."""
PIN_GAUGE_MM = 0.6
"""What the crew's pin gauge showed after it: 0.2° late on its 160 mm."""
CREW = "second engineer"
HEADING = (
    f"{'':<23}{'':<12}{'spring':>8}{'share':>8}{'lag':>8}  next limit, with its\n"
    f"{'date':<12}{'running':>8}   {'engine, rpm':<12}{'mm':>8}{'N':>8}{'deg':>8}  5 to 95 % range\n" + "-" * WIDTH
)
Ask = Callable[[dict[str, Any], str], dict[str, Any]]


class Voyage:
    """Feed it messages in the order in which they arrive. `ask` takes the crew's requests, as a running daemon does."""

    def __init__(self, ask: Ask, engine: str) -> None:
        self._ask, self._engine = ask, engine
        self._next_h = 0.0
        self._at_sea_mm: float | None = None
        self._booked = 0
        self._legs = list(LEGS)
        self._retimed = False
        self._lag_before_deg: float | None = None
        self._to_prove = False
        self._seen: list[tuple[str, str]] = []
        self._trend: dict[str, Any] | None = None
        self._hours: list[float] = []
        # The daemon answers between two chunks of a stream half a million times faster than time; readings go on.
        self._hand = ThreadPoolExecutor(1, thread_name_prefix="demo-crew")

    def take(self, topic: str, message: dict[str, Any]) -> None:
        """One message from the broker."""
        match topic.rsplit("/", 1)[-1], message.get("kind"):
            case "reading", _:
                self._reading(message)
            case "trend", _:
                self._trend = message
            case "event", "alarm":
                self._alarm(message)
            case "event", "adjustment":
                self._adjusted(message)

    # -- what is printed ----------------------------------------------------------------------------------------

    def _reading(self, r: dict[str, Any]) -> None:
        hours, length = r["hours"], r["spring_mm"]
        if hours is None:
            return
        self._hours.append(hours)
        self._book_loading(r)
        if r["running"] == "ahead":
            self._at_sea_mm = length if length is not None else self._at_sea_mm
            self._at_sea(r)
        elif r["running"] == "stopped":
            self._in_port(r)
        if hours >= self._next_h:
            self._next_h = (hours // LINE_EVERY_H + 1) * LINE_EVERY_H
            engine = r["running"] + ("" if r["rpm"] is None else f" {r['rpm']:.0f}")
            figures = f"{_known(length, '.1f'):>8}{_known(r['tension_n'], ',.0f'):>8}{_known(r['lag_deg'], '.2f'):>8}"
            before = f"{_when(r)}{engine:<12}{figures}  "
            outlook = textwrap.wrap(self._outlook(), WIDTH - len(before)) or [""]
            out(("\n" + " " * len(before)).join([before + outlook[0], *outlook[1:]]).rstrip())

    def _outlook(self) -> str:
        ahead = [x for x in (self._trend or {}).get("limits", []) if x["hours_to"]["p50"]]
        first = min(ahead, key=lambda x: x["hours_to"]["p50"], default=None)
        if first is None:
            return ""
        return f"{LIMIT_NAMES[first['limit']]}, {about_hours(HoursRange(**first['hours_to']))}"

    def _alarm(self, e: dict[str, Any]) -> None:
        raised = e["to"] == "unacknowledged" and e["from"] != "unacknowledged"
        if raised:
            self._show(e, e["priority"].upper(), e["text"])
            self._hand.submit(self._acknowledge, e["tag"])
        elif e["to"] in ("returned", "normal") and e["from"] in ("unacknowledged", "acknowledged"):
            text = e["text"].removeprefix("Cleared: ")
            self._show(e, "CLEARED", text[:1].upper() + text[1:])

    def _show(self, message: dict[str, Any], word: str, text: str) -> None:
        line = f"{_when(message)}{word:<9}{text}"
        self._seen.append((message["ts"], line))
        out("\n".join(textwrap.wrap(line, WIDTH, subsequent_indent=INDENT)))

    def _adjusted(self, message: dict[str, Any]) -> None:
        """A booking that counts. Those of the loading come with each leg: shown as they come, not summed up."""
        what, by = message["what"], message["by"]
        match what:
            case "retightened":
                before, after = message["before"].get("spring_mm"), message["after"].get("spring_mm")
                self._show(message, "BOOKED", f"{KINDS[what]} by the {by}: spring {before} mm, now {after} mm")
            case "camshaft-set":
                self._to_prove = True
                self._show(message, "BOOKED", f"{KINDS[what]} by the {by}: lag counts from here on")
            case _:
                leg = message["after"].get("condition")
                out(f"{_when(message)}{'booked':<9}{KINDS[what]} by the {by}: {leg or 'see the log book'}"[:WIDTH])

    # -- the crew -----------------------------------------------------------------------------------------------

    def _acknowledge(self, tag: str) -> None:
        # What stood may have passed meanwhile: then there is nothing to acknowledge.
        with contextlib.suppress(Refused):
            self._ask({"do": "acknowledge", "engine": self._engine, "alarm": tag, "by": CREW}, "demo")

    def crew_leaves(self) -> None:
        """No more requests: the daemon is about to stop."""
        self._hand.shutdown(cancel_futures=True)

    def _book_loading(self, r: dict[str, Any]) -> None:
        """The condition of a leg, booked once it has started."""
        condition = None
        while self._legs and r["ts"] >= self._legs[0][0]:
            _, condition = self._legs.pop(0)
        if condition:
            self._book(r, {"kind": "loading", "condition": condition})

    def _at_sea(self, r: dict[str, Any]) -> None:
        """The re-timing is booked with what the encoders read under way; what the lag is then proves it."""
        lag = r["lag_deg"]
        if lag is None:
            return
        if not self._retimed and r["ts"] >= RETIMED_FROM:
            self._retimed = True
            # As of the moment at which it is taken: the daemon knows the raw angle of now, not of this message.
            self._ask_to_book(r, {"kind": "camshaft-set", "person": CREW, "gauge_mm": PIN_GAUGE_MM})
        elif r["quality"]["lag"] != "good":
            return
        elif self._to_prove and self._lag_before_deg is not None:
            self._to_prove = False
            text = f"Camshaft set: lag at sea {lag:+.2f}°, before the work {self._lag_before_deg:+.2f}°"
            self._show(r, "PROVED", text)
        elif not self._retimed:
            self._lag_before_deg = lag

    def _in_port(self, r: dict[str, Any]) -> None:
        """The nut was turned: book it once, with what was read before and after."""
        before, after = self._at_sea_mm, r["spring_mm"]
        if before is None or after is None or before - after < NUT_TURNED_MM:
            return
        self._at_sea_mm = None
        free_mm = FREE_LENGTHS_MM[min(self._booked, len(FREE_LENGTHS_MM) - 1)]
        self._booked += 1
        self._book(
            r,
            {
                "kind": "retightened",
                "free_length_mm": free_mm,
                "spring_before_mm": round(before, 1),
                "spring_after_mm": round(after, 1),
            },
        )

    def _book(self, r: dict[str, Any], entry: dict[str, Any]) -> None:
        """As of this reading."""
        self._ask_to_book(r, entry | {"person": CREW, "utc_s": r["ts"], "hours": r["hours"]})

    def _ask_to_book(self, r: dict[str, Any], entry: dict[str, Any]) -> None:
        try:
            self._ask({"do": "book", "engine": self._engine, "entry": entry}, "demo")
        except Refused as e:
            out(f"{_when(r)}the booking was refused: {e}")

    # -- the summary --------------------------------------------------------------------------------------------

    def sum_up(self, *, whole: bool, seconds: float) -> None:
        """What was seen, how it stands, and what an engineer would do now."""
        out("-" * WIDTH)
        ran = self._hours[-1] - self._hours[0] if self._hours else 0.0
        out(f"{ran:,.0f} running hours in {seconds:.0f} s" + ("." if whole else "; ended before the voyage was over."))
        out("\nWhat was seen, in order")
        for _, line in sorted(self._seen, key=lambda seen: seen[0]) or [("", "nothing")]:
            out("\n".join(textwrap.wrap(line, WIDTH, initial_indent="  ", subsequent_indent="  " + INDENT)))
        if self._trend is None:
            out("\nThe voyage was too short for a trend.")
            return
        out("\nHow it stands, and what to do\n")
        for line in text_of(self._engine, trend_of(self._trend)).splitlines():
            out("\n".join(textwrap.wrap(line, WIDTH, subsequent_indent=" " * 36, drop_whitespace=True)))
        out("\n" + "\n".join(textwrap.wrap(CAUTION, WIDTH)))


def _when(message: dict[str, Any]) -> str:
    hours = "" if message.get("hours") is None else f"{message['hours']:,.0f} h"
    return f"{message['ts'][:10]:<12}{hours:>8}   "


def _known(value: float | None, digits: str) -> str:
    return "unknown" if value is None else f"{value:{digits}}"
