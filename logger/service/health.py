"""Health of the daemon, one row per minute. No clocks, no threads: the daemon calls it."""

from __future__ import annotations

from typing import NamedTuple

from drivers.timeline import Clocks
from logger.rows import Health

MS_PER_S = 1e3
NS_PER_S = 1e9
NS_PER_MS = 1e6


class CaptureTotals(NamedTuple):
    """Counts of capture since the start."""

    pairs: int = 0
    gaps: int = 0
    input_dropped: int = 0
    rows_dropped: int = 0


def next_row_s(utc_ns: int, every_s: float) -> float:
    """Return the seconds until the next row, 0.5 to 1.5 times `every_s`.

    Rows are due at whole multiples of it in UTC.
    """
    past_s = utc_ns / NS_PER_S % every_s
    return every_s - past_s + (every_s if past_s > every_s / 2 else 0.0)


class HealthGauge:
    """Collects the events between two rows.

    `commits`, `commit_s` (seconds spent in them) and `commits_failed` count from the start.
    """

    def __init__(self, clocks: Clocks) -> None:
        self.commits = 0
        self.commit_s = 0.0
        self.commits_failed = 0
        self._totals = CaptureTotals()
        self._begin(clocks)

    def _begin(self, clocks: Clocks) -> None:
        self._since = clocks
        self._baseline = (self.commits, self.commit_s, self.commits_failed)
        self._longest_s = 0.0
        self._queue_max = 0

    def queued(self, batches: int) -> None:
        """Record the number of batches waiting for the store."""
        self._queue_max = max(self._queue_max, batches)

    def committed(self, seconds: float) -> None:
        """Record a commit and its duration in seconds."""
        self.commits += 1
        self.commit_s += seconds
        self._longest_s = max(self._longest_s, seconds)

    def failed(self) -> None:
        """Record a failed commit."""
        self.commits_failed += 1

    def row(
        self, clocks: Clocks, totals: CaptureTotals, synchronised: bool | None, backlog: int | None
    ) -> Health:
        """Return the row of the time since the last one."""
        duration_s = max(1, clocks.host_ns - self._since.host_ns) / NS_PER_S
        step_ns = clocks.offset_ns - self._since.offset_ns
        commits = self.commits - self._baseline[0]
        spent_ms = MS_PER_S * (self.commit_s - self._baseline[1])
        new = CaptureTotals(*(new - old for new, old in zip(totals, self._totals, strict=True)))
        row = Health(
            time_ns=clocks.wall_ns,
            duration_s=duration_s,
            pairs=new.pairs,
            pairs_per_s=new.pairs / duration_s,
            gaps=new.gaps,
            input_dropped=new.input_dropped,
            queue_max=self._queue_max,
            rows_dropped=new.rows_dropped,
            commits=commits,
            commit_ms_mean=spent_ms / commits if commits else None,
            commit_ms_max=MS_PER_S * self._longest_s if commits else None,
            commits_failed=self.commits_failed - self._baseline[2],
            clock_synchronised=synchronised,
            clock_step_ms=step_ns / NS_PER_MS,
            forwarder_backlog=backlog,
        )
        self._totals = totals
        self._begin(clocks)
        return row
