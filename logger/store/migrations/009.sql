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

-- Readings are compared by antenna, and frequencies without a channel by segments of bands: days of
-- these are made anew. Points have the antenna as a tag.
ALTER TABLE transmissions ADD COLUMN antenna TEXT;
ALTER TABLE days ADD COLUMN antenna TEXT;
ALTER TABLE line_losses ADD COLUMN antenna TEXT;
INSERT INTO stale_days SELECT DISTINCT day FROM days
WHERE channel IS NULL AND frequency_khz IS NOT NULL
AND NOT EXISTS (SELECT 1 FROM stale_days AS s WHERE s.day = days.day);
DROP TRIGGER transmissions_tagged;
DROP TRIGGER seconds_tagged;
DROP TRIGGER alarms_tagged;
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

-- One row for what a notifier has to deliver and what it has delivered, inserted with the change. A
-- notifier of which it is not known what it reports keeps the changes of both kinds until it begins.
ALTER TABLE notifiers RENAME TO notifiers_before;
ALTER TABLE deliveries RENAME TO deliveries_before;
DROP INDEX deliveries_waiting;

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

INSERT INTO notifiers SELECT name, '', heartbeat_ns FROM notifiers_before;
INSERT INTO deliveries (id, notifier, event, kind, message, attempts, ended_ns, refusal)
SELECT id, notifier, json_extract(message, '$.event'), kind, message, attempts, ended_ns, refusal
FROM deliveries_before;
INSERT INTO deliveries (notifier, event, change_id)
SELECT n.name, 'alarm', c.id FROM notifiers_before AS n JOIN alarm_changes AS c ON c.id > n.change_id
ORDER BY c.id;
INSERT INTO deliveries (notifier, event, change_id)
SELECT n.name, 'fault', c.id FROM notifiers_before AS n
JOIN fault_changes AS c ON c.id > n.fault_change_id ORDER BY c.id;
DROP TABLE notifiers_before;
DROP TABLE deliveries_before;
