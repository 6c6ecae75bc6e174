-- Every trend, for brokers that want each and not only the latest (`every-trend` among their classes). `n` is the
-- revision under which the trend once stood in `retained`.
CREATE TABLE trend (
    n INTEGER PRIMARY KEY,
    topic TEXT NOT NULL,
    payload BLOB NOT NULL
);

-- trend_place: every trend up to it is done for this broker; trends_told: how many of those dropped an event has told.
ALTER TABLE broker ADD COLUMN trend_place INTEGER NOT NULL DEFAULT 0;
ALTER TABLE broker ADD COLUMN trends_dropped INTEGER NOT NULL DEFAULT 0;
ALTER TABLE broker ADD COLUMN trends_told INTEGER NOT NULL DEFAULT 0;
