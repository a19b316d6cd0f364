-- Excursions are found and stored; one that is found again replaces itself.
ALTER TABLE excursions ADD COLUMN swr_beside REAL;
DROP INDEX excursions_time;
CREATE UNIQUE INDEX excursions_time ON excursions (time_ns);

-- What rules of the watchdog have learned.
CREATE TABLE memories (
    rule TEXT PRIMARY KEY,
    content BLOB NOT NULL
) WITHOUT ROWID;
