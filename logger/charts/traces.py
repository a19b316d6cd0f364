"""Pairs prepared for drawing over time: all of them, or minimum and maximum of each column."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from drivers.contract import SampleBlock
from logger.blocks import Floats, Noise, Times
from logger.calibration.coupler import Coupler
from logger.physics.reflection import COVERAGE, HIGHEST_RHO
from logger.rows import Flag
from logger.stages.departures import spread_w

SERIES = 5  # incident W, reflected W, reflection coefficient, its lower and upper noise bound
FORWARD, REFLECTED, RHO, RHO_LOW, RHO_HIGH = range(SERIES)
BREAK = 4.0  # times the usual distance between pairs; more is a gap


class Traces(NamedTuple):
    """Columns of one pair or more, in time order; NaN where missing or not readable.

    time_ns    (m,) time of the first pair of each column
    low, high  (SERIES, m) minimum and maximum of the pairs in each column
    width_ns   length of a column, 0 if each is one pair
    pairs      total number of pairs
    """

    time_ns: Times
    low: Floats
    high: Floats
    width_ns: int
    pairs: int


def measure(block: SampleBlock, coupler: Coupler, noise: Noise) -> Floats:
    """Return powers, reflection and its 95 % interval from noise for each pair, (SERIES, n)."""
    forward_w, reflected_w, flags = coupler.power(block)
    readable = forward_w >= max(coupler.readable_floor_w(noise), 1e-9)
    readable &= flags & np.uint8(Flag.CLIPPED) == 0
    safe_w = np.where(readable, forward_w, np.nan)
    ratio = reflected_w / safe_w
    columns = block.reflected_v, block.forward_v, forward_w, np.nan_to_num(ratio)
    spread = COVERAGE * spread_w(*columns, coupler, noise)
    spread /= safe_w
    rho, low, high = (
        np.minimum(np.sqrt(np.maximum(values, 0.0)), HIGHEST_RHO)
        for values in (ratio, ratio - spread, ratio + spread)
    )
    return np.stack([forward_w, reflected_w, rho, low, high])


def traces(
    blocks: Iterable[SampleBlock],
    coupler: Coupler,
    noise: Noise,
    span_ns: tuple[int, int],
    columns: int | None,
) -> Traces:
    """Return the traces of the pairs of `blocks`, all within a span.

    `columns` is the number of columns, None for one per pair.
    """
    width_ns = 0 if columns is None else max(1, (span_ns[1] - span_ns[0]) // columns)
    times, places, lows, highs = [], [], [], []
    pairs = 0
    for block in blocks:
        values = measure(block, coupler, noise)
        pairs += len(block)
        if not width_ns:
            times.append(block.time_ns)
            lows.append(values)
            highs.append(values)
            continue
        place = (block.time_ns - span_ns[0]) // width_ns
        first = np.concatenate([[0], np.flatnonzero(np.diff(place)) + 1])
        places.append(place[first])
        times.append(block.time_ns[first])
        lows.append(np.fmin.reduceat(values, first, axis=1))
        highs.append(np.fmax.reduceat(values, first, axis=1))
    if not pairs:
        return Traces(np.empty(0, np.int64), np.empty((SERIES, 0)), np.empty((SERIES, 0)), 0, 0)
    time_ns, low, high = np.concatenate(times), np.hstack(lows), np.hstack(highs)
    if width_ns:  # adjacent blocks may share a column
        place = np.concatenate(places)
        first = np.concatenate([[0], np.flatnonzero(np.diff(place)) + 1])
        time_ns = time_ns[first]
        low, high = np.fmin.reduceat(low, first, axis=1), np.fmax.reduceat(high, first, axis=1)
    return Traces(*_insert_gaps(time_ns, low, high, width_ns), width_ns, pairs)


def _insert_gaps(
    time_ns: Times, low: Floats, high: Floats, width_ns: int
) -> tuple[Times, Floats, Floats]:
    """Insert NaN where pairs are missing, so that no line is drawn across the gap."""
    steps = np.diff(time_ns)
    if not len(steps):
        return time_ns, low, high
    usual_step = max(float(np.median(steps)), width_ns)
    gaps = np.flatnonzero(steps > BREAK * usual_step) + 1
    return (
        np.insert(time_ns, gaps, time_ns[gaps - 1] + 1),
        np.insert(low, gaps, np.nan, axis=1),
        np.insert(high, gaps, np.nan, axis=1),
    )
