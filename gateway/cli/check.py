"""Check a configuration and print what follows from it."""

import argparse
from collections.abc import Iterator

from gateway.alarm.table import BY_TAG
from gateway.cli.text import out
from gateway.encode.panel_list import outlets
from gateway.measure.loop import calibration_residuals_mm
from gateway.model.enums import Priority
from gateway.model.outlet_checks import outlet_warnings
from gateway.model.settings import EngineSettings, Settings
from gateway.model.settings_file import fingerprint, load_settings
from gateway.report.words import LIMITS
from gateway.wear import geometry
from gateway.wear.plausibility import plausibility


def main(args: argparse.Namespace) -> int:
    """Print the figures and the warnings; the configuration itself is refused by an error."""
    settings = load_settings(args.config)
    out(f"{args.config}: valid. {settings.vessel.name}, {len(settings.engine)} engine(s), {len(settings.head)} head(s)")
    out(f"fingerprint of the settings, as the event of a start names it: {fingerprint(settings)}")
    for engine in settings.engine:
        out("")
        _figures(engine, args.wear)
        for warning in plausibility(engine):
            out(f"  odd: {warning}")
    unset = [
        *(f"vessel.{k}" for k in ("imo_number", "class_society", "last_survey") if getattr(settings.vessel, k) is None),
        *(f"{e.slug}.{k}" for e in settings.engine for k in ("type_text", "number") if getattr(e, k) is None),
    ]
    if unset:
        out(f"not set, reports leave it open: {', '.join(unset)}")
    out("")
    _panel(settings)
    for warning in (*outlet_warnings(settings), *_lowered(settings)):
        out(f"odd: {warning}")
    return 0


def _panel(s: Settings) -> None:
    """What the alarm panel gets by these settings."""
    rows = [row for row in outlets(s) if row.kind != "unit identifier"]
    out("alarm panel" + (" (its maker's list: camdrift panel CONFIG)" if rows else ""))
    if not rows:
        _row("none", "alarms reach only the page and MQTT; for a panel set modbus_tcp, modbus_rtu, sentences or relay")
    for row in rows:
        _row(row.kind, ": ".join(x for x in (row.address, row.signal) if x) + (f"; {row.text}" if row.text else ""))


def _lowered(s: Settings) -> Iterator[str]:
    """Priorities below the usual ones: the panel, the relay and the page then call less."""
    tuned = [("alarms", s.alarms), *((f"engine {e.slug}: alarms", e.alarms) for e in s.engine)]
    for where, tunings in tuned:
        for tag, tuning in tunings.items():
            usual = BY_TAG[tag].priority if tag in BY_TAG else None
            if usual is not None and tuning.priority is not None and _lower(tuning.priority, usual):
                effect = (
                    "drops no relay and is not repeated" if tuning.priority is Priority.CAUTION else "is announced less"
                )
                yield (
                    f"{where}.{tag}: priority is {tuning.priority}, usually {usual}; a {tuning.priority} {effect}; "
                    "remove priority to have the usual one"
                )


def _lower(one: Priority, other: Priority) -> bool:
    order = list(Priority)
    return order.index(one) > order.index(other)


def _figures(e: EngineSettings, percent_per_1000h: float) -> None:
    t, f = e.tightener, geometry.figures(e)
    out(f"{e.slug}: {e.name or 'engine'}, ratio {e.ratio}")
    _row("0.1 % of elongation", f"{f.deg_per_tenth_percent:.3f} deg of lag")
    _row("one tooth", ", ".join(f"{deg:.2f}" for deg in f.tooth_deg) + " deg")
    target = f"{t.free_length_mm:.1f} - {t.required_compression_mm:.1f} = {t.target_length_mm:.1f} mm"
    _row("target spring length", target)
    if t.kind == "sprung":
        _row("1 deg of lag by wear", f"{f.spring_mm_per_deg:.1f} mm of spring travel")
        low, _, high = f.band_length_mm
        _row("band of the spring", f"{low:.1f} mm (slack) to {high:.1f} mm (tight)")
        _row("  at the spring", f"{f.band_force_n[0]:.0f} to {f.band_force_n[2]:.0f} N")
        _row("  tightener's share", f"{f.band_tension_n[0]:.0f} to {f.band_tension_n[2]:.0f} N")
    else:
        _row("locked at", f"{t.locked_at_mm:.1f} mm, may move {t.moved_mm:.1f} mm")
    if e.lag.zero_deg is None:
        _row("lag", "not known: no zero. Book the camshaft setting with what the pin gauge reads")
    if e.lag.pin_gauge_radius_mm:
        arc = geometry.pin_gauge_mm(e.lag.pin_gauge_radius_mm, e.lag.limit_deg)
        _row("lag limit at the gauge", f"{arc:.1f} mm on the arc of radius {e.lag.pin_gauge_radius_mm:.1f} mm")
    residuals = calibration_residuals_mm(e.transducer)
    if residuals:
        _row("calibration table", f"{min(residuals):+.2f} to {max(residuals):+.2f} mm off the straight line")
    out("  limits in the order in which wear reaches them, growth since the last setting, hours it takes new at")
    out(f"  {percent_per_1000h:g} % per 1,000 h (an example; the trend shows the real rate):")
    for limit in f.limits:
        hours = limit.hours(percent_per_1000h)
        _row(f"  {LIMITS[limit.tag]}", f"{limit.growth_percent:.3f} %  {hours:,.0f} h" if hours else "")
    left = e.service.retightened_at_h + e.service.retighten_every_h - e.service.hours_at_start
    _row("retightening due", f"{left:,.0f} h after the hours at start")


def _row(name: str, text: str) -> None:
    out(f"  {name:<34}{text}")
