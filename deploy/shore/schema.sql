-- The fleet's store in PostgreSQL 13 or later. Plain SQL, no extension; `camdrift shore keep` makes it by itself.
-- Times `..._at` told by a ship are her clock's; `kept_at`, `heard_at` and `seen_at` are the shore's.

CREATE TABLE vessel (
    vessel          text PRIMARY KEY,
    state           text CHECK (state IN ('online', 'offline')),
    presence_at     timestamptz,
    version         text,
    heard_at        timestamptz NOT NULL,
    silent_since    timestamptz
);

-- A gateway belongs to the vessel under whose topics it was first heard; from another vessel it is refused.
-- Everything from first_seq to upto_seq is kept; top_seq is the highest kept; receipt_seq was told aboard.
CREATE TABLE gateway (
    gateway         text PRIMARY KEY,
    vessel          text NOT NULL,
    first_seq       bigint NOT NULL,
    upto_seq        bigint NOT NULL,
    top_seq         bigint NOT NULL,
    receipt_seq     bigint NOT NULL DEFAULT 0,
    seen_at         timestamptz NOT NULL,
    gap_since       timestamptz,
    gap_told        integer NOT NULL DEFAULT 0
);

-- The durable record. engine is '' for the gateway's own events.
CREATE TABLE event (
    gateway         text NOT NULL,
    seq             bigint NOT NULL,
    vessel          text NOT NULL,
    engine          text NOT NULL,
    event_at        timestamptz NOT NULL,
    kept_at         timestamptz NOT NULL,
    kind            text NOT NULL,
    subject         text NOT NULL,
    priority        text,
    came_from       text,
    went_to         text,
    hours           double precision,
    value           double precision,
    limit_value     double precision,
    unit            text,
    said            text NOT NULL,
    actor           text,
    message         jsonb NOT NULL,
    PRIMARY KEY (gateway, seq)
);
CREATE INDEX event_by_vessel ON event (vessel, event_at);

-- A gap in seq that a person has closed, because what is missing will never come.
CREATE TABLE gap_closed (
    gateway         text NOT NULL,
    from_seq        bigint NOT NULL,
    to_seq          bigint NOT NULL,
    closed_at       timestamptz NOT NULL,
    actor           text NOT NULL,
    PRIMARY KEY (gateway, from_seq)
);

-- The present state of each alarm. engine is '' for the gateway's own.
CREATE TABLE alarm (
    vessel          text NOT NULL,
    engine          text NOT NULL,
    tag             text NOT NULL,
    alarm_at        timestamptz NOT NULL,
    state           text NOT NULL,
    priority        text NOT NULL,
    since_at        timestamptz,
    value           double precision,
    limit_value     double precision,
    unit            text NOT NULL,
    said            text NOT NULL,
    message         jsonb NOT NULL,
    PRIMARY KEY (vessel, engine, tag)
);

-- Every trend; engine_now repeats the newest of each engine with what the lists need.
CREATE TABLE trend (
    vessel                      text NOT NULL,
    engine                      text NOT NULL,
    trend_at                    timestamptz NOT NULL,
    hours                       double precision,
    lag_deg_p05                 double precision,
    lag_deg                     double precision,
    lag_deg_p95                 double precision,
    lag_deg_per_1000h           double precision,
    elongation_percent          double precision,
    elongation_percent_per_1000h double precision,
    decision                    text NOT NULL,
    message                     jsonb NOT NULL,
    PRIMARY KEY (vessel, engine, trend_at)
);
CREATE INDEX trend_by_time ON trend (trend_at);

CREATE TABLE engine_now (
    vessel                      text NOT NULL,
    engine                      text NOT NULL,
    trend_at                    timestamptz NOT NULL,
    hours                       double precision,
    lag_deg                     double precision,
    lag_deg_per_1000h           double precision,
    elongation_percent          double precision,
    elongation_percent_per_1000h double precision,
    next_limit                  text,
    hours_to_p05                double precision,
    hours_to_p50                double precision,
    date_p05                    date,
    date_p50                    date,
    decision                    text NOT NULL,
    why                         text NOT NULL,
    PRIMARY KEY (vessel, engine)
);

-- Only with `--readings`.
CREATE TABLE reading (
    vessel          text NOT NULL,
    engine          text NOT NULL,
    reading_at      timestamptz NOT NULL,
    running         text NOT NULL,
    hours           double precision,
    rpm             double precision,
    spring_mm       double precision,
    compression_mm  double precision,
    slap_mm         double precision,
    lag_deg         double precision,
    casing_c        double precision,
    spring_quality  text NOT NULL,
    lag_quality     text NOT NULL,
    PRIMARY KEY (vessel, engine, reading_at)
);
CREATE INDEX reading_by_time ON reading (reading_at);

-- The last messages that were not taken, cut short, and how many there were in all.
CREATE TABLE refused (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    kept_at         timestamptz NOT NULL,
    vessel          text NOT NULL,
    topic           text NOT NULL,
    reason          text NOT NULL,
    detail          text NOT NULL,
    size_bytes      bigint NOT NULL,
    beginning       text NOT NULL
);

CREATE TABLE refused_count (
    vessel          text NOT NULL,
    reason          text NOT NULL,
    messages        bigint NOT NULL,
    last_at         timestamptz NOT NULL,
    PRIMARY KEY (vessel, reason)
);

-- A receipt names what is missing, so that the ship sends it again. receipt_at: when it was last published;
-- asked: the ranges that it named, as JSON; asks: how often these same ones were asked for; ask_at: when next.

ALTER TABLE gateway ADD COLUMN receipt_at timestamptz NOT NULL DEFAULT '1970-01-01T00:00:00.000Z';
ALTER TABLE gateway ADD COLUMN asked text NOT NULL DEFAULT '[]';
ALTER TABLE gateway ADD COLUMN asks integer NOT NULL DEFAULT 0;
ALTER TABLE gateway ADD COLUMN ask_at timestamptz NOT NULL DEFAULT '1970-01-01T00:00:00.000Z';

-- Since when a vessel is online or offline, by the shore's clock: the time in the message is that of its connection.

ALTER TABLE vessel ADD COLUMN state_since timestamptz;

-- Notices to people. Times are the shore's clock.

-- Keepers and notifiers at work: a row is renewed each half minute. since_at: since when without a break.
CREATE TABLE worker (
    kind            text NOT NULL,
    name            text NOT NULL,
    since_at        timestamptz NOT NULL,
    seen_at         timestamptz NOT NULL,
    PRIMARY KEY (kind, name)
);

-- The last silences of a ship that have ended, in s, as JSON: her habit.
ALTER TABLE vessel ADD COLUMN silences text NOT NULL DEFAULT '[]';

-- A situation and how far people were notified of it; situation and people as JSON. over_at: it is closed.
CREATE TABLE notice (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    key             text NOT NULL,
    situation       text NOT NULL,
    opened_at       timestamptz NOT NULL,
    step            integer NOT NULL,
    next_at         timestamptz NOT NULL,
    absent_at       timestamptz,
    people          text NOT NULL,
    seen_by         text NOT NULL DEFAULT '',
    seen_at         timestamptz,
    over_at         timestamptz
);
CREATE UNIQUE INDEX notice_open ON notice (key) WHERE over_at IS NULL;

-- What goes to one person at once. about: the notices' ids, as JSON; once: a name of which there is one for ever, for
-- digests; claimed_until: a notifier is sending it; dropped_at: given up.
CREATE TABLE delivery (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    person          text NOT NULL,
    kind            text NOT NULL,
    title           text NOT NULL,
    body            text NOT NULL,
    about           text NOT NULL,
    once            text UNIQUE,
    made_at         timestamptz NOT NULL,
    next_try_at     timestamptz NOT NULL,
    claimed_until   timestamptz,
    tries           integer NOT NULL DEFAULT 0,
    failure         text NOT NULL DEFAULT '',
    sent_at         timestamptz,
    dropped_at      timestamptz
);
CREATE INDEX delivery_waiting ON delivery (next_try_at) WHERE sent_at IS NULL AND dropped_at IS NULL;
CREATE INDEX delivery_by_person ON delivery (person, made_at);

-- A link in a delivery, by the SHA-256 of its secret; each try has one of its own.
CREATE TABLE delivery_link (
    digest          text PRIMARY KEY,
    delivery        bigint NOT NULL,
    expires_at      timestamptz NOT NULL
);

-- One row: whoever decides holds it.
CREATE TABLE notice_lock (
    id              integer PRIMARY KEY
);
INSERT INTO notice_lock (id) VALUES (1);

-- For the fleet's page: what a trend has besides, from now on, and port stays that a planner has typed.

ALTER TABLE trend ADD COLUMN spring_mm double precision;
ALTER TABLE trend ADD COLUMN lost_motion_deg double precision;

CREATE TABLE port_stay (
    id              bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    vessel          text NOT NULL,
    port            text NOT NULL,
    from_day        date NOT NULL,
    to_day          date NOT NULL,
    actor           text NOT NULL,
    made_at         timestamptz NOT NULL
);

-- Trends and readings by month: retention drops a month's table instead of deleting its rows. Events are not divided:
-- what makes them once in effect is the key (gateway, seq) over all of them, and they are few. The keepers make the
-- months (`trend_2031_02`) ahead; what lies in none of them goes to `trend_other`, and moves when its month is made.

ALTER TABLE trend RENAME TO trend_whole;
ALTER TABLE trend_whole RENAME CONSTRAINT trend_pkey TO trend_whole_pkey;
DROP INDEX trend_by_time;
CREATE TABLE trend (LIKE trend_whole INCLUDING DEFAULTS, PRIMARY KEY (vessel, engine, trend_at))
    PARTITION BY RANGE (trend_at);
CREATE INDEX trend_by_time ON trend (trend_at);
CREATE TABLE trend_other PARTITION OF trend DEFAULT;
INSERT INTO trend SELECT * FROM trend_whole;
DROP TABLE trend_whole;

ALTER TABLE reading RENAME TO reading_whole;
ALTER TABLE reading_whole RENAME CONSTRAINT reading_pkey TO reading_whole_pkey;
DROP INDEX reading_by_time;
CREATE TABLE reading (LIKE reading_whole INCLUDING DEFAULTS, PRIMARY KEY (vessel, engine, reading_at))
    PARTITION BY RANGE (reading_at);
CREATE INDEX reading_by_time ON reading (reading_at);
CREATE TABLE reading_other PARTITION OF reading DEFAULT;
INSERT INTO reading SELECT * FROM reading_whole;
DROP TABLE reading_whole;

-- The newest trend's message, beside the figures that the lists need.

ALTER TABLE engine_now ADD COLUMN message jsonb;

-- So that no list has to look for it among all trends.

UPDATE engine_now SET message = (
    SELECT t.message FROM trend t
    WHERE t.vessel = engine_now.vessel AND t.engine = engine_now.engine AND t.trend_at = engine_now.trend_at
) WHERE message IS NULL;
