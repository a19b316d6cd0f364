"""Which pairs to trust for SWR: those where both detectors have followed the envelope.

While the envelope falls, the detectors discharge by their own time constants and no longer obey
their law: both ports fall by the same factor, which the law reads as reflection growing, and a port
that discharges more slowly still holds an earlier crest. While it rises steeply, the smaller signal
may lag. So a pair counts as settled when its forward reading has

- neither fallen by more than FALL within FALL_NS nor risen by more than RISE within RISE_NS (and
  likewise against the pair before it),
- nor lies below FALL of any earlier reading that has decayed since with HOLDS discharge time
  constants. Under square law a reflected reading holds a crest for two of them.

Speech keeps its crests, a carrier all but its edges. The discharge time constants come from the
tails after key-up (see `decay`). A forward reading that falls as fast as the detector discharges is
an upper bound of the power: `hidden` estimates which part of it was not there.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from logger.blocks import Bools, Floats, Times
from logger.decay import DecayTracker, Memory
from logger.lookback import first_since

FALL = 0.95
FALL_NS = 20_000_000
RISE = 1.25
RISE_NS = 5_000_000
MOVES = 0.1  # logarithm of a fall that shows an envelope that moves; for MOVING_NS after it
MOVING_NS = 60_000_000
RISE_REFLECTED = 1.1  # a reflected reading that rises by more may be ahead of the forward one
MARGIN = 4.0  # standard deviations of a reading
HOLDS = 3.0
LEAST_HOLD_S = 0.06
PRIOR_S = 0.05  # the longer discharge time constant until one has been measured
LONG_AGO, LONG_AGO_NS = -1e300, -(2**62)
LEAST_V = 1e-6
LN_FALL = math.log(FALL)
FAR = 50.0
WINDOW = 0.1  # time constants over which a discharge is looked for
HELD = 0.7  # a fall at this part of the rate of discharge, or faster, is one
HELD_MARGIN = 4.0  # standard deviations of a reading that it must amount to
HIDDEN_NS = 5_000_000  # half of the power of a reading held for so long was not there
HANG_NS = 1_500_000_000


class Settled(NamedTuple):
    """What is known of n pairs.

    settled  (n,) keyed, and the detectors have followed the envelope
    below    (n,) logarithm of what the highest earlier reading has decayed to at most, over the
             forward reading, volts; FAR where the key is up
    hidden   (n,) the part of the power that was not there, None for nowhere
    """

    settled: Bools
    below: Floats
    hidden: Floats | None


class Settling:
    """Remembers the readings that pairs to come are compared with, across blocks.

    zero_v   of the forward and the reflected reading
    memory   what was learned of the detectors
    hang_ns  a pause shorter than this does not end a transmission
    """

    def __init__(
        self, zero_v: tuple[float, float], memory: Memory | None = None, hang_ns: int = HANG_NS
    ) -> None:
        self._zero_v = zero_v
        self._decay = DecayTracker(memory or Memory(), hang_ns)
        self._constants_s = self._decay.constants_s
        self._time_ns = np.empty(0, dtype=np.int64)
        self._volts = np.empty((2, 0))
        self._crest = LONG_AGO, 0  # logarithm of the highest held reading, and when
        self._fell_ns = LONG_AGO_NS  # the last keyed pair that was far below a crest
        self._followed_ns = 0  # the last keyed pair that was not held

    @property
    def memory(self) -> Memory:
        """What is to last."""
        return self._decay.memory

    def advance(self, now_ns: int, noise_v: tuple[float, float]) -> None:
        """Time has reached `now_ns` without a pair."""
        self._decay.advance(now_ns, noise_v)
        self._constants_s = self._decay.constants_s

    def update(
        self,
        time_ns: Times,
        forward_v: Floats,
        reflected_v: Floats,
        keyed: Bools,
        noise_v: tuple[float, float],
    ) -> Settled:
        """Judge pairs (n,); `noise_v` is the spread of one reading of both ports in volts."""
        volts = np.stack([forward_v - self._zero_v[0], reflected_v - self._zero_v[1]])
        settled = keyed.copy()
        below = np.full(len(keyed), FAR)
        hidden: Floats | None = None
        begin = 0
        while begin < len(keyed):
            rest = slice(begin, None)
            taken = self._decay.update(time_ns[rest], volts[:, rest], keyed[rest], noise_v)
            end = len(keyed) if taken is None else begin + taken
            part = slice(begin, end)
            some = self._judge(time_ns[part], volts[:, part], keyed[part], settled[part], below[part], noise_v)
            if some is not None:
                hidden = np.zeros(len(keyed)) if hidden is None else hidden
                hidden[part] = some
            self._constants_s = self._decay.constants_s
            begin = end
        return Settled(settled, below, hidden)

    def _judge(
        self,
        time_ns: Times,
        both_v: Floats,
        keyed: Bools,
        settled: Bools,
        below: Floats,
        noise_v: tuple[float, float],
    ) -> Floats | None:
        """Take what is not settled out of `settled` (n,), fill `below` (n,); return the hidden part, None if nothing
        is hidden."""
        old = len(self._time_ns)
        times = np.concatenate([self._time_ns, time_ns])
        both_v = np.concatenate([self._volts, both_v], axis=1)
        volts = both_v[0]
        hidden = None
        if keyed.any():
            first, last = int(keyed.argmax()), len(keyed) - 1 - int(keyed[::-1].argmax())
            part = slice(old + first, old + last + 1)
            now, upto = volts[part], times[: part.stop]
            before = np.zeros(len(now))  # nothing is known of what was before the first
            before[part.start == 0 :] = volts[max(part.start - 1, 0) : part.stop - 1]
            falling = np.maximum(before, volts.take(first_since(upto, part.start, FALL_NS)))
            rising = np.minimum(before, volts.take(first_since(upto, part.start, RISE_NS)))
            margin = MARGIN * noise_v[0]
            down = slice(first, last + 1)
            settled[down] &= (now + margin >= FALL * falling) & (now - margin <= RISE * rising)
            down_at = np.flatnonzero(keyed)
            high_v = np.maximum(volts[old:][down_at], LEAST_V)
            below[down_at] = self._below(time_ns[down_at], high_v)
            settled[down_at] &= below[down_at] <= margin / high_v - LN_FALL
            moves = now + margin < FALL * np.maximum(falling, rising)
            moves |= FALL * now - margin > np.minimum(falling, rising)
            moves = moves[down_at - first]
            moving = self._moving(time_ns[down_at], below[down_at] > margin / high_v + MOVES)
            at = down_at[moves if moving is None else moves | moving]
            rise_v = both_v[1, old + at] - RISE_REFLECTED * both_v[1, old + at - 1]
            settled[at[rise_v > MARGIN * noise_v[1]]] = False
            if self._constants_s is not None:
                hidden = self._hidden(upto, volts, part.start, keyed[down], noise_v[0])
                if hidden is not None:
                    hidden = np.concatenate([np.zeros(first), hidden, np.zeros(len(keyed) - last - 1)])
        keep = np.searchsorted(times, times[-1] - max(FALL_NS, self._window_ns()))
        keep = min(keep, len(times) - 1)
        self._time_ns = times[keep:]
        self._volts = both_v[:, keep:]
        return hidden

    def _below(self, times: Times, volts: Floats) -> Floats:
        """Return `below` for keyed pairs (n,) with readings above 0."""
        longest_s = PRIOR_S if self._constants_s is None else max(self._constants_s)
        rate = 1e-9 / max(HOLDS * longest_s, LEAST_HOLD_S)
        level, since_ns = self._crest
        grown = (times - times[0]) * rate
        height = np.log(volts) + grown
        crest = np.maximum.accumulate(np.maximum(height, level - (times[0] - since_ns) * rate))
        self._crest = float(crest[-1] - grown[-1]), int(times[-1])
        return np.asarray(crest - height)

    def _moving(self, times: Times, falls: Bools) -> Bools | None:
        """Return which keyed pairs (n,) come MOVING_NS after one that falls at most, None for none."""
        if not falls.any():
            if times[0] - self._fell_ns > MOVING_NS:
                return None
            return np.asarray(times - self._fell_ns <= MOVING_NS)
        fell_ns = np.maximum.accumulate(np.where(falls, times, self._fell_ns))
        self._fell_ns = int(fell_ns[-1])
        return np.asarray(times - fell_ns <= MOVING_NS)

    def _window_ns(self) -> int:
        return 0 if self._constants_s is None else round(WINDOW * 1e9 * self._constants_s[0])

    def _hidden(
        self, times: Times, volts: Floats, begin: int, keyed: Bools, noise_v: float
    ) -> Floats | None:
        """Estimate for the pairs from `begin` on which part of their power was not there, (n,)."""
        assert self._constants_s is not None
        count = len(times) - begin
        reference = first_since(times, begin, self._window_ns())
        reference = np.minimum(reference, np.maximum(np.arange(begin, len(times)) - 1, 0))
        now = volts[begin : len(times)]
        earlier = volts.take(reference)
        at = np.flatnonzero((earlier - now > HELD_MARGIN * noise_v) & keyed)
        elapsed = (times[begin + at] - times[reference[at]]) * (1e-9 / self._constants_s[0])
        at = at[now[at] < earlier[at] * np.exp(-HELD * elapsed)]
        follows = keyed.copy()
        follows[at] = False
        if not len(at):
            self._followed_ns = int(times[begin + count - 1])
            return None
        since_ns = np.where(follows, times[begin:], self._followed_ns)
        np.maximum.accumulate(since_ns, out=since_ns)
        self._followed_ns = int(since_ns[-1])
        age_ns = times[begin + at] - since_ns[at]
        hidden = np.zeros(count)
        hidden[at] = age_ns / (age_ns + HIDDEN_NS)
        return hidden
