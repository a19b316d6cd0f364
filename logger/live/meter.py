"""Derives a reading from a few blocks. Pure functions."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from logger.blocks import Bools, join
from logger.live.reading import LiveReading
from logger.stages.totals import MEANS, Span, settled_of, totals_of
from logger.stages.transmission_rows import bounds
from logger.stages.view import View
from logger.utc import format_ns

DECIMALS = 4


def reading_of(views: Sequence[View], channel: int | None, alarms: Iterable[str]) -> LiveReading:
    """Return the reading of consecutive blocks, derived as the row of a transmission is.

    `channel` is used if the pairs carry none of their own.
    """
    alarms = tuple(sorted(alarms))
    if not views:
        return LiveReading(channel=channel, alarms=alarms)
    block = join([view.block for view in views])
    keyed = np.flatnonzero(np.concatenate([_keyed(view) for view in views]))
    begin, end = (int(keyed[0]), int(keyed[-1]) + 1) if len(keyed) else (0, len(block))
    part = block[begin:end]
    (totals,) = totals_of(part, settled_of(part), [Span(0, 0, len(part))])
    sums = totals.seconds.sums.sum(axis=1)
    means = sums[MEANS] / sums[0]
    last = views[-1]
    swr_figures: list[float | None] = [None] * 5
    if len(keyed):
        figures, _ = bounds(last.coupler, last.noise, sums[:, None], np.zeros(1, dtype=np.int64))
        swr_figures = [_figure(value) for value in figures[:, 0]]
    channels = block.aux.get("channel")
    if channels is not None and not math.isnan(channels[-1]):
        channel = round(float(channels[-1]))
    return LiveReading(
        time=format_ns(int(block.time_ns[-1])),
        pairs=len(block),
        keyed=len(keyed) > 0,
        forward_w=_figure(means[0]),
        reflected_w=_figure(means[1]),
        peak=_figure(totals.peaks_w[0]),
        swr=swr_figures[0],
        swr_low=swr_figures[1],
        swr_high=swr_figures[2],
        swr_noise_low=swr_figures[3],
        swr_noise_high=swr_figures[4],
        channel=channel,
        alarms=alarms,
    )


def _keyed(view: View) -> Bools:
    """Return a mask (n,) of the pairs with a key down, even if too weak to count as ours.

    A person who watches may be testing an open end at low power.
    """
    block = view.block
    possible = block.reflected_w <= view.impossible_ratio * block.forward_w
    return np.asarray(view.keyed | (view.foreign & possible))


def _figure(value: float) -> float | None:
    return round(float(value), DECIMALS) + 0.0 if math.isfinite(value) else None
