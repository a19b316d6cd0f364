"""Totals of the pairs of transmissions: sums per second, peaks, the highest window.

This module is responsible for what is summed over the pairs of a transmission. Input: a block in
which each transmission is a span. Output: the totals of each span. Pure functions, which process
many spans at once.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Bools, Floats, PowerBlock, Times, steps_from
from logger.calibration.coupler import coupler_temperature
from logger.physics.reflection import LEAST_W
from logger.quantiles import median
from logger.rows import Flag
from logger.stages.lookback import first_since

SECOND_NS = 1_000_000_000
GAP_NS = 250_000_000  # pairs further apart are a gap, except at a slow pair rate:
GAP_STEPS = 4  # the step must exceed this multiple of the usual step
NO_WARMTH = np.zeros(2)
RECENT = 8  # number of steps before, whose median is the usual step


class Sums(NamedTuple):
    """Rows of an array (18, ...) of sums over pairs.

    settled...  of settled pairs only; `ff`, `rr` and `fr` are products of both powers
    hidden...   of power estimated not to have been present (see `settling`)
    moving_j    incident energy of the pairs that have such an estimate
    """

    pairs: Floats
    forward_w: Floats
    reflected_w: Floats
    forward_v: Floats
    reflected_v: Floats
    settled_pairs: Floats
    settled_forward_w: Floats
    settled_reflected_w: Floats
    settled_forward_v: Floats
    settled_reflected_v: Floats
    settled_ff: Floats
    settled_rr: Floats
    settled_fr: Floats
    energy_j: Floats
    hidden_forward_w: Floats
    hidden_reflected_w: Floats
    hidden_j: Floats
    moving_j: Floats


SUMS = len(Sums._fields)
MEANS = slice(1, 5)  # rows of powers and volts
HIDDEN = slice(14, SUMS)


class Span(NamedTuple):
    """Position of a transmission's pairs in a block.

    [begin, end) are new; [since, begin) were counted before and are there for look-back.
    """

    since: int
    begin: int
    end: int


@dataclass(frozen=True, slots=True)
class Seconds:
    """Consecutive seconds, (n,) or (.., n). The first and the last may continue in other blocks.

    begins_ns  start of the whole second
    sums       (SUMS, n)
    flags      of its pairs
    """

    begins_ns: Times = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    sums: Floats = field(default_factory=lambda: np.empty((SUMS, 0)))
    flags: Times = field(default_factory=lambda: np.empty(0, dtype=np.int64))

    def __len__(self) -> int:
        return len(self.begins_ns)

    def __getitem__(self, part: slice) -> Seconds:
        return Seconds(self.begins_ns[part], self.sums[:, part], self.flags[part])

    def followed_by(self, later: Seconds) -> Seconds:
        """Return both in sequence; a second that continues in `later` is merged into one."""
        if not len(self):
            return later
        goes_on = bool(self.begins_ns[-1] == later.begins_ns[0])
        sums = np.concatenate([self.sums, later.sums[:, goes_on:]], axis=1)
        flags = np.concatenate([self.flags, later.flags[goes_on:]])
        if goes_on:
            sums[:, len(self) - 1] += later.sums[:, 0]
            flags[len(self) - 1] |= later.flags[0]
        return Seconds(np.concatenate([self.begins_ns, later.begins_ns[goes_on:]]), sums, flags)


class WindowSearch(NamedTuple):
    """Parameters of the search for the highest window of a transmission.

    start_ns  start of the transmission
    floor_w   least power of one readable pair
    highest   highest ratio so far, < 0 if there is none
    """

    start_ns: int
    floor_w: float
    highest: float


class PairTotals(NamedTuple):
    """Totals of the new pairs of a span.

    seconds  their seconds
    peaks_w  (2,) highest incident and reflected watts
    gap      pairs are missing inside
    warmth   (2,) number of pairs with a temperature of the coupler, and its sum, °C
    """

    seconds: Seconds
    peaks_w: Floats
    gap: bool
    warmth: Floats


def settled_of(block: PowerBlock) -> Floats:
    """Return (3, n): 1 where a pair is settled and not clipped, else 0; its powers in watts."""
    settled = np.empty((3, len(block)))
    np.logical_and(block.settled, block.flags & np.uint8(Flag.CLIPPED) == 0, out=settled[0])
    np.multiply(settled[0], block.forward_w, out=settled[1])
    np.multiply(settled[0], block.reflected_w, out=settled[2])
    return settled


def totals_of(block: PowerBlock, settled: Floats, spans: Sequence[Span]) -> list[PairTotals]:
    """Return the totals of the new pairs of each span."""
    unneeded = max(spans[0].since, spans[0].begin - RECENT - 1)
    block, settled = block[unneeded:], settled[:, unneeded:]
    spans = [
        Span(max(since - unneeded, 0), begin - unneeded, end - unneeded)
        for since, begin, end in spans
    ]
    times, forward_w, reflected_w = block.time_ns, block.forward_w, block.reflected_w
    steps = steps_from(None, times)
    gaps = _gaps(steps, spans)
    begins, ends = [span.begin for span in spans], [span.end for span in spans]
    number = times // SECOND_NS
    begun = (np.flatnonzero(number[1:] != number[:-1]) + 1).tolist()
    edges = np.array(sorted({*begun, *begins, *ends} - {len(times)}))

    energy = np.zeros(len(times))  # since the previous pair
    np.add(forward_w[1:], forward_w[:-1], out=energy[1:])
    energy *= steps
    energy *= 0.5e-9
    energy[[span.begin for span in spans if span.since == span.begin]] = 0.0
    energy[[place for gap in gaps for place in gap]] = 0.0

    trusted, settled_f, settled_r = settled
    array = np.empty((SUMS, len(edges)))
    sums = Sums(*array)
    sums.pairs[:-1] = edges[1:] - edges[:-1]
    sums.pairs[-1] = len(times) - edges[-1]
    for row, column in (
        (sums.forward_w, forward_w),
        (sums.reflected_w, reflected_w),
        (sums.forward_v, block.forward_v),
        (sums.reflected_v, block.reflected_v),
        (sums.settled_pairs, trusted),
        (sums.settled_forward_w, settled_f),
        (sums.settled_reflected_w, settled_r),
        (sums.settled_forward_v, trusted * block.forward_v),
        (sums.settled_reflected_v, trusted * block.reflected_v),
        (sums.settled_ff, settled_f * forward_w),
        (sums.settled_rr, settled_r * reflected_w),
        (sums.settled_fr, settled_f * reflected_w),
        (sums.energy_j, energy),
    ):
        np.add.reduceat(column, edges, out=row)
    array[HIDDEN] = 0.0
    if block.hidden is not None and block.hidden.any():
        _add_hidden(block.hidden, block, energy, edges, sums)
    seconds = Seconds(
        number[edges] * SECOND_NS,
        array,
        np.bitwise_or.reduceat(block.flags, edges).astype(np.int64),
    )
    peaks_w = np.stack([np.maximum.reduceat(power, edges) for power in (forward_w, reflected_w)])
    celsius = coupler_temperature(block.aux)
    return [
        PairTotals(
            seconds[first:past],
            peaks_w[:, first:past].max(axis=1),
            bool(gap),
            NO_WARMTH if celsius is None else _warmth(celsius[span.begin : span.end]),
        )
        for span, first, past, gap in zip(
            spans, np.searchsorted(edges, begins), np.searchsorted(edges, ends), gaps, strict=True
        )
    ]


def _warmth(celsius: Floats) -> Floats:
    known = celsius[~np.isnan(celsius)]
    return np.array([len(known), known.sum()])


def _add_hidden(
    hidden: Floats, block: PowerBlock, energy: Floats, edges: Times, sums: Sums
) -> None:
    """Add the pairs of a block whose readings move; `edges` (k,) are the first pairs of seconds."""
    for row, column in (
        (sums.hidden_forward_w, hidden * block.forward_w),
        (sums.hidden_reflected_w, hidden * block.reflected_w),
        (sums.hidden_j, hidden * energy),
        (sums.moving_j, (hidden != 0) * energy),
    ):
        np.add.reduceat(column, edges, out=row)


def _gaps(steps: Times, spans: Sequence[Span]) -> list[list[int]]:
    """Return the indices of the pairs of each span that follow a gap."""
    wide = np.flatnonzero(steps > GAP_NS).tolist()

    def missing(span: Span, place: int) -> bool:
        usual = steps[max(span.since + 1, place - RECENT) : place]
        return len(usual) > 0 and bool(steps[place] > GAP_STEPS * median(usual))

    return [
        [
            place
            for place in wide[bisect_left(wide, span.begin) : bisect_left(wide, span.end)]
            if missing(span, place)
        ]
        for span in spans
    ]


class WindowSums:
    """Settled pairs of the transmission in progress, and the highest windows over them.

    They are appended as they come; those of two windows before remain.

    hold_ns  length of a window
    """

    def __init__(self, hold_ns: int) -> None:
        self._hold_ns = hold_ns
        self._times: Times
        self._settled: Floats  # as in `settled_of`
        self._sums: Floats  # over all pairs before each
        self._size: int  # of the columns, which are longer
        self.clear()

    def clear(self) -> None:
        """Forget all pairs, and the size of the columns: the last bits of sums depend on it."""
        self._times = np.empty(0, dtype=np.int64)
        self._settled = np.empty((3, 0))
        self._sums = np.zeros((3, 1))
        self._size = 0

    def highest_ratios(
        self,
        times: Times,
        settled: Floats,
        spans: Sequence[tuple[int, int]],
        searches: Sequence[WindowSearch],
    ) -> list[float]:
        """Append pairs, (n,) and (3, n); return the highest reflected/incident of each span.

        The spans are of these pairs, from the first pair to the last. A window ends at a new pair;
        the earlier highest ratio is retained if it is higher. A window needs two settled pairs that
        are readable together, and must lie completely within the transmission. If some of its pairs
        are not settled, the envelope moves, and single pairs that count as settled may read too
        high: then only a ratio that three successive pairs reach counts.
        """
        first = self._append(times, settled)
        times, settled = self._times[: self._size], self._settled[:, : self._size]
        begins = first_since(times, first, self._hold_ns - 1)
        count, forward, reflected = (
            row[first + 1 : self._size + 1] - row.take(begins) for row in self._sums
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = reflected / forward
        root = np.sqrt(count)
        partly = count < np.arange(first + 1, self._size + 1) - begins
        ratios = []
        for (begin, end), (start_ns, floor_w, highest) in zip(spans, searches, strict=True):
            new = slice(begin, end)
            fit = (forward[new] >= floor_w * root[new]) & (count[new] >= 2)
            _exclude_early(times[first:][new], start_ns + self._hold_ns, fit)
            highest = float(ratio[new].max(where=fit & ~partly[new], initial=highest))
            higher = np.flatnonzero(fit & partly[new] & (ratio[new] > highest))
            if len(higher):
                ends = first + begin + higher
                lowest = _lowest_in_turn(
                    times, begins[begin + higher], ends, self._hold_ns, settled
                )
                highest = float(np.minimum(ratio[begin + higher], lowest).max(initial=highest))
            ratios.append(highest)
        return ratios

    def _append(self, times: Times, settled: Floats) -> int:
        """Append pairs; return the place of the first."""
        if self._size + len(times) > len(self._times):
            self._make_room(times)
        first, self._size = self._size, self._size + len(times)
        new, following = slice(first, self._size), slice(first + 1, self._size + 1)
        self._times[new], self._settled[:, new] = times, settled
        np.cumsum(settled, axis=1, out=self._sums[:, following])
        self._sums[:, following] += self._sums[:, first, None]
        return first

    def _make_room(self, times: Times) -> None:
        """Drop what is too old for the pairs at `times`, in columns that they fit into."""
        since = int(np.searchsorted(self._times[: self._size], times[0] - 2 * self._hold_ns))
        kept = self._size - since
        old = self._times, self._settled, self._sums
        if len(self._times) < kept + len(times):
            room = 2 * kept + len(times)
            self._times, self._settled = np.empty(room, dtype=np.int64), np.empty((3, room))
            self._sums = np.empty((3, room + 1))
        self._times[:kept] = old[0][since : self._size]
        self._settled[:, :kept] = old[1][:, since : self._size]
        base = old[2][:, since, None].copy()
        np.subtract(old[2][:, since : self._size + 1], base, out=self._sums[:, : kept + 1])
        self._size = kept


def _exclude_early(times: Times, since_ns: int, fit: Bools) -> None:
    """Clear the mask (n,) of pairs before a time; half a step before it is near enough."""
    early = times[: np.searchsorted(times, since_ns)]
    if len(early):
        fit[0] = False
        fit[1 : len(early)] &= early[1:] + (early[1:] - early[:-1]) // 2 >= since_ns


def _lowest_in_turn(
    times: Times,
    begins: NDArray[np.intp],
    ends: NDArray[np.intp],
    hold_ns: int,
    settled: Floats,
) -> Floats:
    """Return the ratio that settled pairs and the two before them all reach, per window, (w,).

    The windows are from pair `begins` to `ends` (w,); the three pairs lie within `hold_ns`. -1
    where there are none.

    settled  as in `settled_of`
    """
    since = int(np.searchsorted(times, times[begins[0]] - hold_ns))
    part = slice(since, int(ends[-1]) + 1)
    times = times[part]
    count, forward, reflected = settled[:, part]
    places = np.flatnonzero(count)
    ratio = reflected[places] / np.maximum(forward[places], LEAST_W)
    lowest = np.minimum(np.minimum(ratio[2:], ratio[1:-1]), ratio[:-2])
    is_near = times[places[2:]] - times[places[:-2]] <= hold_ns
    sums = np.zeros((2, len(times) + 1))
    sums[0, places[2:][is_near] + 1] = (lowest * forward[places[2:]])[is_near]
    sums[1, places[2:][is_near] + 1] = forward[places[2:][is_near]]
    np.cumsum(sums, axis=1, out=sums)
    reflected_w, forward_w = sums[:, ends + 1 - since] - sums[:, begins - since]
    safe_w = np.maximum(forward_w, LEAST_W)
    return np.where(forward_w > LEAST_W, reflected_w / safe_w, -1.0)
