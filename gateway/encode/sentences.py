"""IEC 61162-1 sentences about alerts: records in, lines out, and commands read. No I/O, no clock.

Field orders and state letters agree with several open decoders; the states of a caution are from memory.
All alerts are category C: they cannot be acknowledged on the bridge.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from gateway.encode.sentence_lines import LINE_CHARS_MAX, TAIL_CHARS, Sentence, compose, escape
from gateway.model.enums import AlarmState, Priority
from gateway.model.snapshot import AlarmView

TALKER = "ER"
CATEGORY = "C"
TITLE_CHARS_MAX = 16
ALERT_ID_BASE = 10_001
"""Alert identifier = this + row of the alarm table; 10,000 and up are free for makers."""
ALR_NUMBERS_PER_INSTANCE = 60
"""Local alarm number of ALR = row + 60·(instance − 1): 000–959 for sixteen engines."""
ALC_LINES_MAX = 99

_PRIORITY = {Priority.EMERGENCY_ALARM: "E", Priority.ALARM: "A", Priority.WARNING: "W", Priority.CAUTION: "C"}
_STATE = {AlarmState.UNACKNOWLEDGED: "V", AlarmState.ACKNOWLEDGED: "A", AlarmState.RETURNED: "U"}


@dataclass(frozen=True, slots=True)
class AlertCommand:
    """ACN: `alert_id` 0 = all alerts, `instance` 0 = all instances. `command`: A, Q, O or S."""

    mnemonic: str
    alert_id: int
    instance: int
    command: str


def clock_time(utc_s: float) -> str:
    """hhmmss.ss of the day."""
    hundredths = int(utc_s * 100 + 1e-3) % 8_640_000
    s, rest = divmod(hundredths, 100)
    return f"{s // 3600:02d}{s // 60 % 60:02d}{s % 60:02d}.{rest:02d}"


def state_letter(alarm: AlarmView, silenced: bool = False) -> str:
    """V active unacknowledged, S silenced, A acknowledged, U rectified unacknowledged, N normal.

    Cautions know only A and N. A shelved alarm that is active goes out as A: it stays in sight and makes no sound.
    """
    if alarm.priority is Priority.CAUTION or alarm.state is AlarmState.SHELVED:
        hidden = alarm.state in (AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
        return "A" if alarm.active and not hidden else "N"
    letter = _STATE.get(alarm.state, "N")
    return "S" if letter == "V" and silenced else letter


def alert_id(no: int) -> int:
    """Identifier of the alarm in row `no`."""
    return ALERT_ID_BASE + no


def alf(alarm: AlarmView, letter: str, revision: int, mnemonic: str, sequence: int) -> list[str]:
    """One line with the title, and a second one with the text where there is any. `sequence`: 0–9."""
    text = alarm.short or alarm.text
    lines = 2 if text else 1
    who = [mnemonic, str(alert_id(alarm.no)), str(alarm.instance), str(revision), "0"]
    state = [clock_time(alarm.changed_utc_s), CATEGORY, _PRIORITY[alarm.priority], letter]
    heads = [[f"{TALKER}ALF", str(lines), "1", str(sequence), *state, *who]]
    if lines == 2:
        heads.append([f"{TALKER}ALF", "2", "2", str(sequence), "", "", "", "", *who])
    texts = (alarm.title[:TITLE_CHARS_MAX], text)
    return [_with_text(head, text) for head, text in zip(heads, texts, strict=False)]


def _with_text(head: list[str], text: str) -> str:
    taken = len("$" + ",".join(head) + ",") + TAIL_CHARS
    return compose([*head, escape(text, LINE_CHARS_MAX - taken)])


def alc(entries: Iterable[tuple[int, int, int]], mnemonic: str, sequence: int) -> list[str]:
    """The cyclic list of (alert identifier, instance, revision); one line for an empty list. `sequence`: 0–99.

    An entry is never split over two lines. What does not fit into 99 lines is left out: give the most urgent first.
    """
    room = LINE_CHARS_MAX - len("$ERALC,01,01,00,10") - TAIL_CHARS
    groups: list[list[str]] = [[]]
    for identifier, instance, revision in entries:
        entry = f",{mnemonic},{identifier},{instance},{revision}"
        if sum(map(len, groups[-1])) + len(entry) > room:
            groups.append([])
        groups[-1].append(entry)
    groups = groups[:ALC_LINES_MAX]
    total = f"{len(groups):02d}"
    return [
        compose([f"{TALKER}ALC", total, f"{i:02d}", f"{sequence:02d}", f"{len(group)}{''.join(group)}"])
        for i, group in enumerate(groups, 1)
    ]


def arc(utc_s: float, command: AlertCommand) -> str:
    """The refusal of a command."""
    c = command
    return compose([f"{TALKER}ARC", clock_time(utc_s), c.mnemonic, str(c.alert_id), str(c.instance), c.command])


def hbt(every_s: float, healthy: bool, sequence: int) -> str:
    """The heartbeat: its interval, A in order or V not, `sequence` 0–9."""
    return compose([f"{TALKER}HBT", f"{every_s:.1f}", "A" if healthy else "V", str(sequence)])


def alr(alarm: AlarmView) -> str:
    """The older sentence: condition A while active, acknowledgement A when nothing waits for it."""
    number = f"{alr_number(alarm):03d}"
    seen = "V" if alarm.unacknowledged and alarm.priority is not Priority.CAUTION else "A"
    condition = "V" if state_letter(alarm) in "UN" else "A"
    return _with_text([f"{TALKER}ALR", clock_time(alarm.changed_utc_s), number, condition, seen], alarm.title)


def alr_empty() -> str:
    """What is sent when no alarm stands, so that a dead link differs from no alarm (from memory)."""
    return compose([f"{TALKER}ALR", "", "", "V", "A", ""])


def alr_number(alarm: AlarmView) -> int:
    """Local alarm number 0–999 of ALR and ACK."""
    return (alarm.no + ALR_NUMBERS_PER_INSTANCE * (alarm.instance - 1)) % 1_000


def read_acn(sentence: Sentence) -> AlertCommand | None:
    """The command in an ACN; `None` if it is none: without the closing field C it does not command."""
    if sentence.formatter != "ACN" or len(sentence.fields) != 6:
        return None
    _, mnemonic, identifier, instance, command, flag = sentence.fields
    if flag != "C" or command not in ("A", "Q", "O", "S") or not re.fullmatch(r"[A-Z0-9]{0,3}", mnemonic):
        return None
    if not re.fullmatch(r"[0-9]{1,7}", identifier) or not re.fullmatch(r"[0-9]{0,6}", instance):
        return None
    return AlertCommand(mnemonic, int(identifier), int(instance or "0"), command)


def read_ack(sentence: Sentence) -> int | None:
    """The local alarm number in an ACK, or `None`."""
    if sentence.formatter != "ACK" or len(sentence.fields) != 1:
        return None
    return int(sentence.fields[0]) if re.fullmatch(r"[0-9]{1,3}", sentence.fields[0]) else None
