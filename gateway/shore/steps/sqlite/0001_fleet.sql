-- The fleet's store in SQLite: the same tables as in PostgreSQL; times are RFC 3339 text in UTC.
-- Times `..._at` told by a ship are her clock's; `kept_at`, `heard_at` and `seen_at` are the shore's.

CREATE TABLE vessel (
    vessel          text PRIMARY KEY,
    state           text CHECK (state IN ('online', 'offline')),
    presence_at     text,
    version         text,
    heard_at        text NOT NULL,
    silent_since    text
);

-- A gateway belongs to the vessel under whose topics it was first heard; from another vessel it is refused.
-- Everything from first_seq to upto_seq is kept; top_seq is the highest kept; receipt_seq was told aboard.
CREATE TABLE gateway (
    gateway         text PRIMARY KEY,
    vessel          text NOT NULL,
    first_seq       integer NOT NULL,
    upto_seq        integer NOT NULL,
    top_seq         integer NOT NULL,
    receipt_seq     integer NOT NULL DEFAULT 0,
    seen_at         text NOT NULL,
    gap_since       text,
    gap_told        integer NOT NULL DEFAULT 0
);

-- The durable record. engine is '' for the gateway's own events.
CREATE TABLE event (
    gateway         text NOT NULL,
    seq             integer NOT NULL,
    vessel          text NOT NULL,
    engine          text NOT NULL,
    event_at        text NOT NULL,
    kept_at         text NOT NULL,
    kind            text NOT NULL,
    subject         text NOT NULL,
    priority        text,
    came_from       text,
    went_to         text,
    hours           real,
    value           real,
    limit_value     real,
    unit            text,
    said            text NOT NULL,
    actor           text,
    message         text NOT NULL,
    PRIMARY KEY (gateway, seq)
);
CREATE INDEX event_by_vessel ON event (vessel, event_at);

-- A gap in seq that a person has closed, because what is missing will never come.
CREATE TABLE gap_closed (
    gateway         text NOT NULL,
    from_seq        integer NOT NULL,
    to_seq          integer NOT NULL,
    closed_at       text NOT NULL,
    actor           text NOT NULL,
    PRIMARY KEY (gateway, from_seq)
);

-- The present state of each alarm. engine is '' for the gateway's own.
CREATE TABLE alarm (
    vessel          text NOT NULL,
    engine          text NOT NULL,
    tag             text NOT NULL,
    alarm_at        text NOT NULL,
    state           text NOT NULL,
    priority        text NOT NULL,
    since_at        text,
    value           real,
    limit_value     real,
    unit            text NOT NULL,
    said            text NOT NULL,
    message         text NOT NULL,
    PRIMARY KEY (vessel, engine, tag)
);

-- Every trend; engine_now repeats the newest of each engine with what the lists need.
CREATE TABLE trend (
    vessel                      text NOT NULL,
    engine                      text NOT NULL,
    trend_at                    text NOT NULL,
    hours                       real,
    lag_deg_p05                 real,
    lag_deg                     real,
    lag_deg_p95                 real,
    lag_deg_per_1000h           real,
    elongation_percent          real,
    elongation_percent_per_1000h real,
    decision                    text NOT NULL,
    message                     text NOT NULL,
    PRIMARY KEY (vessel, engine, trend_at)
);
CREATE INDEX trend_by_time ON trend (trend_at);

CREATE TABLE engine_now (
    vessel                      text NOT NULL,
    engine                      text NOT NULL,
    trend_at                    text NOT NULL,
    hours                       real,
    lag_deg                     real,
    lag_deg_per_1000h           real,
    elongation_percent          real,
    elongation_percent_per_1000h real,
    next_limit                  text,
    hours_to_p05                real,
    hours_to_p50                real,
    date_p05                    text,
    date_p50                    text,
    decision                    text NOT NULL,
    why                         text NOT NULL,
    PRIMARY KEY (vessel, engine)
);

-- Only with `--readings`.
CREATE TABLE reading (
    vessel          text NOT NULL,
    engine          text NOT NULL,
    reading_at      text NOT NULL,
    running         text NOT NULL,
    hours           real,
    rpm             real,
    spring_mm       real,
    compression_mm  real,
    slap_mm         real,
    lag_deg         real,
    casing_c        real,
    spring_quality  text NOT NULL,
    lag_quality     text NOT NULL,
    PRIMARY KEY (vessel, engine, reading_at)
);
CREATE INDEX reading_by_time ON reading (reading_at);

-- The last messages that were not taken, cut short, and how many there were in all.
CREATE TABLE refused (
    id              INTEGER PRIMARY KEY AUTOINCREMENT,
    kept_at         text NOT NULL,
    vessel          text NOT NULL,
    topic           text NOT NULL,
    reason          text NOT NULL,
    detail          text NOT NULL,
    size_bytes      integer NOT NULL,
    beginning       text NOT NULL
);

CREATE TABLE refused_count (
    vessel          text NOT NULL,
    reason          text NOT NULL,
    messages        integer NOT NULL,
    last_at         text NOT NULL,
    PRIMARY KEY (vessel, reason)
);
