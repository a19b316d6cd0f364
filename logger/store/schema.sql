-- The current schema. Its version is the highest number in migrations/, or 1.
-- Times are UTC nanoseconds, flags the bits of logger.rows.Flag. Ids are never used again while a
-- higher one exists, so a forwarder can follow a table by id. References are set by the one
-- writer and not checked again by SQLite.

-- The station's id, a UUID made once by the writer, which outlives a new name.
CREATE TABLE station (
    id TEXT NOT NULL,
    spooled INTEGER NOT NULL DEFAULT 0 -- the last frame of the spool whose rows are stored
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
    settled_samples INTEGER NOT NULL,
    energy_low_j REAL,
    energy_high_j REAL,
    antenna TEXT, -- NULL: not known
    coupler_temperature_c REAL -- NULL: not known
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
    flags INTEGER NOT NULL DEFAULT 0,
    shelved_until_ns INTEGER, -- its kind is not told until then
    capture_id INTEGER,
    fault_id INTEGER,
    UNIQUE (raised_ns, kind)
);
CREATE INDEX alarms_open ON alarms (kind) WHERE cleared_ns IS NULL;
CREATE INDEX alarms_shelved ON alarms (shelved_until_ns) WHERE shelved_until_ns IS NOT NULL;
CREATE INDEX alarms_capture ON alarms (capture_id) WHERE capture_id IS NOT NULL;
CREATE INDEX alarms_fault ON alarms (fault_id) WHERE fault_id IS NOT NULL;

-- Goes only with its alarm.
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
    capture_id INTEGER,
    swr_beside REAL,
    fault_id INTEGER
);
CREATE UNIQUE INDEX excursions_time ON excursions (time_ns);
CREATE INDEX excursions_capture ON excursions (capture_id) WHERE capture_id IS NOT NULL;
CREATE INDEX excursions_fault ON excursions (fault_id) WHERE fault_id IS NOT NULL;

-- Troubles from their first sign until they are verified gone. The alarms and excursions that refer
-- to a fault are its signs; what is counted of them is counted when it is read.
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
CREATE INDEX faults_active ON faults (family) WHERE state != 'closed';

-- Goes only with its fault.
CREATE TABLE fault_changes (
    id INTEGER PRIMARY KEY,
    fault_id INTEGER NOT NULL REFERENCES faults (id),
    change TEXT NOT NULL,
    time_ns INTEGER NOT NULL,
    summary TEXT NOT NULL
);
CREATE INDEX fault_changes_fault ON fault_changes (fault_id);

-- The time around each alarm and excursion, whose raw pairs are kept longer. They may overlap.
CREATE TABLE captures (
    id INTEGER PRIMARY KEY,
    first_ns INTEGER NOT NULL,
    last_ns INTEGER NOT NULL,
    UNIQUE (first_ns, last_ns)
);

CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    time_ns INTEGER NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
);
CREATE INDEX journal_time ON journal (time_ns);

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
    transmission_id INTEGER REFERENCES transmissions (id),
    antenna TEXT
);
CREATE INDEX line_losses_time ON line_losses (time_ns);

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

-- What a person does at the station step by step (`tune`, `wiggle`, `isolate`, `verify`), as JSON.
CREATE TABLE sessions (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    begun_ns INTEGER NOT NULL,
    changed_ns INTEGER NOT NULL,
    ended INTEGER NOT NULL, -- 0 while it can be resumed
    content BLOB NOT NULL
);

-- What the transmissions of a UTC day on an antenna and channel (or, without one, in a segment of a
-- band, with their median frequency) come to. Derived:
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
    calibration_id TEXT NOT NULL REFERENCES calibrations (id),
    antenna TEXT
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

-- Raw pairs, each row a stretch of time that no other row shares; `data` is told in segments.py
-- and empty where it was damaged and part of its time has been played again.
CREATE TABLE segments (
    first_ns INTEGER PRIMARY KEY,
    last_ns INTEGER NOT NULL,
    pairs INTEGER NOT NULL,
    merged INTEGER NOT NULL,
    data BLOB NOT NULL
);

-- The first archived pair of each run of the daemon: stages started afresh there.
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

-- What rules of the watchdog have learned, by the kind of their alarms, as JSON.
CREATE TABLE memories (
    rule TEXT PRIMARY KEY,
    content BLOB NOT NULL
) WITHOUT ROWID;

CREATE TABLE calibrations (
    id TEXT PRIMARY KEY,
    text TEXT NOT NULL
) WITHOUT ROWID;

-- Starts of the host: what was thought of its clock while rows from since_ns on were stored (see
-- logger/dating.py). The present one, and those whose rows up to until_ns keep provisional times.
CREATE TABLE boots (
    name TEXT PRIMARY KEY,
    trust TEXT NOT NULL,
    before_ns INTEGER NOT NULL,
    since_ns INTEGER NOT NULL,
    offset_ns INTEGER NOT NULL, -- of these rows' times from the host's even clock
    until_ns INTEGER
) WITHOUT ROWID;

-- What each forwarder has delivered of each table it follows: every row up to `live` but those
-- with ids in (gap_after, gap_upto], which it catches up with. An empty gap is (highest, 0], so
-- that min and max open it. The part of a gap beyond `live` is of rows rewritten since that was
-- stored: a forwarder that has delivered them meanwhile delivers them again.
CREATE TABLE forwarded (
    forwarder TEXT NOT NULL,
    followed TEXT NOT NULL, -- the table
    live INTEGER NOT NULL DEFAULT 0,
    gap_after INTEGER NOT NULL DEFAULT 9223372036854775807,
    gap_upto INTEGER NOT NULL DEFAULT 0,
    rewrites INTEGER NOT NULL DEFAULT 0, -- counted, so that one during a delivery is noticed
    refused INTEGER NOT NULL DEFAULT 0, -- rows set aside so far
    taken_ns INTEGER, -- when the server last took rows
    -- Points up to here were delivered without a station_id, and are overwritten and deleted so.
    unmarked_until_ns INTEGER NOT NULL DEFAULT -9223372036854775808,
    PRIMARY KEY (forwarder, followed)
) WITHOUT ROWID;

-- The latest rows that a server would not take, left out of its deliveries.
CREATE TABLE refused_rows (
    id INTEGER PRIMARY KEY,
    forwarder TEXT NOT NULL,
    followed TEXT NOT NULL,
    row_id INTEGER NOT NULL,
    row_ns INTEGER NOT NULL, -- the time of the row
    time_ns INTEGER NOT NULL, -- when it was refused
    reason TEXT NOT NULL
);

-- Objects that `store.remote` has acknowledged, and a digest of the rows that each holds.
CREATE TABLE pushed (
    object TEXT PRIMARY KEY, -- its URL
    digest TEXT NOT NULL,
    pushed_ns INTEGER NOT NULL,
    is_partial INTEGER NOT NULL DEFAULT 0 -- 1: some of its pairs have expired here since
) WITHOUT ROWID;

-- What each notifier reports: changes of alarms or of faults; and when it last was given its daily
-- message, or first began.
CREATE TABLE notifiers (
    name TEXT PRIMARY KEY,
    event TEXT NOT NULL, -- alarm or fault
    daily_ns INTEGER NOT NULL
) WITHOUT ROWID;

-- What each notifier has to deliver, and the latest that it has delivered. A row waits from the
-- change that inserts it until it ends; one message may cover several, of which one remains.
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
-- Of a notifier that has been removed from the configuration.
CREATE TRIGGER deliveries_bounded AFTER INSERT ON deliveries WHEN NEW.id % 100 = 0 BEGIN
    DELETE FROM deliveries WHERE ended_ns IS NULL AND message IS NULL AND id <= NEW.id - 10000;
END;

-- A row that is derived anew is delivered anew, also one that takes an id used before. A
-- transmission counts from its end, and may end after later ones have been delivered.
CREATE TRIGGER transmissions_rewritten AFTER UPDATE ON transmissions WHEN NEW.ended BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
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
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
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
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'alarm_changes';
END;
CREATE TRIGGER alarm_changes_id_again AFTER INSERT ON alarm_changes BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'alarm_changes' AND live >= NEW.id;
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
-- Captures and faults of an excursion are not forwarded.
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
CREATE TRIGGER health_rewritten AFTER UPDATE ON health BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'health';
END;

-- Times at which points of a table were delivered that stand for no row any more, or for one with
-- other tags: servers are to delete them. Followed by id like a table; what all have passed goes,
-- but the last, lest its id be used again. A forwarder that had delivered the row but not kept
-- that is turned back, as its id may be given to another one.
CREATE TABLE retractions (
    id INTEGER PRIMARY KEY,
    followed TEXT NOT NULL, -- the table
    time_ns INTEGER NOT NULL
);
CREATE TRIGGER retractions_bounded AFTER INSERT ON retractions WHEN NEW.id % 1000 = 0 BEGIN
    DELETE FROM retractions WHERE id <= NEW.id - 1000000;
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
CREATE TRIGGER seconds_gone AFTER DELETE ON seconds
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('seconds', OLD.time_ns);
    UPDATE forwarded
    SET gap_after = min(gap_after, OLD.id - 1),
        gap_upto = max(gap_upto, OLD.id),
        rewrites = rewrites + 1
    WHERE followed = 'seconds' AND live < OLD.id;
END;
CREATE TRIGGER seconds_tagged AFTER UPDATE OF transmission_id ON seconds
WHEN NEW.transmission_id IS NOT OLD.transmission_id AND EXISTS (SELECT 1 FROM forwarded)
AND (SELECT channel, antenna FROM transmissions WHERE id = NEW.transmission_id)
IS NOT (SELECT channel, antenna FROM transmissions WHERE id = OLD.transmission_id) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('seconds', NEW.time_ns);
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
CREATE TRIGGER alarms_tagged AFTER UPDATE OF transmission_id ON alarms
WHEN NEW.transmission_id IS NOT OLD.transmission_id AND EXISTS (SELECT 1 FROM forwarded)
AND (SELECT channel, antenna FROM transmissions WHERE id = NEW.transmission_id)
IS NOT (SELECT channel, antenna FROM transmissions WHERE id = OLD.transmission_id) BEGIN
    INSERT INTO retractions (followed, time_ns)
    SELECT 'alarm_changes', time_ns FROM alarm_changes WHERE alarm_id = NEW.id;
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
