-- The log book. Nothing in here is ever changed or deleted; `n` is the order of typing, `utc` when it was typed.
CREATE TABLE booking (
    n INTEGER PRIMARY KEY,
    engine TEXT NOT NULL,
    id TEXT NOT NULL,
    kind TEXT NOT NULL,
    utc TEXT NOT NULL,
    entry TEXT NOT NULL,
    UNIQUE (engine, id)
);
