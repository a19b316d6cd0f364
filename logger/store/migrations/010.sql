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
