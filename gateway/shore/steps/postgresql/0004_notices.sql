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
