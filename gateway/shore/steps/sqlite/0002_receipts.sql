-- A receipt names what is missing, so that the ship sends it again. receipt_at: when it was last published;
-- asked: the ranges that it named, as JSON; asks: how often these same ones were asked for; ask_at: when next.

ALTER TABLE gateway ADD COLUMN receipt_at text NOT NULL DEFAULT '1970-01-01T00:00:00.000Z';
ALTER TABLE gateway ADD COLUMN asked text NOT NULL DEFAULT '[]';
ALTER TABLE gateway ADD COLUMN asks integer NOT NULL DEFAULT 0;
ALTER TABLE gateway ADD COLUMN ask_at text NOT NULL DEFAULT '1970-01-01T00:00:00.000Z';
