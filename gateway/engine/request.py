"""Fields of a request as they come from outside: read, bounded, or refused with the reason."""

import math
from typing import Any

from gateway.model.enums import Priority
from gateway.model.errors import Refused

TEXT_MAX = 500


def text_of(request: dict[str, Any], key: str, most: int = TEXT_MAX) -> str | None:
    """A text, `None` where it is empty or not given. Raises Refused."""
    value = request.get(key)
    if value is None or value == "":
        return None
    if not isinstance(value, str) or len(value) > most:
        raise Refused(f"{key} is not a text of at most {most} characters")
    return value


def priority_of(request: dict[str, Any]) -> Priority | None:
    """The priority of a trial, `None` where not given. Raises Refused."""
    value = request.get("priority")
    if value is None:
        return None
    known = [p.value for p in Priority]
    if value not in known:
        raise Refused(f"priority is not one of {', '.join(known)}")
    return Priority(value)


def minutes_of(request: dict[str, Any]) -> float | None:
    """The minutes of shelving, `None` where not given. Raises Refused."""
    value = request.get("minutes")
    if value is None:
        return None
    try:
        minutes = float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan
    except OverflowError:
        minutes = math.nan
    if not math.isfinite(minutes):
        raise Refused("minutes is not a number")
    return minutes


def is_text_throughout(value: object) -> bool:
    """Can every text in it be written as UTF-8 and kept by a database? JSON lets more through than that."""
    if isinstance(value, dict):
        return all(is_text_throughout(k) and is_text_throughout(v) for k, v in value.items())
    if isinstance(value, list):
        return all(is_text_throughout(v) for v in value)
    return not isinstance(value, str) or not any(c == "\0" or "\ud800" <= c <= "\udfff" for c in value)
