-- Faults, excursions and the journal are forwarded; an alarm is a point at each of its changes, with
-- its state as a number, so all are delivered again. The row that is rewritten is delivered again,
-- not all that were delivered since the position was stored.
DROP TRIGGER transmissions_rewritten;
DROP TRIGGER seconds_rewritten;
DROP TRIGGER alarm_changes_rewritten;
DROP TRIGGER health_rewritten;
DROP TRIGGER transmissions_gone;
DROP TRIGGER seconds_gone;
DROP TRIGGER alarm_changes_gone;
DROP TRIGGER alarms_gone;
DROP TRIGGER transmissions_tagged;
DROP TRIGGER alarms_tagged;
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
CREATE TRIGGER transmissions_tagged AFTER UPDATE OF channel ON transmissions
WHEN NEW.channel IS NOT OLD.channel AND EXISTS (SELECT 1 FROM forwarded) BEGIN
    INSERT INTO retractions (followed, time_ns) SELECT 'transmissions', OLD.start_ns WHERE OLD.ended;
    INSERT INTO retractions (followed, time_ns)
    SELECT 'seconds', time_ns FROM seconds
    WHERE time_ns BETWEEN OLD.start_ns AND OLD.end_ns AND transmission_id = OLD.id;
    INSERT INTO retractions (followed, time_ns)
    SELECT 'alarm_changes', c.time_ns FROM alarm_changes AS c JOIN alarms AS a ON a.id = c.alarm_id
    WHERE a.transmission_id = OLD.id;
END;
CREATE TRIGGER alarms_tagged AFTER UPDATE OF transmission_id ON alarms
WHEN NEW.transmission_id IS NOT OLD.transmission_id AND EXISTS (SELECT 1 FROM forwarded)
AND (SELECT channel FROM transmissions WHERE id = NEW.transmission_id)
IS NOT (SELECT channel FROM transmissions WHERE id = OLD.transmission_id) BEGIN
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
UPDATE forwarded
SET gap_after = min(gap_after, 0), gap_upto = max(gap_upto, live), rewrites = rewrites + 1
WHERE followed = 'alarm_changes' AND live > 0;
