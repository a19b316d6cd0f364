-- A store of version 1 as its program left it: three transmissions, of which the forwarder had
-- delivered two, and five of six changes of alarms. Invented data.
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE alarm_changes (
    id INTEGER PRIMARY KEY,
    alarm_id INTEGER NOT NULL REFERENCES alarms (id),
    change TEXT NOT NULL CHECK (change IN ('raised', 'cleared', 'acknowledged')),
    time_ns INTEGER NOT NULL
);
INSERT INTO "alarm_changes" VALUES(1,1,'raised',1772391605123456000);
INSERT INTO "alarm_changes" VALUES(2,1,'cleared',1772391606123456000);
INSERT INTO "alarm_changes" VALUES(3,2,'raised',1772391705123456000);
INSERT INTO "alarm_changes" VALUES(4,2,'cleared',1772391706123456000);
INSERT INTO "alarm_changes" VALUES(5,3,'raised',1772391805123456000);
INSERT INTO "alarm_changes" VALUES(6,3,'cleared',1772391806123456000);
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
INSERT INTO "alarms" VALUES(1,'high-swr','critical',1772391605123456000,1772391606123456000,NULL,8.5,3.0,1,'SWR 8.50, "open"?');
INSERT INTO "alarms" VALUES(2,'high-swr','critical',1772391705123456000,1772391706123456000,NULL,8.5,3.0,2,'SWR 8.50, "open"?');
INSERT INTO "alarms" VALUES(3,'high-swr','critical',1772391805123456000,1772391806123456000,NULL,8.5,3.0,3,'SWR 8.50, "open"?');
CREATE TABLE calibrations (
    id TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID;
INSERT INTO "calibrations" VALUES('abc','mismatchd_calibration: 1
');
CREATE TABLE excursions (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    duration_ms REAL,
    swr_peak REAL,
    channel INTEGER,
    transmission_id INTEGER REFERENCES transmissions (id),
    capture_id INTEGER
);
CREATE TABLE forwarders (
    name TEXT PRIMARY KEY,
    transmission_id INTEGER NOT NULL DEFAULT 0,
    second_id INTEGER NOT NULL DEFAULT 0,
    alarm_change_id INTEGER NOT NULL DEFAULT 0,
    rewrites INTEGER NOT NULL DEFAULT 0 -- counted, so that one during a delivery is noticed
) WITHOUT ROWID;
INSERT INTO "forwarders" VALUES('influxdb',2,4,5,0);
CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
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
INSERT INTO "seconds" VALUES(2,1772391606123456000,1,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
INSERT INTO "seconds" VALUES(3,1772391705123456000,2,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
INSERT INTO "seconds" VALUES(4,1772391706123456000,2,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
INSERT INTO "seconds" VALUES(5,1772391805123456000,3,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
INSERT INTO "seconds" VALUES(6,1772391806123456000,3,4.0,0.04,NULL,NULL,NULL,200,1,NULL,NULL,1.023457,0.03);
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
INSERT INTO "transmissions" VALUES(1,1772391605123456000,1772391608123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,0.0,20,27205.0,'abc',0,1.21,1.23,590);
INSERT INTO "transmissions" VALUES(2,1772391705123456000,1772391708123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,1.0,20,27205.0,'abc',0,1.21,1.23,590);
INSERT INTO "transmissions" VALUES(3,1772391805123456000,1772391808123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,2.0,20,27205.0,'abc',0,1.21,1.23,590);
CREATE INDEX transmissions_going_on ON transmissions (id) WHERE ended = 0;
CREATE INDEX alarms_open ON alarms (kind) WHERE cleared_ns IS NULL;
CREATE INDEX excursions_time ON excursions (time_ns);
CREATE INDEX journal_time ON journal (time_ns);
CREATE TRIGGER transmissions_rewritten AFTER UPDATE ON transmissions WHEN OLD.ended BEGIN
    UPDATE forwarders
    SET transmission_id = min(transmission_id, NEW.id - 1), rewrites = rewrites + 1;
END;
CREATE TRIGGER seconds_rewritten AFTER UPDATE ON seconds BEGIN
    UPDATE forwarders SET second_id = min(second_id, NEW.id - 1), rewrites = rewrites + 1;
END;
COMMIT;
