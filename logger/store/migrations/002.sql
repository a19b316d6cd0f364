CREATE TABLE segments (
    first_ns INTEGER PRIMARY KEY,
    last_ns INTEGER NOT NULL,
    pairs INTEGER NOT NULL,
    merged INTEGER NOT NULL,
    data BLOB NOT NULL
);
CREATE TABLE runs (
    first_ns INTEGER PRIMARY KEY
);

-- How the daemon fared, a row a minute.
CREATE TABLE health (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    duration_s REAL,
    pairs INTEGER,
    pairs_per_s REAL,
    gaps INTEGER,
    input_dropped INTEGER,
    queue_max INTEGER,
    rows_dropped INTEGER,
    commits INTEGER,
    commit_ms_mean REAL,
    commit_ms_max REAL,
    commits_failed INTEGER,
    clock_synchronised INTEGER,
    clock_step_ms REAL,
    forwarder_backlog INTEGER
);
CREATE INDEX health_time ON health (time_ns);

ALTER TABLE forwarders ADD COLUMN health_id INTEGER NOT NULL DEFAULT 0;
