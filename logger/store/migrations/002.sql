-- What is thought of the host's clock, and alarms whose times are in doubt.

ALTER TABLE alarms ADD COLUMN flags INTEGER NOT NULL DEFAULT 0;

CREATE TABLE boots (
    name TEXT PRIMARY KEY,
    trust TEXT NOT NULL,
    before_ns INTEGER NOT NULL,
    since_ns INTEGER NOT NULL,
    offset_ns INTEGER NOT NULL,
    until_ns INTEGER
) WITHOUT ROWID;
