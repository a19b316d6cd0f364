"""Another transmitter while the key is up, and a failed forward detector.

Both look alike. The rule needs the powers of our own transmissions (see `own_power`); until they
are known, reflected above forward means swapped ports (see `reversed`). A signal that lasts for
HOLD_NS is reported, once in REPEAT_NS. SIGNALS in a row, each with the usual reflected power of our
own transmissions and none of ours between them, are our own with a dead forward detector.
"""

from __future__ import annotations

import numpy as np

from logger.stages.view import View
from logger.utc import DAY_NS
from logger.watchdog.detector_fault import reversed

HOLD_NS = 1_000_000_000  # longer than the tail of any detector after key-up
QUIET_NS = 5_000_000_000
REPEAT_NS = 30 * DAY_NS
SIGNALS = 3
SPREAD = 0.2  # of reflected power


class ForeignSignals:
    """State machine over blocks; `reported_ns` is the time of the last report."""

    def __init__(self, reported_ns: int) -> None:
        self.reported_ns = reported_ns
        self._since_ns: int | None = None
        self._counted = False
        self._alike = 0

    def update(self, view: View) -> list[tuple[int, str]]:
        """Return time and cause of possible reports in one block, see `is_due`."""
        times, foreign = view.block.time_ns, view.foreign
        if view.own.least_w is None or (self._since_ns is None and not foreign.any()):
            if view.keyed.any():
                self._alike = 0
            return []
        causes: list[tuple[int, str]] = []
        edges = np.flatnonzero(foreign[1:] != foreign[:-1]) + 1
        for begin, end in zip([0, *edges], [*edges, len(times)], strict=True):
            if not foreign[begin]:
                self._since_ns, self._counted = None, False
                if view.keyed[begin:end].any():
                    self._alike = 0
                continue
            if self._since_ns is None:
                self._since_ns = int(times[begin])
            at = begin + int(np.searchsorted(times[begin:end], self._since_ns + HOLD_NS))
            if at < end and not self._counted:
                self._counted = True
                causes += self._cause(view, at)
        return causes

    def is_due(self, time_ns: int, cause: str) -> bool:
        """True if a report of the cause is due."""
        return cause == reversed.CAUSE or time_ns - self.reported_ns >= REPEAT_NS

    def _cause(self, view: View, at: int) -> list[tuple[int, str]]:
        time_ns, watts = int(view.block.time_ns[at]), float(view.block.reflected_w[at])
        usual_w = float(np.median(view.own.reflected_w))
        self._alike = self._alike + 1 if abs(watts - usual_w) < SPREAD * usual_w else 0
        if self._alike == SIGNALS:
            return [(time_ns, reversed.CAUSE)]
        return [
            (
                time_ns,
                f"another transmitter is heard while the key is up: {watts:.2g} W at the reflected"
                " port; the line is not at fault",
            )
        ]
