"""The table of alarms: one row each, all figures settable.

`states`: running states in which it is judged; in any other it is held as it is. `settled`: judged only after the drive
has had time to warm. `held_by`: while one of these stands, what is measured of the drive is not to be believed, so it is
held. `suppressed_by`: one alert for one situation, the higher of a pair stands for both.

Dead bands start from EEMUA 191 (level 2 % of the band); delays are ours: a minute for what drifts, none for what jumps,
hours for what comes from an hourly sum whose last digit wanders.
"""

from dataclasses import dataclass

from gateway.model.enums import Priority, Running

ALARM, WARNING, CAUTION = Priority.ALARM, Priority.WARNING, Priority.CAUTION
AHEAD = frozenset({Running.AHEAD})
ANY = frozenset(Running)
ENCODERS = ("head-silent", "crank-encoder-fault", "cam-encoder-fault")
SPRING = ("head-silent", "transducer-fault")


@dataclass(frozen=True, slots=True)
class Row:
    """One alarm. Delays in seconds of head time; `deadband` in `unit`."""

    no: int
    tag: str
    title: str
    priority: Priority
    unit: str
    on_delay_s: float
    off_delay_s: float
    deadband: float
    states: frozenset[Running]
    settled: bool = False
    held_by: tuple[str, ...] = ()
    suppressed_by: tuple[str, ...] = ()
    gateway: bool = False


# fmt: off
ROWS: tuple[Row, ...] = (
    #    no  tag                    title               priority  unit   on     off    dead   judged in
    Row(0,  "lag-near",            "CAM PHASE NEAR",   WARNING,  "deg", 60.0,  300.0, 0.05,  AHEAD, True, ENCODERS, ("lag-limit",)),
    Row(1,  "lag-limit",           "CAM PHASE LIMIT",  ALARM,    "deg", 60.0,  300.0, 0.05,  AHEAD, True, ENCODERS),
    Row(2,  "lag-step",            "CAM PHASE STEP",   ALARM,    "deg", 0.0,   60.0,  0.0,   AHEAD, False, ENCODERS),
    Row(3,  "tension-low",         "CHAIN SLACK",      ALARM,    "mm",  60.0,  300.0, 0.1,   AHEAD, True, SPRING),
    Row(4,  "tension-high",        "CHAIN TIGHT",      WARNING,  "mm",  60.0,  300.0, 0.1,   AHEAD, True, SPRING),
    Row(5,  "tightener-moved",     "TIGHTENER MOVED",  ALARM,    "mm",  30.0,  300.0, 0.1,   ANY, False, SPRING),
    Row(6,  "tension-step",        "CHAIN STEP",       ALARM,    "mm",  0.0,   60.0,  0.0,   AHEAD, False, SPRING),
    Row(7,  "slap-high",           "CHAIN SLAP",       WARNING,  "mm",  60.0,  300.0, 0.2,   AHEAD, True, SPRING),
    Row(8,  "elongation-near",     "CHAIN WEAR NEAR",  WARNING,  "%",   0.0,   86400.0,   0.005, AHEAD, True, (), ("elongation-limit",)),
    Row(9,  "elongation-limit",    "CHAIN WEAR LIMIT", ALARM,    "%",   0.0,   86400.0,   0.005, AHEAD, True),
    Row(10, "wear-disagree",       "WEAR DISAGREE",    WARNING,  "%",   21600.0,   86400.0,   0.0,   AHEAD, True, (*ENCODERS, "transducer-fault")),
    Row(11, "limit-in-sight",      "LIMIT IN SIGHT",   CAUTION,  "h",   86400.0,   172800.0,   24.0,  AHEAD, True),
    Row(12, "retighten-due",       "RETIGHTEN DUE",    CAUTION,  "h",   0.0,   0.0,   0.0,   ANY),
    Row(13, "transducer-fault",    "TIGHTENER SENSOR", WARNING,  "mA",  5.0,   60.0,  0.0,   ANY, False, ("head-silent",)),
    Row(14, "crank-encoder-fault", "CRANK ENCODER",    WARNING,  "",    5.0,   60.0,  0.0,   ANY, False, ("head-silent",)),
    Row(15, "cam-encoder-fault",   "CAM ENCODER",      WARNING,  "",    5.0,   60.0,  0.0,   ANY, False, ("head-silent",)),
    Row(16, "head-silent",         "NO SENSOR DATA",   WARNING,  "s",   0.0,   10.0,  0.0,   ANY),
    Row(17, "link-poor",           "SENSOR LINK POOR", CAUTION,  "%",   0.0,   60.0,  0.5,   ANY),
    Row(18, "clock-doubtful",      "CLOCK DOUBTFUL",   CAUTION,  "s",   60.0,  60.0,  0.0,   ANY, gateway=True),
    Row(19, "delivery-stalled",    "NOT DELIVERED",    CAUTION,  "min", 0.0,   60.0,  0.0,   ANY, gateway=True),
    Row(20, "storage-fault",       "STORAGE FAULT",    WARNING,  "",    5.0,   60.0,  0.0,   ANY, gateway=True),
    Row(21, "certificate-expiry",  "CERTIFICATE ENDS", CAUTION,  "d",   0.0,   60.0,  0.0,   ANY, gateway=True),
    Row(22, "head-timing",         "HEAD TIMING",      WARNING,  "min", 0.0,   60.0,  0.0,   ANY),
    Row(23, "trial",               "TRIAL ALARM",      WARNING,  "",    0.0,   0.0,   0.0,   ANY),
    Row(24, "shape-changed",       "CAM LOAD CHANGED", CAUTION,  "%",   10800.0,   172800.0,   0.0,   AHEAD, True, ENCODERS),
)
# fmt: on
BY_TAG = {row.tag: row for row in ROWS}
ENGINE_TAGS = tuple(row.tag for row in ROWS if not row.gateway)
GATEWAY_TAGS = tuple(row.tag for row in ROWS if row.gateway)
