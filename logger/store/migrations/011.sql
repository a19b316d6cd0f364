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
