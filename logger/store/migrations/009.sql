-- Checks of the calibrated coupler against the dummy load of its calibration.
CREATE TABLE verifications (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    forward_w REAL NOT NULL,
    reflected_w REAL NOT NULL,
    open_forward_w REAL,
    open_reflected_w REAL,
    reference_w REAL,
    forward_db REAL NOT NULL,
    forward_u_db REAL NOT NULL,
    forward_expected_u_db REAL, -- NULL: nothing is predicted; the others likewise
    load_db REAL NOT NULL,
    load_u_db REAL NOT NULL,
    load_expected_u_db REAL,
    open_db REAL,
    open_u_db REAL,
    open_expected_u_db REAL,
    verdict TEXT NOT NULL,
    port TEXT,
    drift_db REAL,
    drift_u_db REAL,
    since_ns INTEGER,
    channel INTEGER,
    frequency_khz REAL,
    calibration_id TEXT NOT NULL REFERENCES calibrations (id),
    transmission_id INTEGER REFERENCES transmissions (id),
    open_transmission_id INTEGER REFERENCES transmissions (id)
);
CREATE INDEX verifications_time ON verifications (time_ns);
