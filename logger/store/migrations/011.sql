-- The station's id, a UUID made once by the writer, which outlives a new name.
CREATE TABLE station (
    id TEXT NOT NULL
);
-- Points up to here were delivered without a station_id, and are overwritten and deleted so.
ALTER TABLE forwarded ADD COLUMN unmarked_until_ns INTEGER NOT NULL DEFAULT -9223372036854775808;
UPDATE forwarded SET unmarked_until_ns = (SELECT max(start_ns) FROM transmissions)
WHERE followed = 'transmissions' AND EXISTS (SELECT 1 FROM transmissions);
UPDATE forwarded SET unmarked_until_ns = (SELECT max(time_ns) FROM seconds)
WHERE followed = 'seconds' AND EXISTS (SELECT 1 FROM seconds);
UPDATE forwarded SET unmarked_until_ns = (SELECT max(time_ns) FROM alarm_changes)
WHERE followed = 'alarm_changes' AND EXISTS (SELECT 1 FROM alarm_changes);
UPDATE forwarded SET unmarked_until_ns = (SELECT max(time_ns) FROM fault_changes)
WHERE followed = 'fault_changes' AND EXISTS (SELECT 1 FROM fault_changes);
UPDATE forwarded SET unmarked_until_ns = (SELECT max(time_ns) FROM excursions)
WHERE followed = 'excursions' AND EXISTS (SELECT 1 FROM excursions);
UPDATE forwarded SET unmarked_until_ns = (SELECT max(time_ns) FROM journal)
WHERE followed = 'journal' AND EXISTS (SELECT 1 FROM journal);
UPDATE forwarded SET unmarked_until_ns = (SELECT max(time_ns) FROM health)
WHERE followed = 'health' AND EXISTS (SELECT 1 FROM health);
-- Objects that `store.remote` has acknowledged, and a digest of the rows that each holds.
CREATE TABLE pushed (
    object TEXT PRIMARY KEY, -- its URL
    digest TEXT NOT NULL,
    pushed_ns INTEGER NOT NULL,
    is_partial INTEGER NOT NULL DEFAULT 0 -- 1: some of its pairs have expired here since
) WITHOUT ROWID;
