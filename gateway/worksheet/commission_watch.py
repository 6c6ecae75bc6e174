"""Commissioning: the trial alarm at each outlet, and the first hours under way."""

from gateway.model.settings import Settings
from gateway.worksheet.commission import Finding, Question, Work

TRIAL = "trial"
HOURS_MIN = 2.0
LOST_MAX = 0.01
SENSORS = ("transducer-fault", "crank-encoder-fault", "cam-encoder-fault", "head-silent", "link-poor", "head-timing")


def outlets(settings: Settings, engine: str) -> tuple[Question, ...]:
    """A question for each outlet that the settings have."""
    found = []
    if any(r.engine == engine for r in settings.relay):
        found.append(("relay", "Relay dropped, seen at the terminals or at the panel"))
    if settings.modbus_tcp or settings.modbus_rtu:
        found.append(("panel", "Trial alarm seen and heard at the alarm panel"))
    if settings.sentences:
        found.append(("bridge", "Trial alarm seen on the bridge"))
    if settings.page.enabled:
        found.append(("page", "Trial alarm seen on the page"))
    found += [
        (f"broker_{b.name}", f"Trial alarm seen by a person who reads broker {b.name!r}") for b in settings.broker
    ]
    return tuple(Question(name, f"{text}? yes or no", "yes") for name, text in found)


def judge_trial(work: Work) -> Finding:
    """Each outlet was looked at while the trial alarm stood."""
    seen = {q.name: work.yes(q.name) for q in outlets(work.settings, work.engine.slug)}
    if TRIAL not in work.now.alarms and TRIAL not in work.before.alarms:
        return Finding(False, ("No trial alarm stands. Raise it: camdrift try-alarm CONFIG.",))
    lines = tuple(f"{name}: {'seen' if yes else 'NOT SEEN'}" for name, yes in seen.items())
    if not seen:
        return Finding(False, ("The settings have no outlet: an alarm would reach nobody.",))
    return Finding(all(seen.values()), lines)


def judge_hours(work: Work) -> Finding:
    """Sensors and link since the task began, and what is good now."""
    before, now = work.before, work.now
    hours = now.hours - before.hours
    good, lost = now.good - before.good, now.lost - before.lost
    if good < 0:
        good, lost = now.good, now.lost
    share = lost / max(1, good + lost)
    wrong = [f"{tag}: {text}" for tag, text in now.alarms.items() if tag in SENSORS]
    if share > LOST_MAX:
        wrong.append(f"{share:.1%} of the frames were lost: check cable and baud rate.")
    if hours < HOURS_MIN:
        wrong.append(f"{hours:,.1f} running hours reviewed, at least {HOURS_MIN:g} are needed.")
    if not now.lag_good:
        wrong.append("The lag is not good: see `camdrift status`.")
    if not now.spring_good:
        wrong.append("The length is not good: see `camdrift status`.")
    lines = (f"{hours:,.1f} running hours, {now.used:,} turns used, {lost:,} of {good + lost:,} frames lost.", *wrong)
    return Finding(not wrong, lines)
