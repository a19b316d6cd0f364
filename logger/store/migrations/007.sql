-- Faults; the alarms and excursions stored so far are grouped by `regroup` when the store is opened.
ALTER TABLE alarms ADD COLUMN fault_id INTEGER;
CREATE INDEX alarms_fault ON alarms (fault_id) WHERE fault_id IS NOT NULL;
ALTER TABLE excursions ADD COLUMN fault_id INTEGER;
CREATE INDEX excursions_fault ON excursions (fault_id) WHERE fault_id IS NOT NULL;
ALTER TABLE notifiers ADD COLUMN fault_change_id INTEGER NOT NULL DEFAULT 0;

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
