"""When a station last transmitted, and when its last pairs came."""

from __future__ import annotations

from typing import NamedTuple

from logger.store.database import Database
from logger.utc import UNIT_NS

SILENT_NS = 10 * UNIT_NS["m"]  # the daemon stores a row of `health` each minute


class Activity(NamedTuple):
    """Times up to `now_ns`, UTC ns; None if nothing is stored."""

    now_ns: int
    last_transmission_ns: int | None
    last_pairs_ns: int | None

    @property
    def silent_since_ns(self) -> int | None:
        """Time of the last pairs if none have come lately, else None."""
        last_ns = self.last_pairs_ns
        return None if last_ns is None or self.now_ns - last_ns <= SILENT_NS else last_ns


def read_activity(database: Database, now_ns: int) -> Activity:
    """Return the activity of a station up to a time. Raise StoreError."""
    ends = database.query(
        "SELECT end_ns FROM transmissions WHERE start_ns <= ? ORDER BY start_ns DESC LIMIT 1",
        (now_ns,),
    )
    minutes = database.query(
        "SELECT time_ns FROM health WHERE time_ns <= ? AND pairs > 0 ORDER BY time_ns DESC LIMIT 1",
        (now_ns,),
    )
    times = [time_ns for (time_ns,) in (*ends, *minutes)]
    last_ns = min(max(times), now_ns) if times else None
    return Activity(now_ns, ends[0][0] if ends else None, last_ns)


def read_excursions(database: Database, now_ns: int) -> tuple[int, float]:
    """Return the excursions and the keyed hours up to a time. Raise StoreError."""
    excursions = database.query_value(
        "SELECT count(*) FROM excursions WHERE time_ns <= ?", (now_ns,)
    )
    keyed_ns = database.query_value(
        "SELECT total(end_ns - start_ns) FROM transmissions WHERE start_ns <= ?", (now_ns,)
    )
    return excursions, keyed_ns / UNIT_NS["h"]
