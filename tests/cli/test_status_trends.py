"""Trends in line: what the settings allow, and what `camdrift status` says of them."""

from typing import Any

import pytest
from pydantic import ValidationError

from gateway.cli.status import _broker
from gateway.model.settings import BrokerSettings
from gateway.model.settings_file import checked_section


def shown(**changed: Any) -> str:
    """The broker's line."""
    plain: dict[str, Any] = {
        "connected": True, "why_not": "", "refused": 0, "why_refused": "", "waiting": 0, "oldest": None,
        "delivered_to": 9, "kept_ashore_to": None, "trends_waiting": 0, "trends_dropped": 0,
        "sent_again": 0, "lost_ashore": [],
    }  # fmt: skip
    return _broker(plain | changed)


@pytest.mark.parametrize(
    ("changed", "line"),
    [
        ({}, "connected, all delivered"),
        ({"trends_waiting": 24}, "connected, 24 trends wait"),
        ({"trends_dropped": 48}, "connected, all delivered, 48 trends were dropped"),
        ({"waiting": 2, "oldest": "12:00", "trends_waiting": 1}, "connected, 2 events wait since 12:00, 1 trends wait"),
    ],
)
def test_status_says_what_waits_and_what_is_lost(changed: dict[str, Any], line: str) -> None:
    """Nothing is called delivered while trends wait, and trends that were dropped are told for good."""
    assert shown(**changed) == line


def test_every_trend_wants_the_class() -> None:
    """Each trend without any trend is a mistake that is told, not a line that nobody ever empties."""
    with pytest.raises(ValidationError, match='every_trend needs the class "trend"'):
        checked_section(
            BrokerSettings, {"name": "shore", "host": "shore.example", "classes": ["event"], "every_trend": True}
        )
    assert BrokerSettings(name="shore", host="shore.example", every_trend=True).every_trend
