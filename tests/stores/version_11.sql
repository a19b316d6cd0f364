-- A store of version 11 as its program left it: that of version 10, with the id of its station.
-- Invented data.
PRAGMA user_version = 11;
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
    flags INTEGER NOT NULL DEFAULT 0,
    shelved_until_ns INTEGER, -- its kind is not told until then
    capture_id INTEGER, fault_id INTEGER,
    UNIQUE (raised_ns, kind)
);
INSERT INTO "alarms" VALUES(1,'high-swr','critical',1772391605123456000,1772391606123456000,NULL,8.5,3.0,1,'SWR 8.50, "open"?',0,NULL,1,1);
INSERT INTO "alarms" VALUES(2,'high-swr','critical',1772391705123456000,1772391706123456000,NULL,8.5,3.0,2,'SWR 8.50, "open"?',0,NULL,2,1);
INSERT INTO "alarms" VALUES(3,'high-swr','critical',1772391805123456000,1772391806123456000,NULL,8.5,3.0,3,'SWR 8.50, "open"?',0,NULL,3,1);
CREATE TABLE boots (
    name TEXT PRIMARY KEY,
    trust TEXT NOT NULL,
    before_ns INTEGER NOT NULL,
    since_ns INTEGER NOT NULL,
    offset_ns INTEGER NOT NULL, -- of these rows' times from the host's even clock
    until_ns INTEGER
) WITHOUT ROWID;
INSERT INTO "boots" VALUES('a-boot','followed',1772391605123456000,1772391605123456000,5,NULL);
CREATE TABLE calibrations (
    id TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID;
INSERT INTO "calibrations" VALUES('abc','text');
CREATE TABLE captures (
    id INTEGER PRIMARY KEY,
    first_ns INTEGER NOT NULL,
    last_ns INTEGER NOT NULL,
    UNIQUE (first_ns, last_ns)
);
INSERT INTO "captures" VALUES(1,1772391603123456000,1772391608123456000);
INSERT INTO "captures" VALUES(2,1772391703123456000,1772391708123456000);
INSERT INTO "captures" VALUES(3,1772391803123456000,1772391808123456000);
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
, antenna TEXT);
INSERT INTO "days" VALUES(1,20513,20,27205.0,1.22,0.01,3,4.0,'abc',NULL);
CREATE TABLE deliveries (
    id INTEGER PRIMARY KEY,
    notifier TEXT NOT NULL,
    event TEXT NOT NULL, -- alarm, fault or daily
    change_id INTEGER, -- of the alarm or the fault
    kind TEXT, -- of the alarm, or what else the message is about
    message TEXT, -- JSON, once it has been attempted
    attempts INTEGER NOT NULL DEFAULT 0,
    ended_ns INTEGER, -- when it was delivered, or given up
    refusal TEXT -- why it was given up
);
INSERT INTO "deliveries" VALUES(1,'mail','daily',NULL,'daily','{"event":"daily","message_id":"a","text":"here: watching"}',1,NULL,NULL);
INSERT INTO "deliveries" VALUES(2,'command','alarm',5,NULL,NULL,0,NULL,NULL);
INSERT INTO "deliveries" VALUES(3,'command','alarm',6,NULL,NULL,0,NULL,NULL);
INSERT INTO "deliveries" VALUES(4,'command','fault',1,NULL,NULL,0,NULL,NULL);
INSERT INTO "deliveries" VALUES(5,'command','fault',2,NULL,NULL,0,NULL,NULL);
INSERT INTO "deliveries" VALUES(6,'mail','fault',2,NULL,NULL,0,NULL,NULL);
CREATE TABLE excursions (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    duration_ms REAL,
    swr_peak REAL,
    channel INTEGER,
    transmission_id INTEGER REFERENCES transmissions (id),
    capture_id INTEGER,
    swr_beside REAL
, fault_id INTEGER);
INSERT INTO "excursions" VALUES(1,1772391605623456000,20.0,4.1,20,1,1,1.22,1);
CREATE TABLE fault_changes (
    id INTEGER PRIMARY KEY,
    fault_id INTEGER NOT NULL REFERENCES faults (id),
    change TEXT NOT NULL,
    time_ns INTEGER NOT NULL,
    summary TEXT NOT NULL
);
INSERT INTO "fault_changes" VALUES(1,1,'opened',1772391605123456000,'Feedline or antenna: SWR 8.50');
INSERT INTO "fault_changes" VALUES(2,1,'explained',1772391665123456000,'Probably an intermittent contact.');
CREATE TABLE faults (
    id INTEGER PRIMARY KEY,
    opened_ns INTEGER NOT NULL UNIQUE, -- time of the alarm that opened it
    first_ns INTEGER NOT NULL, -- excursions from here to opened_ns are signs, unless of another one
    family TEXT NOT NULL,
    state TEXT NOT NULL,
    severity TEXT NOT NULL,
    closed_ns INTEGER,
    acknowledged_ns INTEGER,
    summary TEXT NOT NULL,
    probable_cause TEXT,
    probability REAL,
    journal_id INTEGER -- entry of the repair
);
INSERT INTO "faults" VALUES(1,1772391605123456000,1772391605123456000,'feedline','open','critical',NULL,NULL,'Probably an intermittent contact.','intermittent-contact',0.9,NULL);
CREATE TABLE forwarded (
    forwarder TEXT NOT NULL,
    followed TEXT NOT NULL, -- the table
    live INTEGER NOT NULL DEFAULT 0,
    gap_after INTEGER NOT NULL DEFAULT 9223372036854775807,
    gap_upto INTEGER NOT NULL DEFAULT 0,
    rewrites INTEGER NOT NULL DEFAULT 0, -- counted, so that one during a delivery is noticed
    refused INTEGER NOT NULL DEFAULT 0, -- rows set aside so far
    taken_ns INTEGER, unmarked_until_ns INTEGER NOT NULL DEFAULT -9223372036854775808, -- when the server last took rows
    PRIMARY KEY (forwarder, followed)
) WITHOUT ROWID;
INSERT INTO "forwarded" VALUES('influxdb','alarm_changes',5,0,5,1,0,1772391605123456000,1772391806123456000);
INSERT INTO "forwarded" VALUES('influxdb','health',1,9223372036854775807,0,0,0,1772391605123456000,1772391605123456000);
INSERT INTO "forwarded" VALUES('influxdb','retractions',0,9223372036854775807,0,0,0,NULL,-9223372036854775808);
INSERT INTO "forwarded" VALUES('influxdb','seconds',4,9223372036854775807,0,0,1,1772391605123456000,1772391806123456000);
INSERT INTO "forwarded" VALUES('influxdb','transmissions',2,0,2,3,0,1772391605123456000,1772391805123456000);
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
INSERT INTO "health" VALUES(1,1772391605123456000,60.0001,6000,99.9998,0,2,3,0,60,1.25,8.0,0,1,0.02,NULL);
CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
);
INSERT INTO "journal" VALUES(1,1772388005123456000,'repair','new plug at the antenna');
INSERT INTO "journal" VALUES(2,1772391600000000000,'adjustment','feedline measured with its far end open: antenna off and on again');
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
, antenna TEXT);
INSERT INTO "line_losses" VALUES(1,1772391600000000000,'open',1.4,1.3,1.5,6.3,0.5,20,27205.0,'RG-58',18.0,1.39,1.32,1.47,'abc',NULL,NULL);
CREATE TABLE memories (
    rule TEXT PRIMARY KEY,
    content BLOB NOT NULL
) WITHOUT ROWID;
INSERT INTO "memories" VALUES('sudden-change',X'7B7D');
CREATE TABLE notifiers (
    name TEXT PRIMARY KEY,
    event TEXT NOT NULL, -- alarm or fault
    daily_ns INTEGER NOT NULL
) WITHOUT ROWID;
INSERT INTO "notifiers" VALUES('command','',1772391605123456000);
INSERT INTO "notifiers" VALUES('mail','',1772391605123456000);
CREATE TABLE pushed (
    object TEXT PRIMARY KEY, -- its URL
    digest TEXT NOT NULL,
    pushed_ns INTEGER NOT NULL,
    is_partial INTEGER NOT NULL DEFAULT 0 -- 1: some of its pairs have expired here since
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
INSERT INTO "refused_rows" VALUES(1,'influxdb','seconds',3,1772391605123456000,1772391605123456000,'bad');
CREATE TABLE retractions (
    id INTEGER PRIMARY KEY,
    followed TEXT NOT NULL, -- the table
    time_ns INTEGER NOT NULL
);
INSERT INTO "retractions" VALUES(1,'alarm_changes',1772391605123456000);
INSERT INTO "retractions" VALUES(2,'alarm_changes',1772391705123456000);
INSERT INTO "retractions" VALUES(3,'alarm_changes',1772391805123456000);
INSERT INTO "retractions" VALUES(4,'transmissions',1772391605123456000);
INSERT INTO "retractions" VALUES(5,'seconds',1772391605123456000);
INSERT INTO "retractions" VALUES(6,'seconds',1772391606123456000);
INSERT INTO "retractions" VALUES(7,'alarm_changes',1772391605123456000);
INSERT INTO "retractions" VALUES(8,'alarm_changes',1772391606123456000);
INSERT INTO "retractions" VALUES(9,'excursions',1772391605623456000);
CREATE TABLE runs (
    first_ns INTEGER PRIMARY KEY
);
INSERT INTO "runs" VALUES(1772391605123456000);
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
CREATE TABLE segments (
    first_ns INTEGER PRIMARY KEY,
    last_ns INTEGER NOT NULL,
    pairs INTEGER NOT NULL,
    merged INTEGER NOT NULL,
    data BLOB NOT NULL
);
INSERT INTO "segments" VALUES(1772391605123456000,1772391605618456000,100,0,X'4D4D5347015AABBB5F28B52FFD603100BD0600A28C2E31706BD201E4FA3B721D4C5F1B8A8792F70929C8CD25B20004B9474E9298868AC6B86B633B387FBE67D7AF2E10403412B70C128374F49202EF35E3D5EBFD97E37F0D8CCA8F157C3A5167A921F3F25E9B6A96AC802500C5CBABEFD77C8D53B4387283AE769FFFFEFDA410E3A182FF6F416B9765C007CBCD264322D7446461B0C8EB6997CBC481A26911A53DAE411799CCF64858A28702A27209914B5AA840930745382B837102922B3F901D200E4756201C686C308147853313130B00050E824B0A0C04970032403EB80C3535524D3D405B0B600C');
CREATE TABLE sessions (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    begun_ns INTEGER NOT NULL,
    changed_ns INTEGER NOT NULL,
    ended INTEGER NOT NULL, -- 0 while it can be resumed
    content BLOB NOT NULL
);
INSERT INTO "sessions" VALUES(1,'wiggle',1772391900000000000,1772391900000000000,0,X'7B2268616E64735F6F6666223A7B226E616D65223A22227D2C226A6F696E7473223A5B7B226E616D65223A226C656164227D5D7D');
CREATE TABLE stale_days (
    day INTEGER PRIMARY KEY
);
INSERT INTO "stale_days" VALUES(20513);
CREATE TABLE station (
    id TEXT NOT NULL
);
INSERT INTO "station" VALUES('3d5b0c8e-6f1a-4e55-9a3c-7b1d2f60c411');
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
, energy_low_j REAL, energy_high_j REAL, antenna TEXT, coupler_temperature_c REAL);
INSERT INTO "transmissions" VALUES(1,1772391605123456000,1772391608123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,0.0,20,27205.0,'abc',0,1.21,1.23,590,NULL,NULL,'mast',NULL);
INSERT INTO "transmissions" VALUES(2,1772391705123456000,1772391708123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,1.0,20,27205.0,'abc',0,1.21,1.23,590,NULL,NULL,NULL,14.5);
INSERT INTO "transmissions" VALUES(3,1772391805123456000,1772391808123456000,1,600,3.9877,4.1,0.04,0.05,1.22,1.1,1.3,1.25,2.0,20,27205.0,'abc',0,1.21,1.23,590,1.9,2.1,NULL,NULL);
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
INSERT INTO "verifications" VALUES(1,1772391808123456000,3.9877,0.04,NULL,NULL,NULL,5.9,0.05,NULL,-33.0,0.4,NULL,NULL,NULL,NULL,'fine',NULL,NULL,NULL,NULL,20,27205.0,'abc',3,NULL);
CREATE TABLE weather (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL UNIQUE,
    temperature_c REAL,
    rain_mm REAL,
    wind_m_s REAL
);
INSERT INTO "weather" VALUES(1,1772391600000000000,7.5,0.2,4.0);
CREATE INDEX transmissions_going_on ON transmissions (id) WHERE ended = 0;
CREATE INDEX alarms_open ON alarms (kind) WHERE cleared_ns IS NULL;
CREATE INDEX alarms_shelved ON alarms (shelved_until_ns) WHERE shelved_until_ns IS NOT NULL;
CREATE INDEX alarms_capture ON alarms (capture_id) WHERE capture_id IS NOT NULL;
CREATE UNIQUE INDEX excursions_time ON excursions (time_ns);
CREATE INDEX excursions_capture ON excursions (capture_id) WHERE capture_id IS NOT NULL;
CREATE INDEX journal_time ON journal (time_ns);
CREATE INDEX health_time ON health (time_ns);
CREATE TRIGGER transmissions_id_again AFTER INSERT ON transmissions BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'transmissions' AND live >= NEW.id;
END;
CREATE TRIGGER seconds_id_again AFTER INSERT ON seconds BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'seconds' AND live >= NEW.id;
END;
CREATE TRIGGER alarm_changes_id_again AFTER INSERT ON alarm_changes BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'alarm_changes' AND live >= NEW.id;
END;
CREATE TRIGGER retractions_bounded AFTER INSERT ON retractions WHEN NEW.id % 1000 = 0 BEGIN
    DELETE FROM retractions WHERE id <= NEW.id - 1000000;
END;
CREATE INDEX line_losses_time ON line_losses (time_ns);
CREATE INDEX days_day ON days (day);
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
CREATE INDEX alarms_fault ON alarms (fault_id) WHERE fault_id IS NOT NULL;
CREATE INDEX excursions_fault ON excursions (fault_id) WHERE fault_id IS NOT NULL;
CREATE INDEX faults_active ON faults (family) WHERE state != 'closed';
CREATE INDEX fault_changes_fault ON fault_changes (fault_id);
CREATE TRIGGER transmissions_rewritten AFTER UPDATE ON transmissions WHEN NEW.ended BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'transmissions';
END;
CREATE TRIGGER seconds_rewritten AFTER UPDATE ON seconds BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'seconds';
END;
CREATE TRIGGER alarm_changes_rewritten AFTER UPDATE ON alarm_changes BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'alarm_changes';
END;
CREATE TRIGGER health_rewritten AFTER UPDATE ON health BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'health';
END;
CREATE TRIGGER fault_changes_rewritten AFTER UPDATE ON fault_changes BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'fault_changes';
END;
CREATE TRIGGER fault_changes_id_again AFTER INSERT ON fault_changes BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'fault_changes' AND live >= NEW.id;
END;
CREATE TRIGGER excursions_rewritten AFTER UPDATE ON excursions
WHEN (NEW.time_ns, NEW.duration_ms, NEW.swr_peak, NEW.swr_beside, NEW.channel, NEW.transmission_id)
IS NOT (OLD.time_ns, OLD.duration_ms, OLD.swr_peak, OLD.swr_beside, OLD.channel, OLD.transmission_id) BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'excursions';
END;
CREATE TRIGGER excursions_id_again AFTER INSERT ON excursions BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'excursions' AND live >= NEW.id;
END;
CREATE TRIGGER journal_rewritten AFTER UPDATE ON journal BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'journal';
END;
CREATE TRIGGER journal_id_again AFTER INSERT ON journal BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'journal' AND live >= NEW.id;
END;
CREATE TRIGGER transmissions_gone AFTER DELETE ON transmissions
WHEN OLD.ended AND EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('transmissions', OLD.start_ns);
    UPDATE forwarded
    SET gap_after = min(gap_after, OLD.id - 1),
        gap_upto = max(gap_upto, OLD.id),
        rewrites = rewrites + 1
    WHERE followed = 'transmissions' AND live < OLD.id;
END;
CREATE TRIGGER seconds_gone AFTER DELETE ON seconds
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('seconds', OLD.time_ns);
    UPDATE forwarded
    SET gap_after = min(gap_after, OLD.id - 1),
        gap_upto = max(gap_upto, OLD.id),
        rewrites = rewrites + 1
    WHERE followed = 'seconds' AND live < OLD.id;
END;
CREATE TRIGGER alarm_changes_gone AFTER DELETE ON alarm_changes
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('alarm_changes', OLD.time_ns);
    UPDATE forwarded
    SET gap_after = min(gap_after, OLD.id - 1),
        gap_upto = max(gap_upto, OLD.id),
        rewrites = rewrites + 1
    WHERE followed = 'alarm_changes' AND live < OLD.id;
END;
CREATE TRIGGER fault_changes_gone AFTER DELETE ON fault_changes
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('fault_changes', OLD.time_ns);
    UPDATE forwarded
    SET gap_after = min(gap_after, OLD.id - 1),
        gap_upto = max(gap_upto, OLD.id),
        rewrites = rewrites + 1
    WHERE followed = 'fault_changes' AND live < OLD.id;
END;
CREATE TRIGGER excursions_gone AFTER DELETE ON excursions
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('excursions', OLD.time_ns);
    UPDATE forwarded
    SET gap_after = min(gap_after, OLD.id - 1),
        gap_upto = max(gap_upto, OLD.id),
        rewrites = rewrites + 1
    WHERE followed = 'excursions' AND live < OLD.id;
END;
CREATE TRIGGER journal_gone AFTER DELETE ON journal
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('journal', OLD.time_ns);
    UPDATE forwarded
    SET gap_after = min(gap_after, OLD.id - 1),
        gap_upto = max(gap_upto, OLD.id),
        rewrites = rewrites + 1
    WHERE followed = 'journal' AND live < OLD.id;
END;
CREATE TRIGGER excursions_tagged AFTER UPDATE OF channel ON excursions
WHEN NEW.channel IS NOT OLD.channel AND EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('excursions', OLD.time_ns);
END;
CREATE TRIGGER journal_tagged AFTER UPDATE OF kind, time_ns ON journal
WHEN (NEW.kind, NEW.time_ns) IS NOT (OLD.kind, OLD.time_ns)
AND EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('journal', OLD.time_ns);
END;
CREATE INDEX verifications_time ON verifications (time_ns);
CREATE TRIGGER transmissions_tagged AFTER UPDATE OF channel, antenna ON transmissions
WHEN (NEW.channel, NEW.antenna) IS NOT (OLD.channel, OLD.antenna)
AND EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) SELECT 'transmissions', OLD.start_ns WHERE OLD.ended;
    INSERT INTO retractions (followed, time_ns)
    SELECT 'seconds', time_ns FROM seconds
    WHERE time_ns BETWEEN OLD.start_ns AND OLD.end_ns AND transmission_id = OLD.id;
    INSERT INTO retractions (followed, time_ns)
    SELECT 'alarm_changes', c.time_ns FROM alarm_changes AS c JOIN alarms AS a ON a.id = c.alarm_id
    WHERE a.transmission_id = OLD.id;
    INSERT INTO retractions (followed, time_ns)
    SELECT 'excursions', time_ns FROM excursions WHERE transmission_id = OLD.id;
END;
CREATE TRIGGER seconds_tagged AFTER UPDATE OF transmission_id ON seconds
WHEN NEW.transmission_id IS NOT OLD.transmission_id AND EXISTS (SELECT 1 FROM forwarded)
AND (SELECT channel, antenna FROM transmissions WHERE id = NEW.transmission_id)
IS NOT (SELECT channel, antenna FROM transmissions WHERE id = OLD.transmission_id) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('seconds', NEW.time_ns);
END;
CREATE TRIGGER alarms_tagged AFTER UPDATE OF transmission_id ON alarms
WHEN NEW.transmission_id IS NOT OLD.transmission_id AND EXISTS (SELECT 1 FROM forwarded)
AND (SELECT channel, antenna FROM transmissions WHERE id = NEW.transmission_id)
IS NOT (SELECT channel, antenna FROM transmissions WHERE id = OLD.transmission_id) BEGIN
    INSERT INTO retractions (followed, time_ns)
    SELECT 'alarm_changes', time_ns FROM alarm_changes WHERE alarm_id = NEW.id;
END;
CREATE INDEX deliveries_waiting ON deliveries (notifier) WHERE ended_ns IS NULL;
CREATE TRIGGER alarm_changes_to_deliver AFTER INSERT ON alarm_changes BEGIN
    INSERT INTO deliveries (notifier, event, change_id)
    SELECT name, event, NEW.id FROM notifiers WHERE event = 'alarm';
END;
CREATE TRIGGER fault_changes_to_deliver AFTER INSERT ON fault_changes BEGIN
    INSERT INTO deliveries (notifier, event, change_id)
    SELECT name, event, NEW.id FROM notifiers WHERE event = 'fault';
END;
CREATE TRIGGER alarm_changes_not_to_deliver AFTER DELETE ON alarm_changes BEGIN
    DELETE FROM deliveries
    WHERE ended_ns IS NULL AND message IS NULL AND event = 'alarm' AND change_id = OLD.id;
END;
CREATE TRIGGER fault_changes_not_to_deliver AFTER DELETE ON fault_changes BEGIN
    DELETE FROM deliveries
    WHERE ended_ns IS NULL AND message IS NULL AND event = 'fault' AND change_id = OLD.id;
END;
CREATE TRIGGER deliveries_bounded AFTER INSERT ON deliveries WHEN NEW.id % 100 = 0 BEGIN
    DELETE FROM deliveries WHERE ended_ns IS NULL AND message IS NULL AND id <= NEW.id - 10000;
END;
COMMIT;
