"""Omission of quiet pairs that change no row. A pure state machine.

Nearly all pairs of most stations are readings of nothing. The stages need those around a signal
only: from LOOK_BACK_NS before it until the rules that wait for silence have decided, and the pair
on either side. Of other seconds, the lowest and the highest reflected reading remain, which tell
that this reading moves. Input: pairs. Output: places of the pairs that the stages need.
"""

from __future__ import annotations

import numpy as np

from drivers.contract import SampleBlock
from logger.blocks import Floats, Places, Times

LOOK_BACK_NS = 100_000_000  # the longest time that `settling` looks back
SILENCE_NS = 6_000_000_000  # the rules have decided 5 s after a signal (`detector_fault.foreign`)
SECOND_NS = 1_000_000_000
LEAST_PAIRS = 2048  # in shorter blocks, omitting pairs costs more than it saves
MOST_SHARE = 0.8  # likewise if more than this share remains


class Thinning:
    """State machine from samples to the pairs that the stages need.

    quiet_v  readings of both ports below which nobody transmits or is received, volts
    hang_ns  a pause shorter than this does not end a transmission
    """

    def __init__(self, quiet_v: tuple[float, float], hang_ns: int) -> None:
        self._quiet_v = quiet_v
        self._after_ns = max(SILENCE_NS, hang_ns + LOOK_BACK_NS)
        self._signal_ns = -(2**62)  # time of the last signal

    def update(self, block: SampleBlock) -> Places | None:
        """Return the places of the pairs that the stages need, ascending; None for all pairs."""
        times, count = block.time_ns, len(block)
        signal = np.zeros(count + 2, dtype=bool)
        signal[1:-1] = block.forward_v >= self._quiet_v[0]
        signal[1:-1] |= block.reflected_v >= self._quiet_v[1]
        bounds = np.flatnonzero(signal[1:] != signal[:-1])
        starts, ends = bounds[::2], bounds[1::2]
        heard_ns = self._signal_ns
        if len(ends):
            self._signal_ns = int(times[ends[-1] - 1])
        if count < LEAST_PAIRS:
            return None
        since_ns = np.concatenate([times[starts], times[-1:]]) - LOOK_BACK_NS
        first = np.minimum(np.searchsorted(times, since_ns), np.append(starts, count) - 1)
        until_ns = np.concatenate([[heard_ns], times[ends - 1]]) + self._after_ns
        past = np.maximum(np.searchsorted(times, until_ns, side="right"), np.append(0, ends) + 1)
        # The first pair and the last remain: what was before the block, or follows, is unknown.
        omitted = np.flatnonzero(first > np.maximum.accumulate(past))
        past = np.maximum.accumulate(past)
        spans = list(zip(past[omitted].tolist(), first[omitted].tolist(), strict=True))
        if sum(end - begin for begin, end in spans) < (1 - MOST_SHARE) * count:
            return None
        needed = np.ones(count, dtype=bool)
        for begin, end in spans:
            needed[begin:end] = False
            part = slice(begin, end)
            needed[begin + _extremes(times[part], block.reflected_v[part])] = True
        return np.flatnonzero(needed)


def _extremes(times: Times, volts: Floats) -> Places:
    """Return the places of the lowest and the highest reading of each second."""
    number = times // SECOND_NS
    edges = np.append(0, np.flatnonzero(number[1:] != number[:-1]) + 1)
    lengths = np.diff(edges, append=len(times))
    places = [
        np.flatnonzero(volts == np.repeat(extreme.reduceat(volts, edges), lengths))
        for extreme in (np.minimum, np.maximum)
    ]
    # Of equal readings, the first.
    return np.concatenate(
        [at[np.diff(np.searchsorted(edges, at, side="right"), prepend=0) > 0] for at in places]
    )
