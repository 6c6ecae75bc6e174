"""Show what the running daemon sees: engines, alarms, brokers, disk, and the alarm load."""

import argparse
import json
import sys
import textwrap
import time
from collections.abc import Iterator
from typing import Any

from gateway.cli.operator import common, request
from gateway.cli.text import coloured, out
from gateway.encode.times import rfc3339
from gateway.model.errors import PortError, Refused

WIDTH, INDENT = 80, 21
LIVE_EVERY_S = 2.0
TO_TOP, CLEAR_LINE, CLEAR_BELOW = "\x1b[H", "\x1b[K", "\x1b[J"
STANDS = ("unacknowledged", "acknowledged")
AWAY = ("shelved", "out-of-service")
GRAVEST = ("emergency-alarm", "alarm", "warning", "caution")
COLOURS = {"EMERGENCY ALARM": "1;97;41", "ALARM": "1;97;41", "WARNING": "1;30;48;5;208", "CAUTION": "1;30;43",
           "NORMAL": "1;30;42", "NOT JUDGED": "7", "NO DATA": "1;97;45"}  # fmt: skip


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    common(p)
    p.add_argument("--json", action="store_true", help="all of it as one JSON object")
    p.add_argument("--check", action="store_true", help="exit status 1 when an alarm stands or is not acknowledged")
    p.add_argument("--live", action="store_true", help="renew it every two seconds on a terminal, until Ctrl-C")


def main(args: argparse.Namespace) -> int:
    """Ask, print. 0, or with --check 1 when an alarm calls."""
    if args.live:
        return _live(args)
    status = request(args, "status")["status"]
    if args.json:
        out(json.dumps(status, indent=2, ensure_ascii=False))
    else:
        for line in table(status):
            out(line)
    alarms = status["alarms"] + [a for e in status["engines"].values() for a in e["alarms"]]
    calling = any(a["state"] in ("unacknowledged", "acknowledged", "returned") for a in alarms)
    return 1 if args.check and calling else 0


def _live(args: argparse.Namespace) -> int:
    """The same again and again over itself; a daemon that does not answer is shown, and asked again."""
    if args.json or args.check:
        raise Refused("--live: cannot be used with --json or --check; leave one of them out")
    if not sys.stdout.isatty():
        raise Refused("--live: needs a terminal; without --live the status is printed once")
    while True:
        try:
            lines = list(table(request(args, "status")["status"]))
        except PortError as e:
            now = rfc3339(time.time())[:19].replace("T", " ")
            lines = [f"{coloured('NO DATA', COLOURS['NO DATA'])} at {now} UTC", *textwrap.wrap(str(e), WIDTH)]
        sys.stdout.write(TO_TOP + "".join(f"{line}{CLEAR_LINE}\n" for line in lines) + CLEAR_BELOW)
        sys.stdout.flush()
        time.sleep(LIVE_EVERY_S)


def table(s: dict[str, Any]) -> Iterator[str]:
    """The lines, none longer than 80 columns: first the state of each engine, then the figures."""
    yield f"{s['vessel']}  {s['utc'][:19].replace('T', ' ')} UTC  camdrift {s['version']}, up {_span(s['up_s'])}"
    for slug, e in s["engines"].items():
        yield from _state(slug, e["state"], e["alarms"])
    if s["alarms"]:
        yield from _state("gateway", s["state"], s["alarms"])
    for slug, e in s["engines"].items():
        yield ""
        yield from _engine(slug, e)
    yield ""
    yield "gateway"
    for head, h in s["heads"].items():
        dropped = f", {h['dropped_bytes']} bytes dropped" if h["dropped_bytes"] else ""
        yield from _row(f"head {head}", f"{h['text']}{dropped}")
    for name, b in s["brokers"].items():
        yield from _row(f"broker {name}", _broker(b))
    for name, fault in s["panel"].items():
        yield from _row(name, fault)
    yield from _storage(s["storage"])
    if s["silenced"]:
        yield from _row("sound", "stopped by hand until the next announcement")
    if s["load"]:
        yield ""
        yield "alarm load"
        for name, text in s["load"]["lines"]:
            yield from _row(name, text)


def _state(name: str, s: dict[str, Any], alarms: list[dict[str, Any]]) -> Iterator[str]:
    """One line with the state, what and since when; what to do; then each alarm that is not normal, with its figure."""
    word = s["word"]
    shown, since = f" {word} ", "" if s["since"] is None else f", since {_minute(s['since'])} UTC"
    first = textwrap.wrap(f"{name}  {s['what']}{since}".rstrip(), WIDTH - INDENT)
    yield f"{coloured(shown, COLOURS[word])}{'':<{INDENT - len(shown)}}{first[0]}"
    yield from (f"{'':<{INDENT}}{line}" for line in first[1:])
    if s["action"]:
        yield from _row("", s["action"])
    for a in sorted(alarms, key=_order):
        yield from _row(_minute(a["since"]), _alarm(a))


def _minute(stamp: str) -> str:
    return stamp[:16].replace("T", " ")


def _order(a: dict[str, Any]) -> tuple[bool, int]:
    return a["state"] not in STANDS, GRAVEST.index(a["priority"])


def _engine(slug: str, e: dict[str, Any]) -> Iterator[str]:
    rpm = "" if e["rpm"] is None else f" {e['rpm']:.1f} rpm"
    yield f"{slug}: {_running(e['running'])}{rpm}, {e['hours']:,.1f} running hours"
    compression = "" if e["compression_mm"] is None else f", compressed {e['compression_mm']:.1f} mm"
    if e.get("work_since_utc_s") is not None:
        since = rfc3339(e["work_since_utc_s"])[:16].replace("T", " ")
        yield from _row("WORK IN PROGRESS", f"a work sheet is open since {since} UTC")
    yield from _row("spring", _measured(e["spring_mm"], 1, " mm", compression))
    yield from _row("camshaft lag", _measured(e["lag_deg"], 2, "°", " (late is +)"))
    if e["lost_motion"]:
        yield from _row("lost motion", e["lost_motion"])
    if e["cam_loads"]:
        yield from _row("cam loads", e["cam_loads"])
    lost = e["link"]["lost"]
    heard = "" if e["head_heard"] else "; no valid data now"
    yield from _row("link", f"{e['link']['good']:,} frames good, {lost:,} lost{heard}")
    for fault in e["booking_faults"]:
        yield from _row("log book", fault)


def _running(state: str) -> str:
    return {"unknown": "running state unknown", "turning": "on the turning gear", "changing": "changing speed",
            "ahead": "running ahead", "astern": "running astern"}.get(state, state)  # fmt: skip


def _measured(m: dict[str, Any], digits: int, unit: str, more: str) -> str:
    """The figure, and apart from it how far its sensor may be believed."""
    if m["value"] is None:
        return f"not known: {m['reason']}"
    sensor = "sensor OK" if m["quality"] == "good" else f"sensor {m['quality']}: {m['reason']}".rstrip(": ")
    return f"{m['value']:.{digits}f}{unit}{more}; {sensor}"


def _alarm(a: dict[str, Any]) -> str:
    away = f", by {a['away']}" if a["away"] and a["state"] in AWAY else ""
    until = f" until {a['until'][:16].replace('T', ' ')} UTC" if a["until"] and a["state"] == "shelved" else ""
    state = "not acknowledged" if a["state"] == "unacknowledged" else a["state"].replace("-", " ")
    text = a["text"] if a["text"] and a["state"] not in AWAY else a["title"]
    return f"{a['priority'].replace('-', ' ').upper()}, {state}{until}{away}: {text} ({a['tag']})"


def _broker(b: dict[str, Any]) -> str:
    state = "connected" if b["connected"] else f"not connected: {b['why_not']}"
    waiting = f", {b['waiting']} events wait since {b['oldest']}" if b["waiting"] else ""
    waiting += f", {b['trends_waiting']} trends wait" if b["trends_waiting"] else ""
    lost = f", {b['trends_dropped']} trends were dropped" if b["trends_dropped"] else ""
    refused = f", {b['refused']} refused: {b['why_refused']}" if b["refused"] else ""
    ashore = f", kept ashore up to {b['kept_ashore_to']}" if b["kept_ashore_to"] is not None else ""
    again = f", {b['sent_again']} sent again" if b["sent_again"] else ""
    gone = ", ".join(f"{first} to {last}" for first, last in b["lost_ashore"])
    gone = f", lacking ashore and no longer aboard: {gone}" if gone else ""
    return state + (waiting or ", all delivered") + lost + refused + ashore + again + gone


def _storage(s: dict[str, Any]) -> Iterator[str]:
    text = s["fault"] or s["nearly_full"] or "OK"
    free = "" if s["free_mb"] is None else f", {s['free_mb']:,} MB free"
    yield from _row("storage", f"{text}{free}, {s['pending']} events not yet written")


def _row(name: str, text: str) -> Iterator[str]:
    lines = textwrap.wrap(" ".join(text.split()), WIDTH - INDENT) or [""]
    if len(name) >= INDENT - 2:
        yield f"  {name}"[:WIDTH]
        name = ""
    yield f"  {name:<{INDENT - 2}}{lines[0]}".rstrip()
    yield from (f"{'':<{INDENT}}{line}" for line in lines[1:])


def _span(seconds: int) -> str:
    hours, rest = divmod(seconds, 3600)
    return f"{hours // 24} d {hours % 24} h" if hours >= 24 else f"{hours} h {rest // 60} min"
