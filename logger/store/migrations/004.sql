-- Loss of the installed line, measured with its far end open or shorted.
CREATE TABLE line_losses (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    far_end TEXT NOT NULL CHECK (far_end IN ('open', 'short')),
    loss_db REAL, -- NULL: more than can be told; the upper bound likewise
    loss_low_db REAL NOT NULL,
    loss_high_db REAL,
    swr REAL NOT NULL,
    forward_w REAL,
    channel INTEGER,
    frequency_khz REAL,
    cable TEXT,
    length_m REAL,
    nominal_db REAL,
    nominal_low_db REAL,
    nominal_high_db REAL,
    calibration_id TEXT NOT NULL REFERENCES calibrations (id),
    transmission_id INTEGER REFERENCES transmissions (id)
);
CREATE INDEX line_losses_time ON line_losses (time_ns);

-- What a person does at the station step by step (`tune`, `wiggle`, `isolate`), as JSON.
CREATE TABLE sessions (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    begun_ns INTEGER NOT NULL,
    changed_ns INTEGER NOT NULL,
    ended INTEGER NOT NULL, -- 0 while it can be resumed
    content BLOB NOT NULL
);
