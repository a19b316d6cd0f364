-- Excursions are found and stored; one that is found again replaces itself.
ALTER TABLE excursions ADD COLUMN swr_beside REAL;
DROP INDEX excursions_time;
CREATE UNIQUE INDEX excursions_time ON excursions (time_ns);

-- Alarms may be shelved.
ALTER TABLE alarms ADD COLUMN shelved_until_ns INTEGER;
CREATE INDEX alarms_shelved ON alarms (shelved_until_ns) WHERE shelved_until_ns IS NOT NULL;

-- Raw pairs around alarms and excursions are kept longer: from 2 s before to 3 s after.
CREATE TABLE captures (
    id INTEGER PRIMARY KEY,
    first_ns INTEGER NOT NULL,
    last_ns INTEGER NOT NULL,
    UNIQUE (first_ns, last_ns)
);
ALTER TABLE alarms ADD COLUMN capture_id INTEGER;
CREATE INDEX alarms_capture ON alarms (capture_id) WHERE capture_id IS NOT NULL;
CREATE INDEX excursions_capture ON excursions (capture_id) WHERE capture_id IS NOT NULL;
INSERT INTO captures (first_ns, last_ns)
SELECT DISTINCT raised_ns - 2000000000, raised_ns + 3000000000 FROM alarms ORDER BY 1;
UPDATE alarms SET capture_id = (SELECT id FROM captures WHERE first_ns = raised_ns - 2000000000);

-- What rules of the watchdog have learned.
CREATE TABLE memories (
    rule TEXT PRIMARY KEY,
    content BLOB NOT NULL
) WITHOUT ROWID;

-- What servers are to delete because it stands for no row any more.

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
    UPDATE forwarded SET rewrites = rewrites + 1 WHERE followed = 'transmissions' AND live < OLD.id;
END;
CREATE TRIGGER transmissions_tagged AFTER UPDATE OF channel ON transmissions
WHEN NEW.channel IS NOT OLD.channel AND EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) SELECT 'transmissions', OLD.start_ns WHERE OLD.ended;
    INSERT INTO retractions (followed, time_ns)
    SELECT 'seconds', time_ns FROM seconds
    WHERE time_ns BETWEEN OLD.start_ns AND OLD.end_ns AND transmission_id = OLD.id;
    INSERT INTO retractions (followed, time_ns)
    SELECT 'alarm_changes', raised_ns FROM alarms WHERE transmission_id = OLD.id;
END;
CREATE TRIGGER seconds_gone AFTER DELETE ON seconds
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('seconds', OLD.time_ns);
    UPDATE forwarded SET rewrites = rewrites + 1 WHERE followed = 'seconds' AND live < OLD.id;
END;
CREATE TRIGGER seconds_tagged AFTER UPDATE OF transmission_id ON seconds
WHEN NEW.transmission_id IS NOT OLD.transmission_id AND EXISTS (SELECT 1 FROM forwarded)
AND (SELECT channel FROM transmissions WHERE id = NEW.transmission_id)
IS NOT (SELECT channel FROM transmissions WHERE id = OLD.transmission_id) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('seconds', NEW.time_ns);
END;
CREATE TRIGGER alarms_gone AFTER DELETE ON alarms
WHEN EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('alarm_changes', OLD.raised_ns);
END;
CREATE TRIGGER alarm_changes_gone AFTER DELETE ON alarm_changes BEGIN
    UPDATE forwarded SET rewrites = rewrites + 1
    WHERE followed = 'alarm_changes' AND live < OLD.id;
END;
CREATE TRIGGER alarms_tagged AFTER UPDATE OF transmission_id ON alarms
WHEN NEW.transmission_id IS NOT OLD.transmission_id AND EXISTS (SELECT 1 FROM forwarded)
AND (SELECT channel FROM transmissions WHERE id = NEW.transmission_id)
IS NOT (SELECT channel FROM transmissions WHERE id = OLD.transmission_id) BEGIN
    INSERT INTO retractions (followed, time_ns) VALUES ('alarm_changes', NEW.raised_ns);
END;

INSERT INTO forwarded (forwarder, followed) SELECT DISTINCT forwarder, 'retractions' FROM forwarded;

-- Alarms of an earlier hindsight may go, and their numbers be given again.
CREATE TRIGGER alarm_changes_id_again AFTER INSERT ON alarm_changes BEGIN
    UPDATE forwarded
    SET gap_after = min(gap_after, NEW.id - 1),
        gap_upto = max(gap_upto, NEW.id),
        rewrites = rewrites + 1
    WHERE followed = 'alarm_changes' AND live >= NEW.id;
END;

-- Points of alarms have one more tag: those without are to go, and are delivered anew.
INSERT INTO retractions (followed, time_ns)
SELECT 'alarm_changes', raised_ns FROM alarms WHERE EXISTS (SELECT 1 FROM forwarded)
ORDER BY raised_ns;

-- Messages that wait for notifiers.

CREATE TABLE notifiers (
    name TEXT PRIMARY KEY,
    change_id INTEGER NOT NULL,
    heartbeat_ns INTEGER NOT NULL
) WITHOUT ROWID;

CREATE TABLE deliveries (
    id INTEGER PRIMARY KEY,
    notifier TEXT NOT NULL,
    kind TEXT NOT NULL,
    message TEXT NOT NULL,
    attempts INTEGER NOT NULL,
    ended_ns INTEGER,
    refusal TEXT
);
CREATE INDEX deliveries_waiting ON deliveries (notifier) WHERE ended_ns IS NULL;
