CREATE TABLE engine (id INTEGER PRIMARY KEY, slug TEXT NOT NULL UNIQUE);

-- grade: 0 ten minutes, 1 an hour, 2 a day.
CREATE TABLE median (
    engine INTEGER NOT NULL REFERENCES engine,
    utc_s REAL NOT NULL,
    grade INTEGER NOT NULL DEFAULT 0,
    hours REAL NOT NULL,
    revolutions INTEGER NOT NULL,
    lag_deg REAL,
    lag_mad_deg REAL,
    spring_mm REAL,
    spring_mad_mm REAL,
    rpm REAL NOT NULL,
    casing_c REAL,
    frame_c REAL,
    load REAL,
    PRIMARY KEY (engine, utc_s)
) WITHOUT ROWID;

CREATE INDEX median_hours ON median (engine, hours);

-- Minute means for the page's view of the last hours and days.
CREATE TABLE reading (
    engine INTEGER NOT NULL REFERENCES engine,
    utc_s REAL NOT NULL,
    rpm REAL,
    spring_mm REAL,
    compression_mm REAL,
    tension_n REAL,
    slap_mm REAL,
    lag_deg REAL,
    lag_p2p_deg REAL,
    casing_c REAL,
    PRIMARY KEY (engine, utc_s)
) WITHOUT ROWID;
