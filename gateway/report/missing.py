"""What is not known, and why, in words: a report that hides a gap claims that there was none."""

from gateway.encode.messages import utc_of
from gateway.report.facts import EngineFacts, Period, ShipFacts
from gateway.report.words import day, minute

OLD_S = 2 * 86_400.0
"""Of each day the last trend is kept: one that is older than this at the period's end is of another time."""
SETS_LAG = ("camshaft-set", "chain-renewed", "links-renewed")
SETS_SPRING = ("retightened", "spring-renewed", "chain-renewed", "links-renewed")


def gaps(e: EngineFacts, p: Period) -> list[str]:
    """Sentences on all of one engine that is not known or to be read with care."""
    return [*_hours(e), *_readings(e), *_datum(e), *_trend(e, p)]


def ship_gaps(s: ShipFacts) -> list[str]:
    """The same of the record of alarms, which is the whole ship's."""
    if s.alarms_from_s is None:
        return ["No events at all are on record for this period, so nothing is known of alarms."]
    if s.alarms_from_s > s.period.from_s:
        if s.ashore:
            return [f"No event before {minute(s.alarms_from_s)} is kept ashore, so alarms are counted from then."]
        remarks = (
            "Events before {} are not on record (delivered ones are kept for 90 days), so alarms are counted from then."
        )
        return [remarks.format(minute(s.alarms_from_s))]
    return []


def touched(e: EngineFacts, kinds: tuple[str, ...]) -> bool:
    """Was there such work in the period? Then its first and last figures are not counted from the same datum."""
    return any(w.entry.kind in kinds for w in e.work)


def _hours(e: EngineFacts) -> list[str]:
    if e.run_h is None:
        return ["No running hours are on record: camdrift was not at work yet, or has seen nothing of this engine."]
    remarks = []
    if e.watched_from_s is not None:
        remarks.append(f"The record begins on {minute(e.watched_from_s)}; hours before that are not counted.")
    if not e.run_h.close:
        remarks.append(
            "The counter was not read close to the period's ends, so the running hours lie between the two ends given."
        )
    return remarks


def _readings(e: EngineFacts) -> list[str]:
    if e.measured_h is None:
        return [
            "There are no readings of steady running ahead in this period: nothing is drawn, and no change is given."
        ]
    remarks = []
    if e.coverage.measured is None and e.coverage.bursts:
        remarks.append(
            "This head sends bursts, and readings older than 400 days are kept by the hour. The share of hours with "
            "good readings is not known for them."
        )
    if e.last.spring_mm is None:
        remarks.append(
            "The spring's length is not known at the end of the period: the transducer gave no good reading."
        )
    return remarks


def _datum(e: EngineFacts) -> list[str]:
    remarks = []
    if e.datum.zero_deg is None:
        remarks.append(
            "The camshaft's zero was never taken, so neither lag nor elongation by the lag is known. Fit the pin "
            "gauge and book camshaft-set."
        )
    elif e.measured_h is not None and e.last.lag_deg is None:
        remarks.append(
            "The lag is not known at the end of the period: an encoder gave no good reading, or no zero stood."
        )
    elif e.datum.lag_start is None:
        remarks.append("The elongation on the day the camshaft was set was not booked, so it is not known by the lag.")
    if e.settings.tightener.kind == "locked":
        remarks.append(
            "The tightener is locked: its length must not move, the tightener's share is not known, and the "
            "chain's growth shows in the lag alone."
        )
    if e.settings.ratio == 2:
        remarks.append("Four-stroke: the camshaft turns once in two turns of the crank. All degrees are the crank's.")
    remarks += [f"A booking is left out since it contradicts others: {fault}." for fault in e.datum.faults]
    if touched(e, SETS_LAG):
        remarks.append(
            "Camshaft or chain were worked on in this period: lag before and after count from different zeros."
        )
    return remarks


def _trend(e: EngineFacts, p: Period) -> list[str]:
    if e.trend is None and e.trends_from_s is not None and e.trends_from_s > p.to_s:
        since = day(e.trends_from_s)
        return [f"Forecast and decision at the period's end are not on record: trends are kept from {since} on."]
    if e.trend is None:
        return [
            "There is no trend yet, so neither forecast nor decision: it comes with the first whole hour of running."
        ]
    at_s = utc_of(e.trend.ts)
    if at_s < p.to_s - OLD_S:
        return [
            f"Forecast and decision are of {day(at_s)}, the last on record up to the period's end. "
            "The engine has not run steadily since, or camdrift was not at work."
        ]
    return []
