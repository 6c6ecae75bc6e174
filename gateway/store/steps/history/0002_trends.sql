-- The last trend of each UTC day, as it was published, squeezed by zlib: a report says what was so at its period's end.
CREATE TABLE trend (
    engine INTEGER NOT NULL REFERENCES engine,
    day INTEGER NOT NULL,
    utc_s REAL NOT NULL,
    payload BLOB NOT NULL,
    PRIMARY KEY (engine, day)
);

-- Events that a survey file needs long after the outbox has let go of them: alarms of priority alarm and above, what
-- people did to alarms, starts of the gateway. `seq` as in the outbox; payload: the event's JSON, squeezed by zlib.
CREATE TABLE kept_event (
    seq INTEGER PRIMARY KEY,
    utc_s REAL NOT NULL,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL
);
