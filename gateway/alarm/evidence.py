"""What the alarms of an engine are judged by, gathered from the stages before them."""

from gateway.alarm.judge import Evidence
from gateway.measure.measuring import Measuring
from gateway.measure.presence import Presence
from gateway.model.enums import Running
from gateway.wear.watch import WearWatch


def evidence(
    t_us: int, measuring: Measuring, presence: Presence, wear: WearWatch, link_loss_percent: float | None
) -> Evidence:
    """As things stand at pipeline time `t_us`. A silent head shows nothing of its sensors."""
    meter = measuring.meter
    ahead = meter.running.state is Running.AHEAD
    lag_deg, spring_mm, slap_mm = meter.figures_now(t_us)
    faults, silent = meter.sensors.now, presence.silent_s > 0
    head_text, unused_min = _head(measuring, presence)
    return Evidence(
        running=meter.running.state,
        settled=meter.running.under_way_s >= meter.engine.running.settle_min * 60,
        lag_deg=lag_deg,
        compression_mm=None if spring_mm is None else meter.free_length_mm - spring_mm,
        spring_mm=spring_mm,
        slap_mm=slap_mm,
        lag_step=wear.standing_step("lag"),
        tension_step=wear.standing_step("spring"),
        lag_step_known=lag_deg is not None,
        tension_step_known=ahead and spring_mm is not None,
        transducer=None if silent else faults.transducer,
        crank=None if silent else faults.crank,
        cam=None if silent else faults.cam,
        silent_s=None if presence.is_wrong and not presence.port_text else presence.silent_s,
        link_loss_percent=link_loss_percent,
        wear=wear.summary,
        port_text=presence.port_text,
        head_text=head_text,
        unused_min=unused_min,
        shape=wear.series.shape.view,
    )


def _head(measuring: Measuring, presence: Presence) -> tuple[str | None, float | None]:
    """What is wrong with the head itself, and for how many minutes no turn could be used."""
    if presence.is_wrong:
        return presence.wrong_text, None
    return (None, None) if presence.silent_s > 0 else (measuring.timing.text, measuring.timing.unused_min)
