-- So that no list has to look for it among all trends.

UPDATE engine_now SET message = (
    SELECT t.message FROM trend t
    WHERE t.vessel = engine_now.vessel AND t.engine = engine_now.engine AND t.trend_at = engine_now.trend_at
) WHERE message IS NULL;
