"""Level of reflection in each quarter second of transmission. A pure state machine.

This module is responsible for the pairs that count, and for their median. Input: views of blocks.
Output: quarters.

A level is the median of reflected over incident power, so up to half of the pairs of a quarter may
be wrong before it moves. The median of integer counts would be an integer, so each reading is first
moved to its own place within its step. Quarters are aligned to UTC, so that they do not depend on
how the stream was cut into blocks.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from logger.blocks import QUICK, Bools, Floats, Noise, PowerBlock, Times
from logger.calibration.coupler import Coupler
from logger.physics.reflection import LEAST_W
from logger.places import place_key, segment_khz
from logger.rows import Flag
from logger.stages import usual_level
from logger.stages.antennas import COLUMN, UNNAMED, Antennas
from logger.stages.quarters import QUARTER_NS, Quarters, SentPairs, join_pairs
from logger.stages.view import View

LONG_AGO_NS = -(2**62)
LEAST_PAIRS = 4  # least number of trusted pairs for a level
HIGHEST_RATIO = 2.0  # reflected over incident power; higher values are not reflection
SPREAD = 2_654_435_769  # odd, 2**32 over the golden ratio: multiples are evenly spread modulo 2**32
MEDIAN_VARIANCE = np.pi / 2  # variance of the median of many normal values, over that of the mean


class Levels:
    """State machine from power blocks to quarters, returned when the time has passed them.

    hang_ns  a pause shorter than this does not end a transmission
    memory   of usual levels
    antennas  names those in the column `antenna`
    """

    def __init__(
        self,
        coupler: Coupler,
        hang_ns: int,
        memory: usual_level.UsualLevelMemory | None = None,
        antennas: Antennas = UNNAMED,
    ) -> None:
        self._coupler = coupler
        self._hang_ns = hang_ns
        self._usual = usual_level.UsualLevels(memory or usual_level.UsualLevelMemory())
        self._held: list[tuple[SentPairs, Floats]] = []
        self._was_sent = False
        self._keyed_ns = self._last_ns = LONG_AGO_NS
        self._start_ns = 0
        self._antennas = antennas
        self._place = np.full((2, 1), np.nan)  # of the last pair

    @property
    def memory(self) -> usual_level.UsualLevelMemory:
        """Usual levels, to be stored between runs."""
        return self._usual.memory

    def update(self, view: View, ended_ns: Sequence[int] = ()) -> Quarters | None:
        """Process one block and the ends of transmissions; return the completed quarters."""
        block = view.block
        times, forward_w = block.time_ns, block.forward_w
        sent = self._mask_sent(view)
        if sent.any():
            follows = np.concatenate([[self._was_sent], sent[:-1]])
            trusted = forward_w >= view.floor_w
            trusted &= block.reflected_w <= view.impossible_ratio * block.forward_w
            # With a clipped reflected reading the ratio is high, even if the forward reading, which
            # an open may raise, is clipped too.
            clipped = block.flags & np.uint8(Flag.CLIPPED) != 0
            trusted &= ~clipped | (block.reflected_v >= block.forward_v)
            below = block.below
            pairs = SentPairs(
                block.time_ns,
                block.forward_v,
                block.reflected_v,
                block.forward_w,
                block.reflected_w,
                trusted,
                follows,
                block.settled if below is None else block.settled | (below <= QUICK),
                np.zeros(len(block)) if below is None else below,
            )
            where = _places(block)
            if not sent.all():
                pairs, where = pairs[sent], where[:, sent]
            self._held.append((pairs, where))
        self._was_sent = bool(sent[-1])
        return self.advance(int(times[-1]), view.noise, ended_ns)

    def _mask_sent(self, view: View) -> Bools:
        """Return the mask (n,) of pairs that count: keyed, or readable in the pauses of speech."""
        keyed, times = view.keyed, view.block.time_ns
        if keyed.all():
            self._keyed_ns = int(times[-1])
            return keyed
        last_ns = np.where(keyed, times, self._keyed_ns)
        np.maximum.accumulate(last_ns, out=last_ns)
        self._keyed_ns = int(last_ns[-1])
        # Without any noise every pair would count as readable; hence LEAST_W.
        readable = view.block.forward_w >= np.maximum(view.floor_w, LEAST_W)
        return np.asarray(keyed | readable & (times - last_ns <= self._hang_ns))

    def advance(self, now_ns: int, noise: Noise, ended_ns: Sequence[int] = ()) -> Quarters | None:
        """Advance the time to `now_ns` and return the quarters that have ended."""
        past_ns = now_ns // QUARTER_NS * QUARTER_NS
        if not self._held or self._held[0][0].time_ns[0] >= past_ns:
            self._usual.learn(ended_ns)
            return None
        pairs, place = self._held[0]
        if len(self._held) > 1:
            pairs = join_pairs([held for held, _ in self._held])
            place = np.concatenate([where for _, where in self._held], axis=1)
        end = int(np.searchsorted(pairs.time_ns, past_ns))
        self._held = [(pairs[end:], place[:, end:])] if end < len(pairs) else []
        return self._measure(pairs[:end], place[:, :end], noise, ended_ns)

    def finish(self, noise: Noise) -> Quarters | None:
        """End the stream; return the incomplete last quarter."""
        self._was_sent = False
        if not self._held:
            return None
        return self.advance(int(self._held[-1][0].time_ns[-1]) + QUARTER_NS, noise)

    def _measure(
        self, pairs: SentPairs, place: Floats, noise: Noise, ended_ns: Sequence[int]
    ) -> Quarters:
        times = pairs.time_ns
        number = times // QUARTER_NS
        first = np.concatenate([[0], np.flatnonzero(np.diff(number)) + 1])
        start_ns = self._starts(times, place, first)
        trusted = pairs.trusted & pairs.settled
        # Until the decay of the detectors is known, use all pairs of a quarter in which few
        # settled.
        settled = np.add.reduceat(trusted, first, dtype=np.int64)
        few = (settled > 0) & (settled < LEAST_PAIRS)
        if few.any():
            unsettled = np.repeat(few, np.diff(first, append=len(pairs)))
            trusted |= pairs.trusted & unsettled & (pairs.below < 0)
        mask = slice(None) if trusted.all() else trusted
        forward_w, reflected_w = pairs.forward_w[mask], pairs.reflected_w[mask]
        count = np.add.reduceat(trusted, first, dtype=np.int64)
        enough = count >= LEAST_PAIRS
        group = np.repeat(np.arange(len(first)), count)
        divisor = np.maximum(count, 1)
        mean_w, mean_vf, mean_vr = (
            np.bincount(group, column, len(first)) / divisor
            for column in (forward_w, pairs.forward_v[mask], pairs.reflected_v[mask])
        )
        slope_f = self._coupler.forward.slope(mean_vf)
        slope_r = self._coupler.reflected.slope(mean_vr)
        if noise.step_v[1]:
            step_w = np.repeat(slope_r * noise.step_v[1], count)
            reflected_w = reflected_w + step_w * _places_in_step(times[mask])
        ratio = _medians(reflected_w / forward_w, group, count)
        variance_w = (slope_r * noise.sd_v[1]) ** 2 + (ratio * slope_f * noise.sd_v[0]) ** 2
        doubt_w = slope_r * noise.bias_v[1] + ratio * slope_f * noise.bias_v[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = MEDIAN_VARIANCE * variance_w / (divisor * mean_w**2)
            doubt = doubt_w / mean_w
        ratio = np.where(enough, ratio, np.nan)
        keys = self._keys(place[:, first])
        usual, restless = self._usual.update(number[first], start_ns, keys, ratio, ended_ns)
        return Quarters(
            number[first],
            start_ns,
            keys,
            ratio,
            np.where(enough, variance, np.nan),
            np.where(enough, doubt, np.nan),
            usual,
            restless,
            mean_w,
            np.concatenate([first, [len(pairs)]]),
            pairs,
        )

    def _keys(self, place: Floats) -> NDArray[np.str_]:
        """Return the keys of places (2, q), (q,)."""
        name = self._antennas.name
        return np.array([place_key(name(antenna), where) for where, antenna in place.T.tolist()])

    def _starts(self, times: Times, place: Floats, first: Times) -> Times:
        """Return the start of the transmission, or of the stay at its place (2, n), (q,)."""
        previous_ns = np.concatenate([[self._last_ns], times[:-1]])
        previous = np.concatenate([self._place, place[:, :-1]], axis=1)
        moved = (place != previous) & ~(np.isnan(place) & np.isnan(previous))
        begins = (times - previous_ns > self._hang_ns) | moved.any(axis=0)
        start_ns = np.maximum.accumulate(np.where(begins, times, self._start_ns))
        self._last_ns, self._place = int(times[-1]), place[:, -1:]
        self._start_ns = int(start_ns[-1])
        return start_ns[first]


def _places(block: PowerBlock) -> Floats:
    """Return the places of pairs (2, n): channel or segment, and antenna; NaN where not known."""
    unknown = np.full(len(block), np.nan)
    place = block.aux.get("channel")
    if place is None and "frequency_khz" in block.aux:
        place = segment_khz(block.aux["frequency_khz"])[0]
    return np.stack([unknown if place is None else place, block.aux.get(COLUMN, unknown)])


def _places_in_step(times: Times) -> Floats:
    """Return numbers from -0.5 to 0.5, evenly spread over pairs at `times` (n,).

    They depend on the times only.
    """
    turns = ((times >> 3) * SPREAD).astype(np.int32)  # times are whole microseconds
    return np.asarray(turns * 2.0**-32, dtype=np.float64)


def _medians(ratio: Floats, group: Times, count: Times) -> Floats:
    """Return the median of `ratio` (n,) in each group.

    Groups are numbered in order, `count` (q,) is their size. One sort serves all groups: the sort
    key is the group number plus the ratio scaled to [0, 1).
    """
    if not len(ratio):
        return np.full(len(count), np.nan)
    key = np.sort(group + np.clip(ratio, 0.0, 0.999 * HIGHEST_RATIO) / HIGHEST_RATIO)
    begin = np.cumsum(count) - count
    last = len(key) - 1
    low = np.minimum(begin + np.maximum(count - 1, 0) // 2, last)
    high = np.minimum(begin + count // 2, last)
    return np.asarray(HIGHEST_RATIO * (0.5 * (key[low] + key[high]) - np.arange(len(count))))
