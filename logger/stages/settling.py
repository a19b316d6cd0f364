"""Settled pairs, whose SWR is valid: both detectors have followed the envelope.

Input: volts with the mask of keyed pairs. Output: `Settled` and the memory of time constants.

While the envelope falls, the detectors discharge with their own time constants and no longer follow
their law: both ports fall by the same factor, which the law reads as growing reflection, and the
port that discharges more slowly still holds an earlier crest. While the envelope rises steeply, the
smaller signal may lag. So a pair counts as settled if its forward reading

- has neither fallen by more than FALL within FALL_NS nor risen by more than RISE within RISE_NS
  (nor against the previous pair), and
- is not below FALL of any earlier reading decayed since then with HOLDS discharge time constants.
  In the square-law region a reflected reading holds a crest for two of them.

Speech keeps its crests, a carrier all but its edges. The discharge time constants come from the
tails after key-up (see `decay`).

Most pairs need no closer look: where bounds over CHUNK pairs show that both readings hardly move,
all are settled, and where the key is up none is (see `_find_restless`).

A reading that moves from pair to pair belongs to an envelope faster than the detector, or to an
edge of keying. It stays near the crests, and `hidden` estimates the share of its power that was not
present (see `held_power`). While a reading falls as fast as the detector discharges, that share
grows.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from logger.blocks import QUICK, Bools, Floats, Times
from logger.stages.decay import DecayMemory, DecayTracker
from logger.stages.lookback import first_since

FALL = 0.95
FALL_NS = 20_000_000
RISE = 1.25
RISE_NS = 5_000_000
MOVES = 0.1  # logarithm of a fall that shows a moving envelope, for MOVING_NS after it
MOVING_NS = 60_000_000
RISE_REFLECTED = 1.1  # a reflected reading that rises by more may lead the forward one
MARGIN = 4.0  # standard deviations of a reading
HOLDS = 3.0
LEAST_HOLD_S = 0.06
PRIOR_S = 0.035  # the longer discharge time constant until one has been measured
LONG_AGO, LONG_AGO_NS = -1e300, -(2**62)
LEAST_V = 1e-6
LN_FALL = math.log(FALL)
FAR, UNKNOWN = 50.0, -0.5  # values of `Settled.below`, as QUICK is
CHUNK, LEAST_CHUNKS = 128, 8  # pairs that bounds cover together; fewer chunks are not worth it
SHARE_OF_BOUND = 0.99  # rounding must not matter
WINDOW = 0.1  # time constants over which a discharge is detected
HELD = 0.7  # a fall at this share of the rate of discharge, or faster, is a discharge
HELD_BELOW = WINDOW * (HELD - 1 / HOLDS)
HELD_MARGIN = 4.0  # least size of it, in standard deviations of a reading
HIDDEN_NS = 5_000_000  # hold time after which half of the estimated power of a held reading is left
CHANGE = 4.5  # least change of a moving reading between pairs, standard deviations of a reading
RIPPLE_S = 1e-4  # seconds of discharge that it must exceed too: an envelope of a few kHz or slower,
MOST_RIPPLE = 0.02  # or this share if that is less
AGAIN_NS = 30_000_000  # longest time between two moves of the same envelope
SWING_S = 3e-4  # seconds of discharge: a swing at which a fast envelope is as likely as not
FEW = 8  # up to one pair in so many, a search for each is faster than for all
USUAL_DECAY_S, SLOWEST_S = 0.01, 0.2  # assumed until measured
USUAL_ATTACK_S = 5e-4  # assumed, as it is not measured; from memory, common practice
MOST_USUAL_RATIO = 0.35  # assumed ratio of attack to discharge, at most
# Mean power over the power of the reading, by the ratio of attack to discharge time constant.
RATIOS = 1e-3, 1e-2, 0.1, 1.0
HELD_POWERS = 0.34, 0.44, 0.74, 1.86
HANG_NS = 1_500_000_000


class Settled(NamedTuple):
    """Judgement of n pairs.

    settled  (n,) keyed, and the detectors have followed the envelope
    below    (n,) ln of the highest earlier reading, decayed since at the slowest rate, over the
             forward reading (both in volts above the zero), >= 0; FAR where the key is up; QUICK if
             the detectors do not hold a reading for long, UNKNOWN until that has been measured
    hidden   (n,) estimated share of the power that was not present, 0 where readings are steady;
             < 0 where a slow attack keeps the reading below the power that was present
    """

    settled: Bools
    below: Floats
    hidden: Floats

    def part(self, begin: int, end: int) -> Settled:
        """Return the pairs from index `begin` to `end`, as views."""
        span = slice(begin, end)
        return Settled(self.settled[span], self.below[span], self.hidden[span])


class Settling:
    """Judgement of pairs against earlier readings, continued across blocks.

    zero_v   of the forward and the reflected reading
    memory   discharge time constants measured before
    hang_ns  a pause shorter than this does not end a transmission
    """

    def __init__(
        self, zero_v: tuple[float, float], memory: DecayMemory | None = None, hang_ns: int = HANG_NS
    ) -> None:
        self._zero_v = zero_v
        self._decay = DecayTracker(memory or DecayMemory(), zero_v, hang_ns)
        self._constants_s = self._decay.constants_s
        self._time_ns = np.empty(0, dtype=np.int64)
        self._forward_v = self._reflected_v = np.empty(0)
        self._crest = LONG_AGO, 0  # logarithm of the highest held reading, and its time
        self._fell_ns = LONG_AGO_NS  # time of the last keyed pair far below a crest
        self._followed_ns = 0  # time of the last keyed pair that was not held
        self._moved_ns = LONG_AGO_NS  # time of the last keyed pair whose reading moved

    @property
    def memory(self) -> DecayMemory:
        """Measured discharge time constants, to be stored between runs."""
        return self._decay.memory

    def recall(self, memory: DecayMemory) -> None:
        """Set what has been measured before."""
        self._decay.recall(memory)
        self._constants_s = self._decay.constants_s

    def advance(self, now_ns: int, noise_v: tuple[float, float]) -> None:
        """Advance the time to `now_ns` without a pair."""
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
        """Judge pairs (n,); `noise_v` is the noise of one reading of both ports in volts."""
        result = Settled(keyed.copy(), np.full(len(keyed), FAR), np.zeros(len(keyed)))
        begin = 0
        while begin < len(keyed):
            rest = slice(begin, None)
            columns = time_ns[rest], forward_v[rest], reflected_v[rest], keyed[rest]
            processed = self._decay.update(*columns, noise_v)
            end = len(keyed) if processed is None else begin + processed
            part = slice(begin, end)
            self._judge(
                time_ns[part],
                forward_v[part],
                reflected_v[part],
                np.flatnonzero(keyed[part]),
                result.part(begin, end),
                noise_v,
            )
            self._constants_s = self._decay.constants_s
            begin = end
        return result

    def _judge(
        self,
        time_ns: Times,
        forward_v: Floats,
        reflected_v: Floats,
        down: Times,
        result: Settled,
        noise_v: tuple[float, float],
    ) -> None:
        """Fill the result for pairs (n,); `down` (k,) are the indices of the keyed ones."""
        result.below[:] = self._usual_below()
        old = len(self._time_ns)
        times = np.concatenate([self._time_ns, time_ns])
        forward_v = np.concatenate([self._forward_v, forward_v])
        reflected_v = np.concatenate([self._reflected_v, reflected_v])
        back_ns = FALL_NS
        if self._constants_s is not None:
            back_ns = max(FALL_NS, round(WINDOW * self._decay_s * 1e9))
        if len(down):
            first, past = int(down[0]), int(down[-1]) + 1
            begin = int(np.searchsorted(times, times[old + first] - back_ns))
            begin = min(begin, max(old + first - 1, 0))
            stretch = slice(begin, old + past)
            self._judge_stretch(
                times[stretch],
                forward_v[stretch] - self._zero_v[0],
                reflected_v[stretch],
                old + first - begin,
                result.part(first, past),
                noise_v,
                max(back_ns, AGAIN_NS),
            )
        keep = np.searchsorted(times, times[-1] - back_ns)
        keep = min(keep, len(times) - 1)
        self._time_ns = times[keep:]
        self._forward_v, self._reflected_v = forward_v[keep:], reflected_v[keep:]

    def _judge_stretch(
        self,
        times: Times,
        volts: Floats,
        reflected_v: Floats,
        begin: int,
        result: Settled,
        noise_v: tuple[float, float],
        back_ns: int,
    ) -> None:
        """Fill the result for the pairs from `begin` on; `volts` are above the zero.

        The first and the last pair are keyed. `back_ns` is the longest time between pairs that
        matter to one another, but for crests.
        """
        starts = np.arange(begin, len(times) - CHUNK + 1, CHUNK)
        if len(starts) < LEAST_CHUNKS:
            return self._judge_pairs(times, volts, reflected_v, begin, result, noise_v)
        restless = self._find_restless(
            times, volts, reflected_v, starts, result.settled, noise_v, back_ns
        )
        needed = restless.copy()
        needed[:-1] |= restless[1:]  # to look back on
        lengths = np.diff(starts, append=len(times))
        judged = np.repeat(needed, lengths)
        places = np.flatnonzero(judged)
        kept = Settled._make(column[places] for column in result)
        with_before = np.append(np.arange(begin), begin + places)
        self._judge_pairs(
            times[with_before], volts[with_before], reflected_v[with_before], begin, kept, noise_v
        )
        own = np.repeat(restless[needed], lengths[needed])
        for column, values in zip(result, kept, strict=True):
            column[places[own]] = values[own]
        return None

    def _find_restless(
        self,
        times: Times,
        volts: Floats,
        reflected_v: Floats,
        starts: Times,
        keyed: Bools,
        noise_v: tuple[float, float],
        back_ns: int,
    ) -> Bools:
        """Return the mask of the chunks, from `starts` (c,) on, that need a closer look.

        In the others `_judge_pairs` would find every keyed pair settled, and none that moves: there
        and in the chunk before, the readings stay within bounds in which this is so in whatever
        order they came; or no key is down. Nor does it matter to the next chunks that these are
        left out, but for the last of them.
        """
        down, up = (
            reduce.reduceat(keyed, starts - starts[0]) for reduce in (np.logical_and, np.logical_or)
        )
        begins_ns = times[starts]
        long = np.append(begins_ns[1:] - begins_ns[:-1], times[-1] - begins_ns[-1]) >= back_ns
        restless = up.copy()
        if self._usual_below() != FAR:
            low, high = (reduce.reduceat(volts, starts) for reduce in (np.minimum, np.maximum))
            still = down & (low >= LEAST_V)
            low, high = np.log(np.maximum(low, LEAST_V)), np.log(np.maximum(high, LEAST_V))
            lowest, highest = np.minimum(low[1:], low[:-1]), np.maximum(high[1:], high[:-1])
            weak_v, strong_v = (
                reduce.reduceat(reflected_v, starts) for reduce in (np.minimum, np.maximum)
            )
            rises_v = np.maximum(strong_v[1:], strong_v[:-1])
            rises_v -= RISE_REFLECTED * np.minimum(weak_v[1:], weak_v[:-1])
            # Of what is held, nothing may be older than the two chunks.
            level, since_ns = self._crest
            grown = (begins_ns - since_ns) * self._slowest_rate
            crest = np.maximum.accumulate(np.append(level, high[:-2] + grown[1:-1]))
            calm = still[1:] & still[:-1] & (crest - grown[1:] <= lowest)
            calm &= highest - lowest <= SHARE_OF_BOUND * self._least_swing
            calm &= rises_v <= self._least_rise_v(noise_v[1])
            restless[1:] &= ~calm
        restless[1:] |= ~long[:-1]
        restless |= ~long
        restless[[0, -1]] = True  # what was before is not known; the state follows from the last
        return restless

    def _judge_pairs(
        self,
        times: Times,
        volts: Floats,
        reflected_v: Floats,
        begin: int,
        result: Settled,
        noise_v: tuple[float, float],
    ) -> None:
        """Fill the result for the pairs from `begin` on; `volts` are above the zero."""
        keyed = result.settled.copy()
        present = volts[begin:]
        previous = np.zeros(len(present))  # nothing is known before the first pair
        previous[begin == 0 :] = volts[max(begin - 1, 0) : -1]
        falling = np.maximum(previous, volts.take(first_since(times, begin, FALL_NS)))
        rising = np.minimum(previous, volts.take(first_since(times, begin, RISE_NS)))
        margin = MARGIN * noise_v[0]
        settled, below = result.settled, result.below
        settled &= (present + margin >= FALL * falling) & (present - margin <= RISE * rising)

        high_v = np.maximum(present, LEAST_V)
        below[:] = self._find_below(times[begin:], high_v)
        doubt = margin / high_v
        excess = below - doubt
        settled &= excess <= -LN_FALL
        moving = self._find_moving(times[begin:], keyed & (excess > MOVES))
        ahead = self._find_ahead(reflected_v, begin, noise_v[1])
        moves = present[ahead] + margin < FALL * np.maximum(falling, rising)[ahead]
        moves |= FALL * present[ahead] - margin > np.minimum(falling, rising)[ahead]
        settled[ahead[moves | moving[ahead]]] = False
        self._estimate_hidden(times, volts, previous, begin, keyed, result, noise_v[0])
        usual = self._usual_below()
        if usual != FAR:
            below[:] = usual
        elif not keyed.all():
            below[~keyed] = FAR

    def _find_below(self, times: Times, volts: Floats) -> Floats:
        """Return `below` for pairs (n,) with readings above 0."""
        rate = self._slowest_rate
        level, since_ns = self._crest
        grown = (times - times[0]) * rate
        height = np.log(volts)
        height += grown
        crest = height.copy()
        crest[0] = max(height[0], level - (times[0] - since_ns) * rate)
        np.maximum.accumulate(crest, out=crest)
        self._crest = float(crest[-1] - grown[-1]), int(times[-1])
        crest -= height
        return crest

    def _find_moving(self, times: Times, falls: Bools) -> Bools:
        """Return the mask of pairs (n,) at most MOVING_NS after one that falls."""
        if not falls.any():
            return np.asarray(times <= self._fell_ns + MOVING_NS)
        fell_ns = np.maximum.accumulate(np.where(falls, times, self._fell_ns))
        self._fell_ns = int(fell_ns[-1])
        return np.asarray(times - fell_ns <= MOVING_NS)

    def _find_ahead(self, reflected_v: Floats, begin: int, noise_v: float) -> Times:
        """Return the places after `begin` of the pairs whose reflected reading jumps up."""
        first = max(begin, 1)
        rises_v = reflected_v[first:] - RISE_REFLECTED * reflected_v[first - 1 : -1]
        rises = rises_v > self._least_rise_v(noise_v)
        return np.asarray(np.flatnonzero(rises) + first - begin)

    def _least_rise_v(self, noise_v: float) -> float:
        """Return the least excess of a reflected reading over the previous one that is a jump."""
        return MARGIN * noise_v - (RISE_REFLECTED - 1) * self._zero_v[1]

    def _usual_below(self) -> float:
        """Return `below` where the key is up.

        A value other than FAR applies to all pairs: the detectors are not known to hold a reading
        for longer than the limits allow for anyway.
        """
        if self._constants_s is None:
            return UNKNOWN
        return FAR if HOLDS * max(self._constants_s) > LEAST_HOLD_S else QUICK

    @property
    def _decay_s(self) -> float:
        """Discharge time constant of the forward port in seconds, measured or assumed."""
        return USUAL_DECAY_S if self._constants_s is None else self._constants_s[0]

    @property
    def _slowest_rate(self) -> float:
        """The slowest discharge, as a logarithm per nanosecond."""
        longest_s = PRIOR_S if self._constants_s is None else max(self._constants_s)
        return 1e-9 / max(HOLDS * longest_s, LEAST_HOLD_S)

    @property
    def _least_swing(self) -> float:
        """Logarithm of a change between pairs that belongs to a moving envelope; < HELD_BELOW."""
        slowest_s = SLOWEST_S if self._constants_s is None else self._decay_s
        return min(RIPPLE_S / slowest_s, MOST_RIPPLE)

    def _estimate_hidden(
        self,
        times: Times,
        volts: Floats,
        previous: Floats,
        begin: int,
        keyed: Bools,
        result: Settled,
        noise_v: float,
    ) -> None:
        """Estimate the share of power that was not present, for the pairs from `begin` on.

        `before` (n,) are the readings of the previous pairs.
        """
        decay_s = self._decay_s
        present = volts[begin:]
        share = held_power(min(USUAL_ATTACK_S, MOST_USUAL_RATIO * decay_s), decay_s)
        change = present - previous
        moves = np.flatnonzero(np.abs(change, out=change) > CHANGE * noise_v)
        swing = np.abs(
            np.log(np.maximum(previous[moves], LEAST_V) / np.maximum(present[moves], LEAST_V))
        )
        moving = keyed[moves] & (swing > self._least_swing)
        moves, swing_s = moves[moving], swing[moving] * decay_s
        if len(moves):
            moved_ns = times[begin + moves]
            again = np.diff(moved_ns, prepend=self._moved_ns) <= AGAIN_NS
            self._moved_ns = int(moved_ns[-1])
            hidden = (1 - share) * swing_s / (swing_s + min(SWING_S, 0.2 * decay_s))
            result.hidden[moves[again]] = hidden[again]
        if self._constants_s is None:
            return

        # A reading that falls as fast as a discharge is below a crest, which decays more slowly.
        places = begin + np.flatnonzero((result.below > HELD_BELOW) & keyed)
        window_ns = round(WINDOW * decay_s * 1e9)
        if len(places) * FEW > len(present):
            reference = first_since(times, begin, window_ns)[places - begin]
        else:
            reference = np.searchsorted(times, times[places] - window_ns)
        reference = np.minimum(reference, np.maximum(places - 1, 0))
        elapsed = (times[places] - times[reference]) * (1e-9 / decay_s)
        earlier = volts[reference]
        held = earlier - volts[places] > HELD_MARGIN * noise_v
        held &= volts[places] < earlier * np.exp(-HELD * elapsed)
        places = places[held] - begin
        follows = keyed.copy()
        follows[places] = False
        if len(places):
            since_ns = np.where(follows, times[begin:], self._followed_ns)
            age_ns = times[begin + places] - np.maximum.accumulate(since_ns)[places]
            result.hidden[places] = 1 - share * HIDDEN_NS / (age_ns + HIDDEN_NS)
        if follows.any():
            self._followed_ns = int(times[begin + np.flatnonzero(follows)[-1]])


@lru_cache(16)
def held_power(attack_s: float, decay_s: float) -> float:
    """Return the mean power of an envelope faster than a detector over the power of its reading.

    The reading stays where the charge through the diode, which fills the capacitor with `attack_s`,
    equals the leakage with `decay_s`. For an envelope S and a reading V in volts this is

        E max(S - V, 0) = attack/decay V P(S < V)

    and the result is E S**2 / V**2. It is the geometric mean of the results for two tones (S the
    magnitude of a sine) and for many (Rayleigh), between which speech lies; the two are within a
    factor of 1.6.
    """
    return float(np.exp(np.interp(np.log(attack_s / decay_s), np.log(RATIOS), np.log(HELD_POWERS))))
