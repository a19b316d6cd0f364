"""Pairs whose reflection departs from that around them. Pure functions.

There are two kinds of departure:

- From the level: reflection differs from the median of the levels of REACH quarters on either side
  (or from the usual level, where a contact is open for most of that time; see `_levels_around`) by
  more than LEAST_RHO (less on a steady carrier in calm air; see `_least_rho`), by more than CERTAIN
  standard deviations of its noise, and by more than a detector that lags behind the envelope could
  show: reflection read while power falls may be that of the power LAG_NS before. This works on
  speech too, where strong and weak pairs alternate.
- Between two jumps: from one pair to the next the ratio changes by more than its noise and by more
  than JUMP times the mean change of that quarter, and it jumps back within LONGEST_NS. On carriers
  this finds departures that wind in the antenna hides from the first method.

Gaussian noise exceeds CERTAIN once in 5 * 10**8 pairs, about four times in a year of eight hours a
day at 200 pairs a second; every departure is then checked again (see `excursions`).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from logger.blocks import Bools, Floats, Noise, Times
from logger.calibration.coupler import Coupler
from logger.quantiles import distinct
from logger.stages.quarters import Quarters, SentPairs, join_pairs

REACH = 4  # quarters on either side
LEAST_RHO = 0.02
LEAST_STEADY_RHO = 0.003  # of a carrier of steady power, plus
CALM = 4.0  # times the variation of the surrounding levels
LEAST_LEVELS = 5  # least number of levels to estimate this variation
CERTAIN = 6.0
STRETCH_NS = 31_250_000  # an eighth of a quarter
WORTH_A_LOOK = 3.0  # standard deviations of the mean of a stretch, above which a pair is examined
WORTH_SKIPPING = 16  # calm quarters in a row
LAG_NS = 20_000_000
RISE_NS = 5_000_000
RESTLESS = 2.0  # times the recent variation: a level further off is far from the usual one
NEAR = 0.25  # share of that distance: pairs within it count as at the usual level
LEAST_NEAR = 3  # least number of pairs at the usual level for that level to be used
JUMP = 10.0
STEADY = 2.0  # incident power stays within this factor around a jump
UNMODULATED = 1.12  # mean power of stretches within this factor: an unmodulated carrier
LONGEST_NS = 1_000_000_000


def may_jump(quarters: Quarters, before: SentPairs | None) -> bool:
    """True if a pair of the quarters may be a jump; `before` are the pairs before them, if any.

    Without such a pair there is nothing that `between_jumps` could find.
    """
    pairs, starts = quarters.pairs, quarters.first[:-1]
    change = _changes(pairs, before)
    size = np.abs(change, out=change)
    # Whether the first pair of a quarter counts for its mean depends on where the search begins.
    mean = (np.add.reduceat(size, starts) - size[starts]) / np.diff(quarters.first)
    return bool((np.maximum.reduceat(size, starts) > JUMP * mean).any())


def _changes(pairs: SentPairs, before: SentPairs | None = None) -> Floats:
    """Return the change of the ratio since the pair before, (n,), 0 if they are not comparable."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = pairs.reflected_w / pairs.forward_w
    change = np.zeros(len(pairs))
    np.subtract(ratio[1:], ratio[:-1], out=change[1:])
    comparable = pairs.follows & pairs.trusted
    comparable[1:] &= pairs.trusted[:-1]
    change[~comparable] = 0.0
    if before is None:
        change[0] = 0.0
    elif comparable[0] and before.trusted[-1]:
        change[0] = ratio[0] - before.reflected_w[-1] / before.forward_w[-1]
    return change


def restless_runs(
    quarters: Quarters,
    begin: int,
    end: int,
    own: Sequence[Quarters],
    coupler: Coupler,
    noise: Noise,
) -> list[tuple[int, int]]:
    """Return runs of the quarters between two indices in which a pair may depart from the level.

    They are found by bounds, with few passes over the pairs: in other quarters no pair and no
    stretch leaves the narrowest band that `from_level` may use. Of `quarters`, pairs are not
    needed; `own` are the parts of those in question.
    """
    pairs = join_pairs([part.pairs for part in own])
    bounds = np.cumsum([0, *(size for part in own for size in np.diff(part.first).tolist())])
    starts = bounds[:-1]
    around = _sorted_around(quarters, begin, end)
    level, _, apart = _levels_and_usual(quarters, begin, around)
    rho = np.sqrt(np.maximum(level, 0.0))
    least = _least_steady_rho(*around, quarters.restless[begin:end])
    high, low = (rho + least) ** 2, np.maximum(rho - least, 0.0) ** 2
    low_v, high_v = (
        reduce.reduceat(pairs.reflected_v, starts) for reduce in (np.minimum, np.maximum)
    )
    sd_w = coupler.reflected.least_slope(low_v, high_v) * noise.sd_v[1] * (1 - 1e-9)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = pairs.reflected_w / pairs.forward_w
        least_w = WORTH_A_LOOK * sd_w / np.maximum.reduceat(pairs.forward_w, starts)
    calm = ~_is_far(quarters, begin, apart)
    calm &= np.maximum.reduceat(ratio, starts) <= high + least_w
    calm &= np.minimum.reduceat(ratio, starts) >= low - least_w

    stretches, quarter, count = _stretches(pairs.time_ns, bounds)
    reflected_w = np.add.reduceat(pairs.reflected_w, stretches)
    forward_w = np.add.reduceat(pairs.forward_w, stretches)
    bound_w = CERTAIN * np.sqrt(count) * sd_w[quarter]
    together = reflected_w - high[quarter] * forward_w > bound_w
    together |= low[quarter] * forward_w - reflected_w > bound_w
    calm[quarter[together]] = False
    if not pairs.trusted.all():
        calm &= np.logical_and.reduceat(pairs.trusted, starts)
    restless = np.flatnonzero(~calm) + begin
    if not len(restless):
        return []
    pauses = np.flatnonzero(np.diff(restless) > WORTH_SKIPPING)
    firsts, lasts = np.append(0, pauses + 1), np.append(pauses, len(restless) - 1)
    return list(zip(restless[firsts].tolist(), (restless[lasts] + 1).tolist(), strict=True))


def _stretches(times: Times, bounds: Times) -> tuple[Times, Times, Times]:
    """Return the first pair of each stretch, its quarter and its number of pairs, (s,) each.

    `bounds` (q + 1,) are the first pairs of quarters. A stretch ends with its quarter: of one that
    a silence had cut short, late pairs are another.
    """
    number = times // STRETCH_NS
    begins = np.ones(len(times), dtype=bool)
    np.not_equal(number[1:], number[:-1], out=begins[1:])
    begins[bounds[:-1]] = True
    first = np.flatnonzero(begins)
    quarter = np.searchsorted(bounds[1:], first, side="right")
    return first, quarter, np.diff(first, append=len(times))


def from_level(
    quarters: Quarters, begin: int, end: int, coupler: Coupler, noise: Noise
) -> tuple[Times, Floats]:
    """Return the pairs that depart from the level, in the quarters from index `begin` to `end`.

    The result is their indices in `quarters.pairs`, and the least change of |Gamma| that counted in
    each quarter, (q,).
    """
    around = _sorted_around(quarters, begin, end)
    level = _levels_around(quarters, begin, around)
    part = slice(int(quarters.first[begin]), int(quarters.first[end]))
    pairs = quarters.pairs[part]

    # The pairs of a stretch together may be significant where no single pair is.
    bounds = quarters.first[begin : end + 1] - quarters.first[begin]
    first, quarter, lengths = _stretches(pairs.time_ns, bounds)
    ends = bounds[1:]
    all_trusted = bool(pairs.trusted.all())
    columns = pairs.reflected_w, pairs.forward_w, pairs.reflected_v, pairs.forward_v
    reflected_w, forward_w, reflected_v, forward_v = (
        np.add.reduceat(column if all_trusted else column * pairs.trusted, first)
        for column in columns
    )
    count = np.maximum(np.add.reduceat(pairs.trusted, first, dtype=np.int64), 1)
    least_rho = _least_rho(around, quarters.restless[begin:end], forward_w / count, quarter)
    high = (np.sqrt(level) + least_rho) ** 2
    low = np.maximum(np.sqrt(level) - least_rho, 0.0) ** 2
    mean_v = reflected_v / count, forward_v / count
    sd_w = spread_w(*mean_v, forward_w / count, level[quarter], coupler, noise)
    bias_w_ = bias_w(*mean_v, level[quarter], coupler, noise)
    bound_w = CERTAIN * np.sqrt(count) * sd_w + count * bias_w_
    together = reflected_w - high[quarter] * forward_w > bound_w
    together |= low[quarter] * forward_w - reflected_w > bound_w
    high_, low_, least_w = (
        np.repeat(column, lengths) for column in (high[quarter], low[quarter], WORTH_A_LOOK * sd_w)
    )
    beyond = pairs.reflected_w > high_ * pairs.forward_w + least_w
    beyond |= pairs.reflected_w < low_ * pairs.forward_w - least_w
    if together.any():
        beyond |= np.repeat(together, lengths)

    places = np.flatnonzero(beyond & pairs.trusted)
    if not len(places):
        return places, least_rho
    # Few pairs are left. Exclude departures that a lagging detector could show.
    strongest, weakest = _envelope(quarters.pairs, places + part.start)
    reflected_w, quarter = pairs.reflected_w[places], np.searchsorted(ends, places, side="right")
    volts = pairs.reflected_v[places], pairs.forward_v[places]
    sd_w = spread_w(*volts, pairs.forward_w[places], level[quarter], coupler, noise)
    stretch = pairs.time_ns[places] // STRETCH_NS
    group = np.cumsum(np.diff(stretch, prepend=stretch[0]) != 0)
    off_w = bias_w(*volts, level[quarter], coupler, noise)
    certain_w = CERTAIN * np.sqrt(np.bincount(group, sd_w**2))
    departs = np.zeros(len(places), dtype=bool)
    for excess in (
        reflected_w - off_w - high[quarter] * strongest,
        low[quarter] * weakest - reflected_w - off_w,
    ):
        departs |= excess > CERTAIN * sd_w
        departs |= (excess > 0) & (np.bincount(group, excess) > certain_w)[group]
    return np.asarray(places[departs] + part.start), least_rho


def between_jumps(
    quarters: Quarters, begin: int, end: int, coupler: Coupler, noise: Noise, after_ns: int
) -> tuple[Times, int]:
    """Return the pairs between a jump in quarters `begin` to `end` and the jump back.

    Only jumps later than `after_ns` count. The result is the indices in `quarters.pairs` and the
    time of the last jump back, nanoseconds.
    """
    pairs = quarters.pairs
    past = int(np.searchsorted(quarters.number, quarters.number[end - 1] + REACH, side="right"))
    bounds = quarters.first[begin : past + 1] - quarters.first[begin]
    part = slice(int(quarters.first[begin]), int(quarters.first[past]))
    around = pairs[part]
    change = _changes(around)
    size = np.abs(change)
    least = JUMP * np.add.reduceat(size, bounds[:-1]) / np.diff(bounds)
    jumping = np.maximum.reduceat(size, bounds[:-1]) > least
    jumps = (
        np.flatnonzero(size > np.repeat(least, np.diff(bounds))) if jumping.any() else bounds[:0]
    )
    if len(jumps) < 2:
        return jumps[:0], after_ns
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = around.reflected_w / around.forward_w
    columns = (
        around.reflected_v[jumps],
        around.forward_v[jumps],
        around.forward_w[jumps],
        ratio[jumps - 1],
    )
    sd_w = spread_w(*columns, coupler, noise)
    strongest, weakest = _envelope(pairs, jumps + part.start)
    jumps = jumps[
        (size[jumps] > np.sqrt(2) * CERTAIN * sd_w / around.forward_w[jumps])
        & (strongest < STEADY * weakest)
    ]
    level = _levels_around(quarters, begin, _sorted_around(quarters, begin, past))
    level = np.repeat(level, np.diff(bounds))[jumps]
    # A jump from far off to the level is a jump back; the jump away was missed.
    half = 0.5 * size[jumps]
    away = (np.abs(ratio[jumps - 1] - level) < half) | (np.abs(ratio[jumps] - level) > half)
    inside: list[Times] = []
    for order, jump in enumerate(jumps.tolist()):
        if jump >= bounds[end - begin]:
            break
        if around.time_ns[jump] <= after_ns or not away[order]:
            continue
        for jump_back in jumps[order + 1 :].tolist():
            if around.time_ns[jump_back] - around.time_ns[jump] > LONGEST_NS:
                break
            if change[jump] * change[jump_back] < 0:
                inside.append(np.arange(jump, jump_back))
                after_ns = int(around.time_ns[jump_back])
                break
    between = distinct(np.concatenate([*inside, jumps[:0]]))
    return between[around.trusted[between]] + part.start, after_ns


def spread_w(
    reflected_v: Floats,
    forward_v: Floats,
    forward_w: Floats,
    ratio: ArrayLike,
    coupler: Coupler,
    noise: Noise,
) -> Floats:
    """Return the standard deviation of reflected power less `ratio` times incident power, watts.

    It is caused by noise. Where the detector law is steep near zero, noise may raise a reading to
    where it is flat. So the slope at the reading that `ratio` would cause is used if it is steeper.
    """
    expected_v = coupler.reflected.volts(np.asarray(ratio) * forward_w)
    slope = np.maximum(coupler.reflected.slope(reflected_v), coupler.reflected.slope(expected_v))
    forward_sd_w = np.asarray(ratio) * coupler.forward.slope(forward_v) * noise.sd_v[0]
    return np.asarray(np.hypot(slope * noise.sd_v[1], forward_sd_w))


def bias_w(
    reflected_v: Floats, forward_v: Floats, ratio: ArrayLike, coupler: Coupler, noise: Noise
) -> Floats:
    """Return the bias of the same difference, (n,), watts (see `Noise.bias_v`)."""
    if not any(noise.bias_v):
        return np.zeros(len(reflected_v))
    return np.asarray(
        coupler.reflected.slope(reflected_v) * noise.bias_v[1]
        + np.asarray(ratio) * coupler.forward.slope(forward_v) * noise.bias_v[0]
    )


def _levels_around(quarters: Quarters, begin: int, around: tuple[Floats, Times]) -> Floats:
    """Return the level to compare pairs with, for the quarters from index `begin` on.

    `around` is what `_sorted_around` returns. The level is the median of the levels of REACH
    quarters on either side in the same transmission, NaN if there is none. Where the usual level
    differs much from it and pairs soon return to the usual level, a contact was open for most of
    the surrounding time, and the usual level is returned instead.
    """
    level, usual_rho, apart = _levels_and_usual(quarters, begin, around)
    usual = quarters.usual[begin:]
    for quarter in np.flatnonzero(_is_far(quarters, begin, apart)).tolist():
        pairs = _pairs_ahead(quarters, begin + quarter)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.maximum(pairs.reflected_w / pairs.forward_w, 0.0)
        is_usual = np.abs(np.sqrt(ratio) - usual_rho[quarter]) <= NEAR * apart[quarter]
        if np.count_nonzero(is_usual & pairs.trusted) >= LEAST_NEAR:
            level[quarter] = usual[quarter]
    return np.asarray(level)


def _levels_and_usual(
    quarters: Quarters, begin: int, around: tuple[Floats, Times]
) -> tuple[Floats, Floats, Floats]:
    """Return the median of levels around, the usual level and the distance of both, (q,) each.

    The latter two are in |Gamma|.
    """
    levels, count = around
    row = np.arange(len(levels))
    level = 0.5 * (levels[row, np.maximum(count - 1, 0) // 2] + levels[row, count // 2])
    usual = quarters.usual[begin : begin + len(level)]
    rho, usual_rho = np.sqrt(np.maximum(level, 0.0)), np.sqrt(np.maximum(usual, 0.0))
    return level, usual_rho, np.abs(rho - usual_rho)


def _is_far(quarters: Quarters, begin: int, apart: Floats) -> Bools:
    """Return the mask (q,) of levels that differ much from the usual one, by `apart` (q,)."""
    restless = quarters.restless[begin : begin + len(apart)]
    return np.asarray(apart > LEAST_RHO + RESTLESS * restless)


def _pairs_ahead(quarters: Quarters, quarter: int) -> SentPairs:
    """Return the pairs of a quarter and of REACH quarters after it in the same transmission."""
    last = int(np.searchsorted(quarters.number, quarters.number[quarter] + REACH, side="right"))
    while quarters.start_ns[last - 1] != quarters.start_ns[quarter]:
        last -= 1
    return quarters.pairs[int(quarters.first[quarter]) : int(quarters.first[last])]


def _least_rho(
    around: tuple[Floats, Times], restless: Floats, stretch_w: Floats, quarter: Times
) -> Floats:
    """Return the least departure that counts in each quarter, (q,).

    `stretch_w` (s,) is the mean incident power of the trusted pairs of each stretch, `quarter` (s,)
    its quarter, from 0. Speech and wind cause differences of LEAST_RHO; where power is steady and
    the surrounding levels (see `_sorted_around`) vary less, the limit is lower.
    """
    ends = np.flatnonzero(np.diff(quarter, prepend=-1))
    steady = np.maximum.reduceat(stretch_w, ends) <= UNMODULATED * np.minimum.reduceat(
        stretch_w, ends
    )
    least = _least_steady_rho(*around, restless)
    return np.where(steady & (around[1] >= LEAST_LEVELS), least, LEAST_RHO)


def _least_steady_rho(levels: Floats, count: Times, restless: Floats) -> Floats:
    """Return the least departure that counts where power is steady, (q,).

    `levels` (q, l) and `count` (q,) are those of `_sorted_around`.
    """
    row, last = np.arange(len(levels)), np.maximum(count - 1, 0)
    rho = np.sqrt(np.maximum(levels, 0.0))
    varies = np.maximum(rho[row, 3 * last // 4] - rho[row, last // 4], restless)
    return np.asarray(np.minimum(LEAST_STEADY_RHO + CALM * varies, LEAST_RHO))


def _sorted_around(quarters: Quarters, begin: int, end: int) -> tuple[Floats, Times]:
    """Return the levels of REACH quarters on either side in the same transmission, sorted.

    The levels are (q, 2 REACH + 1) with unknown ones last; the second array (q,) counts the known
    ones.
    """
    beside = np.arange(begin, end)[:, None] + np.arange(-REACH, REACH + 1)
    inside = (beside >= 0) & (beside < len(quarters))
    beside = np.clip(beside, 0, len(quarters) - 1)
    own = slice(begin, end)
    inside &= np.abs(quarters.number[beside] - quarters.number[own, None]) <= REACH
    inside &= quarters.start_ns[beside] == quarters.start_ns[own, None]
    levels = np.where(inside, quarters.ratio[beside], np.nan)
    levels.sort(axis=1)  # NaN comes last
    return levels, (~np.isnan(levels)).sum(axis=1)


def _envelope(pairs: SentPairs, places: Times) -> tuple[Floats, Floats]:
    """Return the highest and lowest incident power behind reflected readings at `at`, watts.

    The highest is the most power that a reading may stem from, the lowest the least that it may
    have fallen to. A reading taken after the forward one may already show the power of the next
    pair.
    """
    times = pairs.time_ns
    power_w = np.append(pairs.forward_w, [0.0, 0.0])
    strongest, weakest = (
        bound.reduceat(
            power_w,
            np.column_stack(
                [
                    np.minimum(np.searchsorted(times, times[places] - reach_ns), places),
                    places + beyond,
                ]
            ).ravel(),
        )[::2]
        for bound, reach_ns, beyond in ((np.maximum, LAG_NS, 2), (np.minimum, RISE_NS, 1))
    )
    previous_w = np.where(pairs.follows[places], pairs.forward_w[np.maximum(places - 1, 0)], 0.0)
    held_w = pairs.forward_w[places] * np.exp(2 * pairs.below[places])
    return np.maximum(np.maximum(strongest, held_w), previous_w), np.minimum(weakest, previous_w)
