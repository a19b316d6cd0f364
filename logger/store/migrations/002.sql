CREATE TABLE segments (
    first_ns INTEGER PRIMARY KEY,
    last_ns INTEGER NOT NULL,
    pairs INTEGER NOT NULL,
    merged INTEGER NOT NULL,
    data BLOB NOT NULL
);
CREATE TABLE runs (
    first_ns INTEGER PRIMARY KEY
);
