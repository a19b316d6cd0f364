"""Transmissions from key-down to key-up, and their rows per second. A pure state machine.

This module is responsible for where a transmission begins and ends. Input: blocks with the mask of
keyed pairs. Output: rows.

A transmission begins with the first keyed pair and ends with the last keyed pair before a pause of
the hang time; so speech pauses do not split it, and the hang time is not counted. Means are over
all its pairs; SWR is the ratio of summed powers over the settled ones. Pairs after the last keyed
one are held until the key is down again or the hang time has passed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from logger.blocks import Bools, Noise, PowerBlock, Times, join
from logger.calibration.coupler import TEMPERATURE, Coupler
from logger.rows import Flag, Row
from logger.stages.antennas import COLUMN, UNNAMED, Antennas, LevelNames
from logger.stages.totals import RECENT, Span, WindowSearch, WindowSums, settled_of, totals_of
from logger.stages.transmission_rows import OpenTransmission, rows_of

NEVER_NS = 1 << 62
HELD_PAIRS = 16_384  # most held pairs counted at once: a long pause at a high rate fits no cache


def start_in(spans: Sequence[tuple[int, int]], time_ns: int) -> int | None:
    """Return the start of the transmission in progress at a time, by `Transmissions.spans`."""
    for start_ns, past_ns in reversed(spans):
        if start_ns < time_ns <= past_ns:
            return start_ns
    return None


def _with_temperature_only(block: PowerBlock) -> PowerBlock:
    return replace(block, aux={n: column for n, column in block.aux.items() if n == TEMPERATURE})


class Transmissions:
    """State machine from power blocks to rows, those of transmissions before their seconds.

    hang_ns  a pause shorter than this does not end a transmission
    hold_ns  length of the windows over which the highest SWR is searched
    antennas  names those in the column `antenna`
    """

    def __init__(
        self,
        coupler: Coupler,
        hang_ns: int,
        hold_ns: int,
        channel: int | None,
        frequency_khz: float | None,
        antennas: Antennas = UNNAMED,
    ) -> None:
        self._coupler = coupler
        self._hang_ns = hang_ns
        self._windows = WindowSums(hold_ns)
        self._channel = channel
        self._frequency_khz = frequency_khz
        self._antennas = antennas
        self._names = LevelNames(antennas)
        self._open: OpenTransmission | None = None
        # Last pairs of the open transmission: `_counted` are already counted, the rest is held.
        self._blocks: list[PowerBlock] = []
        self._counted = 0
        self._spans: list[tuple[int, int]] = []

    def update(self, block: PowerBlock, keyed: Bools, noise: Noise) -> list[Row]:
        """Process one block and return the completed rows; `keyed` (n,)."""
        self._spans = []
        down = np.flatnonzero(keyed)
        bare = _with_temperature_only(block) if block.aux else block
        if not len(down):
            if self._open is not None:
                self._blocks.append(bare)
            return self.advance(int(block.time_ns[-1]))
        done = self._close_lapsed(int(block.time_ns[down[0]]))
        if self._open is not None:
            self._count_held(self._open)
        joined = join([*self._blocks, bare])
        old = len(joined) - len(block)
        spans = self._find_spans(joined.time_ns, np.concatenate([np.zeros(old, dtype=bool), keyed]))
        transmissions = [
            self._open
            if self._open and span.since < span.begin
            else self._begin(block, span.begin - old, noise)
            for span in spans
        ]
        if self._open is None:
            self._windows.clear()
        done += self._count(joined, spans, transmissions)
        done += self._close_lapsed(int(block.time_ns[-1]))
        if self._open is not None:
            self._hold(joined, spans[-1])
            if self._open.tellable:
                done.append(self._open)
        return self._rows(done)

    def _count(
        self, joined: PowerBlock, spans: Sequence[Span], transmissions: Sequence[OpenTransmission]
    ) -> list[OpenTransmission]:
        """Add the new pairs of each span to its transmission; return those that have ended."""
        ended: list[OpenTransmission] = []
        settled = settled_of(joined)
        begin, end = spans[0].begin, spans[-1].end
        ratios = self._windows.highest_ratios(
            joined.time_ns[begin:end],
            settled[:, begin:end],
            [(span.begin - begin, span.end - begin) for span in spans],
            [self._search(transmission) for transmission in transmissions],
        )
        for transmission, span, totals, ratio in zip(
            transmissions, spans, totals_of(joined, settled, spans), ratios, strict=True
        ):
            if transmission is not self._open:
                ended += self._close()
                self._open = transmission
            transmission.add(totals, int(joined.time_ns[span.end - 1]))
            transmission.highest_ratio = ratio
        return ended

    def _count_held(self, transmission: OpenTransmission) -> None:
        """Count the held pairs of a transmission that continues, except for the last of them."""
        held, self._blocks = self._blocks, []
        pairs = 0
        for block in held:
            self._blocks.append(block)
            pairs += len(block)
            if pairs > HELD_PAIRS:
                joined = join(self._blocks)
                span = Span(0, self._counted, len(joined))
                self._count(joined, [span], [transmission])
                self._hold(joined, span)
                pairs = 0

    def advance(self, now_ns: int) -> list[Row]:
        """Advance the time to `now_ns` and end the transmission if the hang time has passed."""
        return self._rows(self._close_lapsed(now_ns))

    def finish(self, flag: Flag | None = None) -> list[Row]:
        """End the transmission in progress, if any, adding `flag` to it."""
        return self._rows(self._close(flag))

    def start_at(self, time_ns: int) -> int | None:
        """Return the start of the transmission in progress at `time_ns` in the last block, if any.

        The hang time counts, since it is not known then if the transmission continues.
        """
        return start_in(self.spans, time_ns)

    @property
    def spans(self) -> list[tuple[int, int]]:
        """Start of each transmission in the last block, and end of its hang time."""
        if self._open is None or not self._open.counts:
            return self._spans
        return [*self._spans, (self._open.start_ns, NEVER_NS)]

    @property
    def under_way(self) -> bool:
        """True if a transmission is in progress (the hang time counts)."""
        return self._open is not None

    def _find_spans(self, times: Times, keyed: Bools) -> list[Span]:
        """Return the spans of transmissions in pairs (n,) that begin with the held ones."""
        apart = times[1:] - times[:-1] > self._hang_ns
        edges = np.flatnonzero((keyed[1:] != keyed[:-1]) | apart) + 1
        begins = np.concatenate([[0], edges])
        ends = np.concatenate([edges, [len(times)]])
        begins, ends = begins[keyed[begins]], ends[keyed[begins]]  # stretches with the key down
        pauses = times[begins[1:]] - times[ends[:-1] - 1] > self._hang_ns
        begins = begins[np.concatenate([[True], pauses])].tolist()
        ends = ends[np.concatenate([pauses, [True]])].tolist()
        spans = [Span(begin, begin, end) for begin, end in zip(begins, ends, strict=True)]
        if self._open is not None:
            spans[0] = Span(0, self._counted, spans[0].end)
        return spans

    def _begin(self, block: PowerBlock, index: int, noise: Noise) -> OpenTransmission:
        def reported(name: str) -> float | None:
            column = block.aux.get(name)
            return None if column is None or np.isnan(column[index]) else float(column[index])

        start_ns = int(block.time_ns[index])
        channel, khz = reported("channel"), reported("frequency_khz")
        antenna = reported(COLUMN)
        return OpenTransmission(
            start_ns,
            start_ns,
            noise,
            self._channel if channel is None else round(channel),
            self._frequency_khz if khz is None else khz,
            None if antenna is None else self._antennas.name(antenna),
        )

    def _search(self, transmission: OpenTransmission) -> WindowSearch:
        floor_w = self._coupler.readable_floor_w(transmission.noise)
        return WindowSearch(transmission.start_ns, floor_w, transmission.highest_ratio)

    def _hold(self, block: PowerBlock, span: Span) -> None:
        """Hold the pairs that later pairs look back on or include."""
        first = max(span.since, span.end - RECENT - 1)
        self._blocks = [block[first:]]
        self._counted = span.end - first

    def _close_lapsed(self, now_ns: int) -> list[OpenTransmission]:
        """Close and return the open transmission if the hang time has passed."""
        if self._open is None or now_ns - self._open.end_ns <= self._hang_ns:
            return []
        self._windows.clear()
        return self._close()

    def _close(self, flag: Flag | None = None) -> list[OpenTransmission]:
        """Close the open transmission; return it if it has enough pairs."""
        transmission, self._open, self._blocks = self._open, None, []
        if transmission is None or not transmission.counts:
            return []
        transmission.ended = True
        transmission.flags |= int(flag or 0)
        self._spans.append((transmission.start_ns, transmission.end_ns + self._hang_ns))
        return [transmission]

    def _rows(self, transmissions: list[OpenTransmission]) -> list[Row]:
        if not transmissions:
            return []
        return [*self._names.name(rows_of(transmissions, self._coupler))]
