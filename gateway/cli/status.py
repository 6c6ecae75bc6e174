"""Show what the running daemon sees: engines, alarms, brokers, disk, and the alarm load."""

import argparse
import json
import textwrap
from typing import Any

from gateway.cli.operator import common, request
from gateway.cli.text import out
from gateway.encode.times import rfc3339

WIDTH, INDENT = 100, 24


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    common(p)
    p.add_argument("--json", action="store_true", help="all of it as one JSON object")
    p.add_argument("--check", action="store_true", help="exit status 1 when an alarm calls")


def main(args: argparse.Namespace) -> int:
    """Ask, print. 0, or with --check 1 when an alarm calls."""
    status = request(args, "status")["status"]
    if args.json:
        out(json.dumps(status, indent=2, ensure_ascii=False))
    else:
        _print(status)
    alarms = status["alarms"] + [a for e in status["engines"].values() for a in e["alarms"]]
    calling = any(a["state"] in ("unacknowledged", "acknowledged", "returned") for a in alarms)
    return 1 if args.check and calling else 0


def _print(s: dict[str, Any]) -> None:
    out(f"{s['vessel']}  {s['utc'][:19].replace('T', ' ')} UTC  camdrift {s['version']}, up {_span(s['up_s'])}")
    for slug, e in s["engines"].items():
        _engine(slug, e)
    for head, h in s["heads"].items():
        dropped = f", {h['dropped_bytes']} bytes dropped" if h["dropped_bytes"] else ""
        _row(f"head {head}", f"{h['text']}{dropped}")
    for a in s["alarms"]:
        _row(a["tag"], _alarm(a))
    for name, b in s["brokers"].items():
        _row(f"broker {name}", _broker(b))
    for name, fault in s["panel"].items():
        _row(name, fault)
    _storage(s["storage"])
    if s["silenced"]:
        _row("sound", "stopped by hand until the next announcement")
    if s["load"]:
        out("alarm load")
        for name, text in s["load"]["lines"]:
            _row(name, text)


def _engine(slug: str, e: dict[str, Any]) -> None:
    rpm = "" if e["rpm"] is None else f" {e['rpm']:.1f} rpm"
    out(f"{slug}: {e['running']}{rpm}, {e['hours']:,.1f} running hours")
    compression = "" if e["compression_mm"] is None else f", {e['compression_mm']:.1f} mm compressed"
    if e.get("work_since_utc_s") is not None:
        _row("WORK IN PROGRESS", f"a work sheet is open since {rfc3339(e['work_since_utc_s'])}")
    if e["hangs_s"] is not None:
        _row("pipeline", f"has not responded for {e['hangs_s']} s: look at the log")
    _row("spring", _measured(e["spring_mm"], 1, "mm") + compression)
    _row("camshaft lag", _measured(e["lag_deg"], 2, "deg") + ", late is +")
    if e["lost_motion"]:
        _row("lost motion", e["lost_motion"])
    if e["cam_loads"]:
        _row("cam loads", e["cam_loads"])
    lost = e["link"]["lost"]
    _row("link", f"{e['link']['good']:,} frames good, {lost:,} lost" + ("" if e["head_heard"] else "; head not heard"))
    for a in e["alarms"]:
        _row(a["tag"], _alarm(a))
    for fault in e["booking_faults"]:
        _row("log book", fault)


def _measured(m: dict[str, Any], digits: int, unit: str) -> str:
    if m["value"] is None:
        return f"not known: {m['reason']}"
    reason = f": {m['reason']}" if m["reason"] else ""
    return f"{m['value']:.{digits}f} {unit} ({m['quality']}{reason})"


def _alarm(a: dict[str, Any]) -> str:
    away = f" by {a['away']}" if a["away"] and a["state"] in ("shelved", "out-of-service") else ""
    until = f" until {a['until'][:16].replace('T', ' ')} UTC" if a["until"] and a["state"] == "shelved" else ""
    text = f": {a['text']}" if a["text"] else ""
    return f"{a['priority'].upper()}, {a['state']}{until}{away}{text}"


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


def _storage(s: dict[str, Any]) -> None:
    text = s["fault"] or s["nearly_full"] or "well"
    free = "" if s["free_mb"] is None else f", {s['free_mb']:,} MB free"
    _row("storage", f"{text}{free}, {s['pending']} events not yet written")


def _row(name: str, text: str) -> None:
    lines = textwrap.wrap(" ".join(text.split()), WIDTH - INDENT) or [""]
    out(f"  {name:<{INDENT - 2}}{lines[0]}" if len(name) < INDENT - 2 else f"  {name}\n{'':<{INDENT}}{lines[0]}")
    for line in lines[1:]:
        out(f"{'':<{INDENT}}{line}")


def _span(seconds: int) -> str:
    hours, rest = divmod(seconds, 3600)
    return f"{hours // 24} d {hours % 24} h" if hours >= 24 else f"{hours} h {rest // 60} min"
