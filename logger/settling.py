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
from logger.lookback import first_since

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
        if keyed.any():
            first, last = int(keyed.argmax()), len(keyed) - 1 - int(keyed[::-1].argmax())
            part = slice(old + first, old + last + 1)
            now, upto = volts[part], times[: part.stop]
            before = np.zeros(len(now))  # nothing is known of what was before the first
            before[part.start == 0 :] = volts[max(part.start - 1, 0) : part.stop - 1]
            falling = np.maximum(before, volts.take(first_since(upto, part.start, FALL_NS)))
            rising = np.minimum(before, volts.take(first_since(upto, part.start, RISE_NS)))
            margin = 4 * noise_v
            settled[first : last + 1] &= (now + margin >= FALL * falling) & (
                now - margin <= RISE * rising
            )
        keep = np.searchsorted(times, times[-1] - FALL_NS)
        keep = min(keep, len(times) - 1)
        self._time_ns = times[keep:]
        self._volts = volts[keep:]
        return settled
