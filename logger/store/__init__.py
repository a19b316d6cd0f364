"""The lasting record: one SQLite database that one daemon writes and anybody may read."""
