"""Check a configuration and print what follows from it."""

import argparse
from pathlib import Path

from gateway.cli.text import out
from gateway.measure.loop import calibration_residuals_mm
from gateway.model.outlet_checks import outlet_warnings
from gateway.model.settings import EngineSettings
from gateway.model.settings_file import fingerprint, load_settings
from gateway.wear import geometry
from gateway.wear.plausibility import plausibility


def add(p: argparse.ArgumentParser) -> None:
    """Arguments."""
    p.add_argument("config", type=Path, help="the TOML file of the ship")
    p.add_argument(
        "--wear",
        type=float,
        default=0.02,
        help="chain elongation to reckon with, %% per 1,000 running hours (default: %(default)s)",
    )


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
    for warning in outlet_warnings(settings):
        out(f"odd: {warning}")
    return 0


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
        _row("locked at", f"{t.locked_at_mm:.1f} mm, may stray {t.moved_mm:.1f} mm")
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
        _row(f"  {limit.tag}", f"{limit.growth_percent:.3f} %  {hours:,.0f} h" if hours else "")
    left = e.service.retightened_at_h + e.service.retighten_every_h - e.service.hours_at_start
    _row("retightening due", f"{left:,.0f} h after the hours at start")


def _row(name: str, text: str) -> None:
    out(f"  {name:<24}{text}")
