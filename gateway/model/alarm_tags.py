"""The tags of the alarms that the settings may tune; a misspelt one is refused with the nearest right name."""

from collections.abc import Callable
from difflib import get_close_matches
from typing import Annotated

from pydantic import AfterValidator

ENGINE_ALARM_TAGS = (
    "lag-near",
    "lag-limit",
    "lag-step",
    "tension-low",
    "tension-high",
    "tightener-moved",
    "tension-step",
    "slap-high",
    "elongation-near",
    "elongation-limit",
    "wear-disagree",
    "limit-in-sight",
    "retighten-due",
    "transducer-fault",
    "crank-encoder-fault",
    "cam-encoder-fault",
    "head-silent",
    "link-poor",
    "head-timing",
    "trial",
    "shape-changed",
)
GATEWAY_ALARM_TAGS = ("clock-doubtful", "delivery-stalled", "storage-fault", "certificate-expiry")
NEAR = 0.6
"""Likeness from which a name is offered, as `difflib` measures it."""


def _known(tags: tuple[str, ...], others: tuple[str, ...], place: str) -> Callable[[str], str]:
    def check(tag: str) -> str:
        if tag in tags:
            return tag
        if tag in others:
            raise ValueError(f"this alarm does not belong here; move it to {place}")
        near = get_close_matches(tag, tags, 1, NEAR)
        hint = f"do you mean {near[0]}?" if near else f"the alarms are: {', '.join(tags)}"
        raise ValueError(f"there is no such alarm; {hint}")

    return check


EngineAlarmTag = Annotated[str, AfterValidator(_known(ENGINE_ALARM_TAGS, GATEWAY_ALARM_TAGS, "[alarms.TAG]"))]
GatewayAlarmTag = Annotated[
    str, AfterValidator(_known(GATEWAY_ALARM_TAGS, ENGINE_ALARM_TAGS, "[engine.alarms.TAG], below its [[engine]]"))
]
