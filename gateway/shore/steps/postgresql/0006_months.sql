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
