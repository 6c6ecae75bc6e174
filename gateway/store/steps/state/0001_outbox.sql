CREATE TABLE fact (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

CREATE TABLE event (
    seq INTEGER PRIMARY KEY,
    utc TEXT NOT NULL,
    topic TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('alarm', 'adjustment', 'gateway')),
    payload BLOB NOT NULL
);

-- Alarms are the many; the few others are found without reading past them, at no cost to an alarm's commit.
CREATE INDEX event_other ON event (kind, seq) WHERE kind <> 'alarm';

CREATE TABLE retained (
    topic TEXT PRIMARY KEY,
    klass TEXT NOT NULL CHECK (klass IN ('alarm', 'trend')),
    rev INTEGER NOT NULL,
    payload BLOB NOT NULL
) WITHOUT ROWID;

-- place: every event up to it is done for this broker. active: 0 = no longer in the settings.
CREATE TABLE broker (
    name TEXT PRIMARY KEY,
    active INTEGER NOT NULL,
    classes TEXT NOT NULL,
    place INTEGER NOT NULL,
    dropped INTEGER NOT NULL DEFAULT 0
) WITHOUT ROWID;

CREATE TABLE retained_done (
    broker TEXT NOT NULL,
    topic TEXT NOT NULL,
    rev INTEGER NOT NULL,
    PRIMARY KEY (broker, topic)
) WITHOUT ROWID;

CREATE TABLE checkpoint (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
