"""Reflected above forward: ports swapped, a failed forward detector, or another transmitter.

More than total reflection and both leaks explain: the ports are swapped, the coupler is the wrong
way round, or the forward detector has failed. With swapped ports the key may seem up while it is
down. So pairs with the key up count as well, but only readings that no noise or moved zero explains
(see `noisy` and `zero`), LEAST_SHARE of the calibrated range. STRONG of it is seldom another
transmitter.

Another transmitter while the key is up looks like a failed forward detector. A signal that lasts
for HOLD_NS is reported, once in REPEAT_NS, if the powers of our own transmissions are known (see
`keying`). SIGNALS in a row, each with the usual reflected power of our own transmissions and none
of ours between them, are our own with a dead forward detector. Until our own powers are known, a
strong signal means swapped ports at once, and so do SIGNALS weak ones in a row, each of the power
of the one before.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools
from logger.quantiles import median
from logger.stages.view import LEAST_SHARE, View
from logger.utc import DAY_NS

STRONG = 0.18  # share of the calibrated volts
REVERSED_NS = 500_000_000  # longer than the tails of detectors that decay unequally
REVERSED = (
    "reflected reads above forward: the two ports are swapped, the coupler is the wrong way round,"
    " or the forward detector has failed"
)
HOLD_NS = 1_000_000_000  # longer than the tail of any detector after key-up
QUIET_NS = 5_000_000_000
REPEAT_NS = 30 * DAY_NS
SIGNALS = 3
SPREAD = 0.2  # of reflected power


def is_reversed(view: View) -> Bools:
    """Return a mask of pairs that read more reflected power than any load can cause, (n,)."""
    block = view.block
    above = block.reflected_w > view.impossible_ratio * np.maximum(block.forward_w, 0)
    if not above.any():
        return np.asarray(above)
    return np.asarray(
        above
        & (block.reflected_w >= max(view.floor_w, 1e-6))
        & (view.keyed | view.foreign | _reads(view, LEAST_SHARE))
    )


def is_strong(view: View, above: Bools) -> Bools:
    """Return a mask of those of such pairs (n,) that no other transmitter causes."""
    return above & _reads(view, STRONG)


def _reads(view: View, share: float) -> Bools:
    """Return a mask of pairs whose reflected port reads a share of its calibrated range, (n,)."""
    content = view.coupler.content
    least_v = content.reflected.zero_v + share * content.valid.reflected_v[1]
    return np.asarray(view.block.reflected_v >= least_v)


class ForeignSignals:
    """State machine over blocks; `reported_ns` is the time of the last report."""

    def __init__(self, reported_ns: int) -> None:
        self.reported_ns = reported_ns
        self._since_ns: int | None = None
        self._counted = False
        self._alike = 0
        self._last_w = 0.0  # of the previous signal, until our own powers are known

    def update(self, view: View) -> list[tuple[int, str]]:
        """Return time and cause of possible reports in one block, see `is_due`."""
        times, foreign = view.block.time_ns, view.foreign
        if self._since_ns is None and not foreign.any():
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
            index = begin + int(np.searchsorted(times[begin:end], self._since_ns + HOLD_NS))
            if index < end and not self._counted:
                self._counted = True
                causes += self._cause(view, index)
        return causes

    def is_due(self, time_ns: int, cause: str) -> bool:
        """True if a report of the cause is due."""
        return cause == REVERSED or time_ns - self.reported_ns >= REPEAT_NS

    def _cause(self, view: View, pair: int) -> list[tuple[int, str]]:
        time_ns, watts = int(view.block.time_ns[pair]), float(view.block.reflected_w[pair])
        is_known = view.own.least_w is not None
        usual_w = median(view.own.reflected_w) if is_known else self._last_w
        is_alike = abs(watts - usual_w) < SPREAD * usual_w
        # Without a power of ours to compare with, the first signal is alike to itself.
        self._alike = self._alike + 1 if is_alike else int(not is_known)
        self._last_w = 0.0 if is_known else watts
        if self._alike == SIGNALS:
            return [(time_ns, REVERSED)]
        if not is_known:
            return []
        return [
            (
                time_ns,
                f"another transmitter is heard while the key is up: {watts:.2g} W at the reflected"
                " port; the line is not at fault",
            )
        ]
