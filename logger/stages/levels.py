"""Level of reflection in each quarter second of transmission. A pure state machine.

This module is responsible for the pairs that count, and for their median. Input: views of blocks.
Output: quarters.

A level is the median of reflected over incident power, so up to half of the pairs of a quarter may
be wrong before it moves. The median of integer counts would be an integer, so each reading is first
moved to its own place within its step. Quarters are aligned to UTC, so that they do not depend on
how the stream was cut into blocks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from logger.blocks import QUICK, Bools, Floats, Noise, PowerBlock, Times
from logger.calibration.coupler import Coupler
from logger.physics.reflection import LEAST_W
from logger.places import place_key, segment_khz
from logger.rows import Flag
from logger.stages import usual_level
from logger.stages.antennas import COLUMN, UNNAMED, Antennas
from logger.stages.quarters import QUARTER_NS, Quarters, SentPairs, join_columns, join_pairs
from logger.stages.view import View

LONG_AGO_NS = -(2**62)
PLACES = frozenset(("channel", "frequency_khz", COLUMN))  # columns that tell the place of a pair
UNKNOWN_PLACE: Floats = np.full((2, 1), np.nan)
NO_PLACE = place_key(None, math.nan)
MANY_RUNS = 64  # copying so many is slower than selecting by a mask
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
        self._held: list[tuple[SentPairs, Floats | None]] = []
        self._was_sent = False
        self._keyed_ns = self._last_ns = LONG_AGO_NS
        self._start_ns = 0
        self._antennas = antennas
        self._place = UNKNOWN_PLACE  # of the last pair

    @property
    def memory(self) -> usual_level.UsualLevelMemory:
        """Usual levels, to be stored between runs."""
        return self._usual.memory

    def recall(self, memory: usual_level.UsualLevelMemory) -> None:
        """Set the memory; between transmissions nothing else is retained of the last one."""
        self._usual.memory = memory
        if not self._held and self._last_ns - self._keyed_ns > self._hang_ns:
            self._usual.forget()

    def update(self, view: View, ended_ns: Sequence[int] = ()) -> Quarters | None:
        """Process one block and the ends of transmissions; return the completed quarters."""
        block = view.block
        sent = self._mask_sent(view)
        runs = _runs(sent)
        if runs:
            self._hold(view, sent, runs)
        self._was_sent = bool(sent[-1])
        return self.advance(int(block.time_ns[-1]), view.noise, ended_ns)

    def _hold(self, view: View, sent: Bools, runs: list[tuple[int, int]]) -> None:
        """Hold the sent pairs, those of `runs`, until their quarter is complete."""
        block = view.block

        def select(column: NDArray[Any]) -> NDArray[Any]:
            if len(runs) > MANY_RUNS:
                return column[..., sent]
            return join_columns([column[..., begin:end] for begin, end in runs])

        forward_w, reflected_w = select(block.forward_w), select(block.reflected_w)
        forward_v, reflected_v = select(block.forward_v), select(block.reflected_v)
        trusted = forward_w >= view.floor_w
        trusted &= reflected_w <= view.impossible_ratio * forward_w
        if block.flags.any():
            # With a clipped reflected reading the ratio is high, even if the forward reading,
            # which an open may raise, is clipped too.
            clipped = select(block.flags) & np.uint8(Flag.CLIPPED) != 0
            trusted &= ~clipped | (reflected_v >= forward_v)
        follows = np.ones(len(trusted), dtype=bool)
        lengths = [end - begin for begin, end in runs]
        follows[np.cumsum([0, *lengths[:-1]])] = False
        follows[0] = self._was_sent and sent[0]
        settled, below = select(block.settled), np.zeros(len(trusted))
        if block.below is not None:
            below = select(block.below)
            settled = settled | (below <= QUICK)
        pairs = SentPairs(
            select(block.time_ns),
            forward_v,
            reflected_v,
            forward_w,
            reflected_w,
            trusted,
            follows,
            settled,
            below,
        )
        where = _places(block)
        self._held.append((pairs, None if where is None else select(where)))

    def _mask_sent(self, view: View) -> Bools:
        """Return the mask (n,) of pairs that count: keyed, or readable in the pauses of speech."""
        keyed, block = view.keyed, view.block
        # Without any noise every pair would count as readable; hence LEAST_W.
        readable = block.forward_w >= max(view.floor_w, LEAST_W)
        paused = np.flatnonzero(readable & ~keyed)
        down = np.flatnonzero(keyed)
        keyed_ns = np.append(self._keyed_ns, block.time_ns[down])
        self._keyed_ns = int(keyed_ns[-1])
        if not len(paused):
            return keyed
        pause_ns = block.time_ns[paused] - keyed_ns[np.searchsorted(down, paused)]
        sent = keyed.copy()
        sent[paused[pause_ns <= self._hang_ns]] = True
        return sent

    def advance(self, now_ns: int, noise: Noise, ended_ns: Sequence[int] = ()) -> Quarters | None:
        """Advance the time to `now_ns` and return the quarters that have ended."""
        past_ns = now_ns // QUARTER_NS * QUARTER_NS
        if not self._held or self._held[0][0].time_ns[0] >= past_ns:
            self._usual.learn(ended_ns)
            return None
        pairs = join_pairs([held for held, _ in self._held])
        place = _join_places(self._held)
        end = int(np.searchsorted(pairs.time_ns, past_ns))
        now, later = (
            (pairs[part], None if place is None else place[:, part])
            for part in (slice(None, end), slice(end, None))
        )
        self._held = [later] if end < len(pairs) else []
        return self._measure(*now, noise, ended_ns)

    def finish(self, noise: Noise) -> Quarters | None:
        """End the stream; return the incomplete last quarter."""
        self._was_sent = False
        if not self._held:
            return None
        return self.advance(int(self._held[-1][0].time_ns[-1]) + QUARTER_NS, noise)

    def _measure(
        self, pairs: SentPairs, place: Floats | None, noise: Noise, ended_ns: Sequence[int]
    ) -> Quarters:
        times = pairs.time_ns
        number = times // QUARTER_NS
        first = np.concatenate([[0], np.flatnonzero(number[1:] != number[:-1]) + 1])
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
        divisor = np.maximum(count, 1)
        mean_w, mean_vf, mean_vr = (
            _sums(column, count) / divisor
            for column in (forward_w, pairs.forward_v[mask], pairs.reflected_v[mask])
        )
        slope_f = self._coupler.forward.slope(mean_vf)
        slope_r = self._coupler.reflected.slope(mean_vr)
        if noise.step_v[1]:
            step_w = np.repeat(slope_r * noise.step_v[1], count)
            step_w *= _places_in_step(times[mask])
            reflected_w = reflected_w + step_w
        ratio = _medians(reflected_w / forward_w, count)
        variance_w = (slope_r * noise.sd_v[1]) ** 2 + (ratio * slope_f * noise.sd_v[0]) ** 2
        doubt_w = slope_r * noise.bias_v[1] + ratio * slope_f * noise.bias_v[0]
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = MEDIAN_VARIANCE * variance_w / (divisor * mean_w**2)
            doubt = doubt_w / mean_w
        ratio = np.where(enough, ratio, np.nan)
        keys = self._keys(None if place is None else place[:, first], len(first))
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

    def _keys(self, place: Floats | None, count: int) -> NDArray[np.str_]:
        """Return the keys of places (2, q), (q,)."""
        if place is None:
            return np.array([NO_PLACE] * count)
        name = self._antennas.name
        moves = np.flatnonzero(_differ(place[:, 1:], place[:, :-1])) + 1
        keys = [
            place_key(name(antenna), where) for where, antenna in place[:, [0, *moves]].T.tolist()
        ]
        return np.repeat(np.array(keys), np.diff([0, *moves, count]))

    def _starts(self, times: Times, place: Floats | None, first: Times) -> Times:
        """Return the start of the transmission, or of the stay at its place (2, n), (q,)."""
        begins = np.zeros(len(times), dtype=bool)
        begins[0] = times[0] - self._last_ns > self._hang_ns
        np.greater(times[1:] - times[:-1], self._hang_ns, out=begins[1:])
        last = UNKNOWN_PLACE if place is None else place[:, -1:]
        if place is not None:
            begins[1:] |= _differ(place[:, 1:], place[:, :-1])
        begins[0] |= _differ(last if place is None else place[:, :1], self._place)[0]
        at = np.flatnonzero(begins)
        starts_ns = np.append(self._start_ns, times[at])
        self._last_ns, self._place = int(times[-1]), last
        self._start_ns = int(starts_ns[-1])
        return np.asarray(starts_ns[np.searchsorted(at, first, side="right")])


def _runs(mask: Bools) -> list[tuple[int, int]]:
    """Return begin and end of each run of true values in a mask (n,)."""
    padded = np.zeros(len(mask) + 2, dtype=bool)
    padded[1:-1] = mask
    edges = np.flatnonzero(padded[1:] != padded[:-1]).tolist()
    return list(zip(edges[::2], edges[1::2], strict=True))


def _differ(place: Floats, other: Floats) -> Bools:
    """Return the mask (n,) of places (2, n) that differ; unknown ones are alike."""
    differ = (place != other) & ~(np.isnan(place) & np.isnan(other))
    return np.asarray(differ.any(axis=0))


def _places(block: PowerBlock) -> Floats | None:
    """Return the places of pairs (2, n): channel or segment, and antenna; NaN where not known.

    None if it is not known of any.
    """
    if not PLACES.intersection(block.aux):
        return None
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


def _join_places(held: Sequence[tuple[SentPairs, Floats | None]]) -> Floats | None:
    if all(place is None for _, place in held):
        return None
    return join_columns(
        [np.full((2, len(pairs)), np.nan) if place is None else place for pairs, place in held]
    )


def _sums(column: Floats, count: Times) -> Floats:
    """Return the sum of a column (n,) over each of successive groups of `count` (q,)."""
    sums = np.zeros(len(count))
    filled = count > 0
    if filled.any():
        sums[filled] = np.add.reduceat(column, (np.cumsum(count) - count)[filled])
    return sums


def _medians(ratio: Floats, count: Times) -> Floats:
    """Return the median of `ratio` (n,) in each of successive groups of `count` (q,).

    One sort serves all groups: the sort key is the group number plus the ratio scaled to [0, 1).
    """
    if not len(ratio):
        return np.full(len(count), np.nan)
    key = np.repeat(np.arange(len(count), dtype=np.float64), count)
    key += np.clip(ratio, 0.0, 0.999 * HIGHEST_RATIO) / HIGHEST_RATIO
    key.sort()
    begin = np.cumsum(count) - count
    last = len(key) - 1
    low = np.minimum(begin + np.maximum(count - 1, 0) // 2, last)
    high = np.minimum(begin + count // 2, last)
    return np.asarray(HIGHEST_RATIO * (0.5 * (key[low] + key[high]) - np.arange(len(count))))
