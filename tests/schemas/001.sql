-- The current schema. Its version is the highest number in migrations/, or 1.
-- Times are UTC nanoseconds, flags the bits of logger.rows.Flag. Ids are never used again while a
-- higher one exists, so a forwarder can follow a table by id. References are set by the one
-- writer and not checked again by SQLite.

CREATE TABLE transmissions (
    id INTEGER PRIMARY KEY,
    start_ns INTEGER NOT NULL UNIQUE,
    end_ns INTEGER NOT NULL,
    ended INTEGER NOT NULL, -- 0 while it goes on
    samples INTEGER NOT NULL,
    forward_w_mean REAL,
    forward_w_max REAL,
    reflected_w_mean REAL,
    reflected_w_max REAL,
    swr REAL,
    swr_low REAL,
    swr_high REAL,
    swr_max REAL,
    energy_j REAL,
    channel INTEGER,
    frequency_khz REAL,
    calibration_id TEXT NOT NULL REFERENCES calibrations (id),
    flags INTEGER NOT NULL,
    swr_noise_low REAL,
    swr_noise_high REAL,
    settled_samples INTEGER NOT NULL
);
CREATE INDEX transmissions_going_on ON transmissions (id) WHERE ended = 0;

CREATE TABLE seconds (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL UNIQUE,
    transmission_id INTEGER NOT NULL REFERENCES transmissions (id),
    forward_w REAL,
    reflected_w REAL,
    swr REAL,
    swr_low REAL,
    swr_high REAL,
    samples INTEGER NOT NULL,
    flags INTEGER NOT NULL,
    swr_noise_low REAL,
    swr_noise_high REAL,
    forward_v REAL,
    reflected_v REAL
);

CREATE TABLE alarms (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    severity TEXT NOT NULL,
    raised_ns INTEGER NOT NULL,
    cleared_ns INTEGER,
    acknowledged_ns INTEGER,
    value REAL,
    "limit" REAL,
    transmission_id INTEGER REFERENCES transmissions (id),
    detail TEXT NOT NULL,
    UNIQUE (raised_ns, kind)
);
CREATE INDEX alarms_open ON alarms (kind) WHERE cleared_ns IS NULL;

-- Only ever added to; who follows it misses nothing.
CREATE TABLE alarm_changes (
    id INTEGER PRIMARY KEY,
    alarm_id INTEGER NOT NULL REFERENCES alarms (id),
    change TEXT NOT NULL CHECK (change IN ('raised', 'cleared', 'acknowledged')),
    time_ns INTEGER NOT NULL
);

CREATE TABLE excursions (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    duration_ms REAL,
    swr_peak REAL,
    channel INTEGER,
    transmission_id INTEGER REFERENCES transmissions (id),
    capture_id INTEGER
);
CREATE INDEX excursions_time ON excursions (time_ns);

CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
);
CREATE INDEX journal_time ON journal (time_ns);

CREATE TABLE calibrations (
    id TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID;

-- How far each forwarder has got: the last id it has delivered of each table.
CREATE TABLE forwarders (
    name TEXT PRIMARY KEY,
    transmission_id INTEGER NOT NULL DEFAULT 0,
    second_id INTEGER NOT NULL DEFAULT 0,
    alarm_change_id INTEGER NOT NULL DEFAULT 0,
    rewrites INTEGER NOT NULL DEFAULT 0 -- counted, so that one during a delivery is noticed
) WITHOUT ROWID;

-- A row that is derived anew is delivered anew.
CREATE TRIGGER transmissions_rewritten AFTER UPDATE ON transmissions WHEN OLD.ended BEGIN
    UPDATE forwarders
    SET transmission_id = min(transmission_id, NEW.id - 1), rewrites = rewrites + 1;
END;
CREATE TRIGGER seconds_rewritten AFTER UPDATE ON seconds BEGIN
    UPDATE forwarders SET second_id = min(second_id, NEW.id - 1), rewrites = rewrites + 1;
END;
