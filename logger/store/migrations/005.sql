-- What the transmissions of a UTC day on a channel (or, without one, a frequency) come to. Derived:
-- a day that is stale, as some of its transmissions were written since, is made anew when asked for.
CREATE TABLE days (
    id INTEGER PRIMARY KEY,
    day INTEGER NOT NULL, -- from 1970-01-01
    channel INTEGER,
    frequency_khz REAL,
    swr REAL NOT NULL, -- median
    spread REAL NOT NULL,
    transmissions INTEGER NOT NULL,
    power_w REAL NOT NULL,
    calibration_id TEXT NOT NULL REFERENCES calibrations (id)
);
CREATE INDEX days_day ON days (day);
CREATE TABLE stale_days (
    day INTEGER PRIMARY KEY
);

-- Hours or days of weather, from files or from the bridge; rain is the sum since the row before.
CREATE TABLE weather (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL UNIQUE,
    temperature_c REAL,
    rain_mm REAL,
    wind_m_s REAL
);
INSERT INTO stale_days SELECT DISTINCT start_ns / 86400000000000 FROM transmissions WHERE ended;

-- `INSERT OR IGNORE` would not do: within a trigger the policy of the statement outside holds.
CREATE TRIGGER transmissions_put_day AFTER INSERT ON transmissions WHEN NEW.ended BEGIN
    INSERT INTO stale_days SELECT NEW.start_ns / 86400000000000
    WHERE NOT EXISTS (SELECT 1 FROM stale_days WHERE day = NEW.start_ns / 86400000000000);
END;
CREATE TRIGGER transmissions_set_day AFTER UPDATE ON transmissions WHEN NEW.ended OR OLD.ended BEGIN
    INSERT INTO stale_days SELECT OLD.start_ns / 86400000000000
    WHERE NOT EXISTS (SELECT 1 FROM stale_days WHERE day = OLD.start_ns / 86400000000000);
    INSERT INTO stale_days SELECT NEW.start_ns / 86400000000000
    WHERE NOT EXISTS (SELECT 1 FROM stale_days WHERE day = NEW.start_ns / 86400000000000);
END;
CREATE TRIGGER transmissions_gone_day AFTER DELETE ON transmissions WHEN OLD.ended BEGIN
    INSERT INTO stale_days SELECT OLD.start_ns / 86400000000000
    WHERE NOT EXISTS (SELECT 1 FROM stale_days WHERE day = OLD.start_ns / 86400000000000);
END;
