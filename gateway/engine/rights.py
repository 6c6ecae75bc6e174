"""Who may ask for what, by the way in."""

from collections.abc import Mapping
from typing import Literal, get_args

from gateway.alarm.acts import ActKind
from gateway.model.errors import Refused

Origin = Literal["shell", "page", "panel", "mqtt"]
ACTS: tuple[ActKind, ...] = get_args(ActKind)
ALLOWED: Mapping[Origin, frozenset[str]] = {
    "shell": frozenset({"status", "sheet", "sheet-act", "prefill", "silence", "book", "commission", *ACTS}),
    "page": frozenset({"status", "sheet", "sheet-act", "prefill", "silence", "book", "commission", *ACTS}),
    "panel": frozenset({"silence", "acknowledge"}),
    "mqtt": frozenset({"acknowledge", "shelve", "unshelve"}),
}
"""The shell's right is that of the socket's file, the page's a log-in, the panel's its settings, MQTT's the setting
that enables requests and the broker's access list."""


def authorise(origin: Origin, do: object) -> None:
    """Raises Refused for what nobody knows, and for what may not be asked for by this way in."""
    known = ALLOWED["shell"]
    if not isinstance(do, str) or do not in known:
        raise Refused(f"{ascii(do)[:80]} is not among what can be asked: {', '.join(sorted(known))}")
    if do not in ALLOWED[origin]:
        raise Refused(f"{do} cannot be asked from here ({origin}); use the page or the shell")
