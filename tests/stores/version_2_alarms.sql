-- A store of version 2 as its program left it: three transmissions with an alarm each, the first
-- acknowledged, the last open. Invented data.
PRAGMA user_version = 2;
BEGIN TRANSACTION;
CREATE TABLE alarm_changes (
    id INTEGER PRIMARY KEY,
    alarm_id INTEGER NOT NULL REFERENCES alarms (id),
    change TEXT NOT NULL CHECK (change IN ('raised', 'cleared', 'acknowledged')),
    time_ns INTEGER NOT NULL
);
INSERT INTO "alarm_changes" VALUES(1,1,'raised',1772391606123456000);
INSERT INTO "alarm_changes" VALUES(2,1,'cleared',1772391607123456000);
INSERT INTO "alarm_changes" VALUES(3,2,'raised',1772391626123456000);
INSERT INTO "alarm_changes" VALUES(4,2,'cleared',1772391627123456000);
INSERT INTO "alarm_changes" VALUES(5,3,'raised',1772391646123456000);
INSERT INTO "alarm_changes" VALUES(6,1,'acknowledged',1772391705123456000);
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
    flags INTEGER NOT NULL DEFAULT 0,
    UNIQUE (raised_ns, kind)
);
INSERT INTO "alarms" VALUES(1,'high-swr','critical',1772391606123456000,1772391607123456000,1772391705123456000,8.5,3.0,1,'SWR 8.50, "open"?',0);
INSERT INTO "alarms" VALUES(2,'high-swr','critical',1772391626123456000,1772391627123456000,NULL,8.5,3.0,2,'SWR 8.50, "open"?',0);
INSERT INTO "alarms" VALUES(3,'high-swr','critical',1772391646123456000,NULL,NULL,8.5,3.0,3,'SWR 8.50, "open"?',0);
CREATE TABLE boots (
    name TEXT PRIMARY KEY,
    trust TEXT NOT NULL,
    before_ns INTEGER NOT NULL,
    since_ns INTEGER NOT NULL,
    offset_ns INTEGER NOT NULL, -- of these rows' times from the host's even clock
    until_ns INTEGER
) WITHOUT ROWID;
CREATE TABLE calibrations (
    id TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID;
INSERT INTO "calibrations" VALUES('abc','made up for the test');
CREATE TABLE excursions (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    duration_ms REAL,
    swr_peak REAL,
    channel INTEGER,
    transmission_id INTEGER REFERENCES transmissions (id),
    capture_id INTEGER
);
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
CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
);
CREATE TABLE refused_rows (
    id INTEGER PRIMARY KEY,
    forwarder TEXT NOT NULL,
    followed TEXT NOT NULL,
    row_id INTEGER NOT NULL,
    row_ns INTEGER NOT NULL, -- the time of the row
    time_ns INTEGER NOT NULL, -- when it was refused
    reason TEXT NOT NULL
);
CREATE TABLE runs (
    first_ns INTEGER PRIMARY KEY
);
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
INSERT INTO "seconds" VALUES(1,1772391605123456000,1,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
INSERT INTO "seconds" VALUES(2,1772391625123456000,2,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
INSERT INTO "seconds" VALUES(3,1772391645123456000,3,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
CREATE TABLE segments (
    first_ns INTEGER PRIMARY KEY,
    last_ns INTEGER NOT NULL,
    pairs INTEGER NOT NULL,
    merged INTEGER NOT NULL,
    data BLOB NOT NULL
);
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
INSERT INTO "transmissions" VALUES(1,1772391605123456000,1772391608123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,12.0,20,27205.0,'abc',0,1.21,1.23,590);
INSERT INTO "transmissions" VALUES(2,1772391625123456000,1772391628123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,12.0,20,27205.0,'abc',0,1.21,1.23,590);
INSERT INTO "transmissions" VALUES(3,1772391645123456000,1772391648123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,12.0,20,27205.0,'abc',0,1.21,1.23,590);
CREATE INDEX transmissions_going_on ON transmissions (id) WHERE ended = 0;
CREATE INDEX alarms_open ON alarms (kind) WHERE cleared_ns IS NULL;
CREATE INDEX excursions_time ON excursions (time_ns);
CREATE INDEX journal_time ON journal (time_ns);
CREATE INDEX health_time ON health (time_ns);
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
COMMIT;
