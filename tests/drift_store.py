"""A store with years of transmissions, written as rows; quick, whatever their number."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import numpy as np

from logger.daily import Days
from logger.store.writer import StoreWriter
from logger.utc import DAY_NS

MINUTE_NS = 60_000_000_000
PUT = (
    "INSERT INTO transmissions (start_ns, end_ns, ended, samples, forward_w_mean, forward_w_max,"
    " reflected_w_mean, reflected_w_max, swr, swr_low, swr_high, swr_max, energy_j, channel,"
    " calibration_id, flags, settled_samples)"
    " VALUES (?, ?, 1, 1000, 4, 4.1, ?, ?, ?, ?, ?, ?, 200, ?, 'coupler', 0, 900)"
)


def write(path: Path, used: Sequence[Days], a_day: int = 4) -> None:
    """A store at `path` whose daily medians are those given, `a_day` transmissions on each day."""
    StoreWriter.open(path).close()
    rng = np.random.default_rng(11)
    rows = []
    for place, one in enumerate(used):
        for day, swr in zip(one.day.tolist(), one.swr.tolist(), strict=True):
            start_ns = day * DAY_NS + 18 * 60 * MINUTE_NS + place * MINUTE_NS // 3
            for n, offset in enumerate(rng.normal(0, 0.01, a_day)):
                value = max(swr + offset, 1.0)
                reflected = 4 * ((value - 1) / (value + 1)) ** 2
                begin = start_ns + n * 2 * MINUTE_NS
                powers = (reflected, reflected)
                figures = (value, value - 0.05, value + 0.05, value)
                rows.append((begin, begin + MINUTE_NS // 4, *powers, *figures, one.channel))
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("INSERT OR IGNORE INTO calibrations VALUES ('coupler', '{}')")
        database.executemany(PUT, rows)


def put_seconds(path: Path, of_each: int) -> int:
    """Rows of so many seconds for each transmission; how many there are now."""
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(
            "WITH RECURSIVE n (k) AS (SELECT 0 UNION ALL SELECT k + 1 FROM n WHERE k + 1 < ?)"
            " INSERT INTO seconds (time_ns, transmission_id, forward_w, reflected_w, swr, swr_low,"
            " swr_high, samples, flags, swr_noise_low, swr_noise_high, forward_v, reflected_v)"
            " SELECT start_ns + k * 1000000000 + id % 100000, id, 4.0, reflected_w_mean, swr,"
            " swr_low, swr_high, 200, 0, swr, swr, 1.0312, 0.2173 FROM transmissions, n",
            (of_each,),
        )
        return int(database.execute("SELECT count(*) FROM seconds").fetchone()[0])


def put_alarm(path: Path, time_ns: int, kind: str, severity: str, detail: str) -> None:
    """An alarm that is open."""
    with closing(sqlite3.connect(path)) as database, database:
        database.execute(
            "INSERT INTO alarms (kind, severity, raised_ns, detail) VALUES (?, ?, ?, ?)",
            (kind, severity, time_ns, detail),
        )
