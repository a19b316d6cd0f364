"""Discharge time constants of both detectors, from the tails after key-up.

Input: volts with the mask of keyed pairs. Output: time constants and their memory.

When the transmitter stops, the smoothing capacitors discharge through their loads, so both readings
fall exponentially. The slope of the logarithm, from the last keyed pair down to FLOOR of its
reading, gives the time constant. If the reading is gone at the next pair, that step gives an upper
bound. Speech may fade more slowly, so a low quantile over the latest transmissions is used. The
result changes at the first pair after the hang time of a transmission, so that it does not depend
on how the stream was cut into blocks.
"""

from __future__ import annotations

import math

import msgspec
import numpy as np

from logger.blocks import Bools, Floats, Times

REMEMBERED = 15  # transmissions
LOW = 5  # the quantile is 1 / LOW
FLOOR = 0.2  # of the reading of the last keyed pair: end of the tail that is used
NOISE = 6.0  # the tail must stay above this many standard deviations of one reading
SLOPE_FROM = 4  # least number of pairs in a tail for a line fit
LEAST_KEYED = 8  # pairs; shorter transmissions are ignored
DIGITS = 4
STEP = 0.1  # of the logarithm of a time constant
LONGEST_S = 1.0  # a detector discharges faster than this


class DecayMemory(msgspec.Struct, forbid_unknown_fields=True):
    """Time constants of the latest tails in seconds, oldest first."""

    forward_s: list[float] = []
    reflected_s: list[float] = []


class DecayTracker:
    """State machine over pairs; `constants_s` are the present constants (`choose_constants`).

    zero_v   of the forward and the reflected reading
    hang_ns  a pause shorter than this does not end a transmission
    """

    def __init__(self, memory: DecayMemory, zero_v: tuple[float, float], hang_ns: int) -> None:
        self._zero_v = np.array(zero_v)[:, None]
        self._hang_ns = hang_ns
        self._keyed = 0  # pairs of the transmission in progress
        # Times and readings of both ports from the last keyed pair on, as they came.
        self._tail: list[tuple[Times, Floats, Floats]] = []
        self.recall(memory)

    def recall(self, memory: DecayMemory) -> None:
        """Set what has been measured before."""
        self.memory = memory
        self.constants_s = choose_constants(memory)

    def update(
        self,
        time_ns: Times,
        forward_v: Floats,
        reflected_v: Floats,
        keyed: Bools,
        noise_v: tuple[float, float],
    ) -> int | None:
        """Process pairs (n,) until the constants change.

        Return the number of pairs processed, None if all were.
        """
        down = np.flatnonzero(keyed)
        if not len(down):
            if not self._tail:
                return None
            if time_ns[-1] - self._tail[0][0][0] <= self._hang_ns:
                self._tail.append((time_ns, forward_v, reflected_v))
                return None
        times, old = time_ns, 0
        if self._tail:
            old = sum(len(part[0]) for part in self._tail)
            times, forward_v, reflected_v = self._joined_tail((time_ns, forward_v, reflected_v))
            down = np.concatenate([[0], old + down])
        uncounted = int(old > 0)
        following = np.append(times[down[1:]], times[-1])
        ends = np.flatnonzero(following - times[down] > self._hang_ns).tolist()
        for end in ends:
            pairs = self._keyed + end + 1 - uncounted
            self._keyed, uncounted = 0, end + 1
            first = int(down[end])
            past = int(np.searchsorted(times, times[first] + self._hang_ns, side="right"))
            tail = slice(first, past)
            volts = np.stack([forward_v[tail], reflected_v[tail]])
            if pairs >= LEAST_KEYED and self._learn(times[tail], volts, noise_v):
                self._tail.clear()
                return past - old
        self._keyed += len(down) - uncounted
        first = len(times) if ends and ends[-1] == len(down) - 1 else int(down[-1])
        self._tail.clear()
        if first < len(times):
            self._tail.append((times[first:], forward_v[first:], reflected_v[first:]))
        return None

    def advance(self, now_ns: int, noise_v: tuple[float, float]) -> None:
        """Advance the time to `now_ns` without a pair."""
        if self._tail and now_ns - int(self._tail[0][0][0]) > self._hang_ns:
            if self._keyed >= LEAST_KEYED:
                times, *volts = self._joined_tail()
                self._learn(times, np.stack(volts), noise_v)
            self._keyed = 0
            self._tail.clear()

    def _joined_tail(self, *more: tuple[Times, Floats, Floats]) -> tuple[Times, Floats, Floats]:
        """Return times and readings of the tail, and of more pairs after it."""
        times, forward_v, reflected_v = zip(*self._tail, *more, strict=True)
        return np.concatenate(times), np.concatenate(forward_v), np.concatenate(reflected_v)

    def _learn(self, times: Times, volts: Floats, noise_v: tuple[float, float]) -> bool:
        """Learn from a tail; True if the constants change."""
        volts = volts - self._zero_v
        for constants, port_v, sd_v in (
            (self.memory.forward_s, volts[0], noise_v[0]),
            (self.memory.reflected_s, volts[1], noise_v[1]),
        ):
            constant_s = measure_decay(times, port_v, NOISE * sd_v)
            if constant_s is not None:
                constants.append(float(f"{constant_s:.{DIGITS}g}"))
                del constants[:-REMEMBERED]
        previous, self.constants_s = self.constants_s, choose_constants(self.memory)
        return self.constants_s != previous


def choose_constants(memory: DecayMemory) -> tuple[float, float] | None:
    """Return the forward and reflected time constant in s, None before the first tail.

    If all reflected tails were too weak, the forward constant is used for both.
    """
    if not memory.forward_s:
        return None
    forward_s = _round(_low(memory.forward_s))
    return forward_s, _round(_low(memory.reflected_s)) if memory.reflected_s else forward_s


def _low(constants_s: list[float]) -> float:
    """Return a low quantile: no tail falls faster than the detector, but speech may fade slowly."""
    return sorted(constants_s)[len(constants_s) // LOW]


def measure_decay(times: Times, volts: Floats, least_v: float) -> float | None:
    """Return the time constant in seconds of a tail (n,) that begins at its last keyed pair.

    None if it cannot be measured; `least_v` is the least voltage that is distinguishable from
    noise.
    """
    floor_v = max(FLOOR * float(volts[0]), least_v)
    below = np.flatnonzero(volts <= floor_v)
    if volts[0] < least_v / FLOOR or not len(below):
        return None
    end = int(below[0])
    if (np.diff(volts[: end + 1]) > least_v).any():  # another signal: a detector only discharges
        return None
    seconds = (times[: end + 1] - times[0]) * 1e-9
    if end < SLOPE_FROM:
        return float(seconds[end]) / math.log(volts[0] / max(float(volts[end]), 0.5 * least_v))
    x, y = seconds[:end], np.log(volts[:end])
    x = x - x.mean()
    slope = float(x @ y) / float(x @ x)
    return -1 / slope if slope < -1 / LONGEST_S else None


def _round(constant_s: float) -> float:
    """Round up to a multiple of STEP in the logarithm, so that the constant seldom changes."""
    return math.exp(math.ceil(math.log(constant_s) / STEP) * STEP)
