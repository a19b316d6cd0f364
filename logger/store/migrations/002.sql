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

-- Forwarders: a cursor for each table instead of a column, a gap to catch up with behind the live
-- edge, and the rows that servers refuse. What the one forwarder had delivered stays so.

DROP TRIGGER transmissions_rewritten;
DROP TRIGGER seconds_rewritten;

CREATE TABLE forwarded (
    forwarder TEXT NOT NULL,
    followed TEXT NOT NULL, -- the table
    live INTEGER NOT NULL DEFAULT 0,
    gap_after INTEGER NOT NULL DEFAULT 9223372036854775807,
    gap_upto INTEGER NOT NULL DEFAULT 0,
    rewrites INTEGER NOT NULL DEFAULT 0, -- counted, so that one during a delivery is noticed
    refused INTEGER NOT NULL DEFAULT 0, -- rows set aside so far
    taken_ns INTEGER, -- when the server last took rows
    PRIMARY KEY (forwarder, followed)
) WITHOUT ROWID;

CREATE TABLE refused_rows (
    id INTEGER PRIMARY KEY,
    forwarder TEXT NOT NULL,
    followed TEXT NOT NULL,
    row_id INTEGER NOT NULL,
    row_ns INTEGER NOT NULL, -- the time of the row
    time_ns INTEGER NOT NULL, -- when it was refused
    reason TEXT NOT NULL
);

INSERT INTO forwarded (forwarder, followed, live)
SELECT name, 'transmissions', transmission_id FROM forwarders;
INSERT INTO forwarded (forwarder, followed, live)
SELECT name, 'seconds', second_id FROM forwarders;
INSERT INTO forwarded (forwarder, followed, live)
SELECT name, 'alarm_changes', alarm_change_id FROM forwarders;
DROP TABLE forwarders;

CREATE TRIGGER transmissions_rewritten AFTER UPDATE ON transmissions WHEN NEW.ended BEGIN
    UPDATE forwarded
    SET gap_after = CASE WHEN live >= NEW.id THEN min(gap_after, NEW.id - 1) ELSE gap_after END,
        gap_upto = CASE WHEN live >= NEW.id THEN max(gap_upto, NEW.id) ELSE gap_upto END,
        rewrites = rewrites + 1
    WHERE followed = 'transmissions';
END;
CREATE TRIGGER transmissions_id_again AFTER INSERT ON transmissions BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'transmissions' AND live >= NEW.id;
END;
CREATE TRIGGER seconds_rewritten AFTER UPDATE ON seconds BEGIN
    UPDATE forwarded
    SET gap_after = CASE WHEN live >= NEW.id THEN min(gap_after, NEW.id - 1) ELSE gap_after END,
        gap_upto = CASE WHEN live >= NEW.id THEN max(gap_upto, NEW.id) ELSE gap_upto END,
        rewrites = rewrites + 1
    WHERE followed = 'seconds';
END;
CREATE TRIGGER seconds_id_again AFTER INSERT ON seconds BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'seconds' AND live >= NEW.id;
END;

-- What is thought of the host's clock, and alarms whose times are in doubt.

ALTER TABLE alarms ADD COLUMN flags INTEGER NOT NULL DEFAULT 0;

CREATE TABLE boots (
    name TEXT PRIMARY KEY,
    trust TEXT NOT NULL,
    before_ns INTEGER NOT NULL,
    since_ns INTEGER NOT NULL,
    offset_ns INTEGER NOT NULL,
    until_ns INTEGER
) WITHOUT ROWID;

CREATE TRIGGER alarm_changes_rewritten AFTER UPDATE ON alarm_changes BEGIN
    UPDATE forwarded
    SET gap_after = CASE WHEN live >= NEW.id THEN min(gap_after, NEW.id - 1) ELSE gap_after END,
        gap_upto = CASE WHEN live >= NEW.id THEN max(gap_upto, NEW.id) ELSE gap_upto END,
        rewrites = rewrites + 1
    WHERE followed = 'alarm_changes';
END;
CREATE TRIGGER health_rewritten AFTER UPDATE ON health BEGIN
    UPDATE forwarded
    SET gap_after = CASE WHEN live >= NEW.id THEN min(gap_after, NEW.id - 1) ELSE gap_after END,
        gap_upto = CASE WHEN live >= NEW.id THEN max(gap_upto, NEW.id) ELSE gap_upto END,
        rewrites = rewrites + 1
    WHERE followed = 'health';
END;
