"""Which pairs to trust for SWR: those where both detectors have followed the envelope.

While the envelope falls, the detectors discharge by their own time constants and no longer obey
their law: both ports fall by the same factor, which the law reads as reflection growing. While it
rises steeply, the smaller signal may lag. So a pair counts as settled when its forward reading has
neither fallen by more than FALL within FALL_NS nor risen by more than RISE within RISE_NS (and
likewise against the pair before it). Speech keeps its crests, a carrier all but its edges.
"""

from __future__ import annotations

import numpy as np

from logger.blocks import Bools, Floats, Times

FALL = 0.95
FALL_NS = 20_000_000
RISE = 1.25
RISE_NS = 5_000_000


class Settling:
    """Remembers the last FALL_NS of forward readings across blocks."""

    def __init__(self, zero_v: float) -> None:
        self._zero_v = zero_v
        self._time_ns = np.empty(0, dtype=np.int64)
        self._volts = np.empty(0)

    def update(self, time_ns: Times, forward_v: Floats, keyed: Bools, noise_v: float) -> Bools:
        """Whether each pair is keyed and settled, (n,); `noise_v` is the spread of one reading in
        volts."""
        old = len(self._time_ns)
        times = np.concatenate([self._time_ns, time_ns])
        volts = np.concatenate([self._volts, forward_v - self._zero_v])
        settled = keyed.copy()
        at = np.flatnonzero(keyed)
        if len(at):
            part = slice(old + int(at[0]), old + int(at[-1]) + 1)
            now, now_ns = volts[part], times[part]
            before = volts[np.maximum(np.arange(part.start, part.stop) - 1, 0)]
            if part.start == 0:
                before[0] = 0.0  # nothing is known of what was before
            falling = np.maximum(before, volts[np.searchsorted(times, now_ns - FALL_NS)])
            rising = np.minimum(before, volts[np.searchsorted(times, now_ns - RISE_NS)])
            margin = 4 * noise_v
            settled[at[0] : at[-1] + 1] &= (now + margin >= FALL * falling) & (
                now - margin <= RISE * rising
            )
        keep = np.searchsorted(times, times[-1] - FALL_NS)
        keep = min(keep, len(times) - 1)
        self._time_ns = times[keep:]
        self._volts = volts[keep:]
        return settled
