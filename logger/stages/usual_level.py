"""Usual level of a transmission, from its quarters so far and the history of its channel.

Input: the ratios of quarters and the ends of transmissions. Output: usual ratios, and the memory.

A contact that is open for most of a second or two moves the median of the surrounding quarters. The
usual level does not follow: it is the median of PLACES earlier quarters, STRIDE apart, in which the
history of the channel counts as PAST quarters. It depends on earlier quarters only, and the memory
changes only with ended transmissions (those that ended before a stay began), so that neither the
cut of the blocks nor a run from the archive changes it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import msgspec
import numpy as np
from numpy.typing import NDArray

from logger.blocks import Floats, Times
from logger.quantiles import median
from logger.stages.quarters import QUARTER_NS

KIND = "usual-level"
STRIDE, PLACES = 4, 8
PAST = 3
HISTORY = STRIDE * PLACES
MOST_CHANNELS = 64
STAYS = 5  # remembered per channel
LEAST_QUARTERS = 4  # in a stay to be remembered


class UsualLevelMemory(msgspec.Struct, forbid_unknown_fields=True):
    """Ratios of the last stays by channel, latest last; the channel used last is last."""

    channels: dict[str, list[float]] = {}


class UsualLevels:
    """Usual levels from the levels of quarters and the ends of transmissions."""

    def __init__(self, memory: UsualLevelMemory) -> None:
        self.memory = memory
        self._ratio = np.full(HISTORY, np.nan)  # of the previous quarters
        self._start_ns = np.zeros(HISTORY, dtype=np.int64)
        self._past = math.nan  # of the channel, for the present stay
        self._learned_ns = -(2**62)  # end of the last transmission that was learned
        self._stays: list[tuple[int, str, Times, Floats]] = []

    def update(
        self,
        number: Times,
        start_ns: Times,
        place: NDArray[np.str_],
        ratio: Floats,
        ended_ns: Sequence[int] = (),
    ) -> tuple[Floats, Floats]:
        """Process quarters (q,) and the ends of transmissions since then.

        Return the usual level of each quarter, NaN if there is none, and the variation of rho from
        quarter to quarter, (q,).
        """
        ended = list(ended_ns)
        edges = [0, *(np.flatnonzero(start_ns[1:] != start_ns[:-1]) + 1).tolist(), len(number)]
        past = np.empty(len(number))
        for begin, end in itertools.pairwise(edges):
            if begin == end:
                continue
            start, key = int(start_ns[begin]), str(place[begin])
            while ended and ended[0] < start:
                self._learn(ended.pop(0))
            if start != self._start_ns[-1] or begin:
                levels = self.memory.channels.get(key)
                self._past = median(levels) if levels else math.nan
            past[begin:end] = self._past
            if start > self._learned_ns:
                self._stays.append((start, key, number[begin:end], ratio[begin:end]))
        usual = self._usual(start_ns, ratio, past)
        self.learn(ended)
        return usual

    def forget(self) -> None:
        """Forget the usual level of the last stay, which has ended."""
        self._past = math.nan

    def learn(self, ended_ns: Sequence[int]) -> None:
        """Learn transmissions that ended at these times, without new quarters."""
        for end_ns in ended_ns:
            self._learn(end_ns)

    def _usual(self, start_ns: Times, ratio: Floats, past: Floats) -> tuple[Floats, Floats]:
        ratios = np.concatenate([self._ratio, ratio])
        starts = np.concatenate([self._start_ns, start_ns])
        self._ratio, self._start_ns = ratios[-HISTORY:], starts[-HISTORY:]
        earlier = np.arange(len(ratio))[:, None] + HISTORY - 1 - STRIDE * np.arange(PLACES)
        own = np.where(starts[earlier] == start_ns[:, None], ratios[earlier], np.nan)
        levels = np.column_stack([own, np.repeat(past[:, None], PAST, axis=1)])
        levels.sort(axis=1)  # NaN comes last
        count = levels.shape[1] - np.isnan(levels).sum(axis=1)
        row, last = np.arange(len(levels)), np.maximum(count - 1, 0)
        middle = 0.5 * (levels[row, last // 2] + levels[row, np.minimum(count // 2, last)])
        rho = np.sqrt(levels)
        return middle, np.asarray(rho[row, 3 * last // 4] - rho[row, last // 4])

    def _learn(self, end_ns: int) -> None:
        """Remember the stays of an ended transmission, without its incomplete last quarter."""
        self._learned_ns = end_ns
        stays = [stay for stay in self._stays if stay[0] <= end_ns]
        self._stays = self._stays[len(stays) :]
        for _, group in itertools.groupby(stays, key=lambda stay: stay[0]):
            parts = list(group)
            ratio = np.concatenate([part[3] for part in parts])
            number = np.concatenate([part[2] for part in parts])
            complete = ratio[((number + 1) * QUARTER_NS <= end_ns) & ~np.isnan(ratio)]
            if len(complete) < LEAST_QUARTERS:
                continue
            channels, key = self.memory.channels, parts[0][1]
            levels = channels.pop(key, [])
            channels[key] = [*levels, round(median(complete), 8)][-STAYS:]
            if len(channels) > MOST_CHANNELS:
                del channels[next(iter(channels))]
