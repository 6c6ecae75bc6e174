-- What people did at the work sheets: opened, ticked, countersigned, typed, unlocked, booked, closed; as JSON. Nothing in
-- here is ever changed or deleted; `n` is the order in which it was done, `utc` when.
CREATE TABLE sheet_act (
    n INTEGER PRIMARY KEY,
    engine TEXT NOT NULL,
    sheet TEXT NOT NULL,
    utc TEXT NOT NULL,
    act TEXT NOT NULL
);
