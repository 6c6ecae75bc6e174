"""Caps on everything that comes from outside, each with its reason."""

FRAME_BYTES_MAX = 2_048
"""Longest encoded frame on the link (interface, section 2): a lost delimiter must not grow the buffer."""

SAMPLES_PER_FRAME_MAX = 256
"""Interface, section 2."""

INTERVAL_NS_MIN, INTERVAL_NS_MAX = 50_000, 1_000_000_000
"""Interface, section 2: samples nearer than 50 µs or further apart than 1 s are no measurement of a shaft; their times
make speeds without bounds."""

OUT_OF_ORDER_FRAMES_MAX = 8
"""After so many frames in a row with an old sequence number the head is believed to have restarted its count."""

ALARMS_PER_ENGINE = 25
"""Rows of the interface's alarm table."""

SHELVE_HOURS_MAX = 24.0
"""Interface, section 3: a shelved alarm comes back by itself within a day."""

IN_FLIGHT_MESSAGES_MAX = 8
IN_FLIGHT_BYTES_MAX = 8_192
"""Bytes already in a socket cannot be overtaken: at 4 kB/s this bounds a new alarm's wait to about two seconds."""

INBOUND_MESSAGE_BYTES_MAX = 4_096
"""No request from aboard or receipt from shore needs more; a longer one is refused unread."""

EVENTS_AGAIN_PER_S = 20.0
"""Events a second that the ship sends again for a shore that lacks them (interface, section 3): behind fresh ones, so
that a large gap holds nothing up."""
EVENTS_AGAIN_PER_DAY = 20_000
"""And so many a day (about 12 MB), ten times the largest gap that a shore must be able to fill: whoever asks without
end, a keeper gone wrong or an attacker at the broker, does not run up the bill of a satellite link without end."""

PENDING_EVENTS_MAX = 10_000
"""Events held in memory while the disk fails (about 5 MB). Beyond that the oldest that is not an alarm goes first."""
