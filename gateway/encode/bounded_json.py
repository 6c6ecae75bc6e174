"""JSON from outside as an object of bounded depth, with numbers that every reader of ours can hold."""

import json
import math
from typing import Any

from gateway.model.errors import Refused

DEPTH_MAX = 16
"""Objects and lists within each other; the deepest message of ours, a booking of pressures, has five."""
WHOLE_MAX = 2**53 - 1
"""The largest whole number that every JSON reader holds exactly (RFC 8259, section 6); a database holds 2**63 - 1."""
DIGITS_MAX = 400
"""Of a number as written."""


def read_object(data: bytes) -> dict[str, Any]:
    """`data` as a JSON object. Raises Refused with one line on what is wrong; its length is the caller's to bound."""
    try:
        found = json.loads(data.decode(), parse_int=_whole, parse_float=_real, parse_constant=_constant)
        # Half of a surrogate pair passes the reader and can be written nowhere.
        json.dumps(found, ensure_ascii=False).encode()
    except json.JSONDecodeError as e:
        raise Refused(f"not JSON: {e.msg} at line {e.lineno} column {e.colno}") from None
    except UnicodeError:
        raise Refused("not JSON: not UTF-8") from None
    except RecursionError:
        raise Refused(f"objects and lists lie deeper than {DEPTH_MAX} levels") from None
    if not isinstance(found, dict):
        raise Refused("not an object")
    _check_depth(found)
    return found


def _whole(text: str) -> int:
    if len(text) > len(str(WHOLE_MAX)) + 1 or abs(number := int(text)) > WHOLE_MAX:
        raise Refused("a whole number is too large")
    return number


def _real(text: str) -> float:
    if len(text) > DIGITS_MAX or not math.isfinite(number := float(text)):
        raise Refused("a number is too large")
    return number


def _constant(text: str) -> float:
    raise Refused(f"{text} is not JSON")


def _check_depth(value: object) -> None:
    level: list[object] = [value]
    for _ in range(DEPTH_MAX):
        level = [inner for outer in level for inner in _inside(outer)]
        if not level:
            return
    raise Refused(f"objects and lists lie deeper than {DEPTH_MAX} levels")


def _inside(value: object) -> list[object]:
    if isinstance(value, dict):
        return [v for v in value.values() if isinstance(v, dict | list)]
    if isinstance(value, list):
        return [v for v in value if isinstance(v, dict | list)]
    return []
