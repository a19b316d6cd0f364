"""Selection of the pairs to archive and of the noise sample. Pure state machines.

Input: pairs with the places of keyed ones. Output: places, and blocks to archive.

All pairs are archived from BEFORE_NS before a keyed pair until AFTER_NS after the hang time (at
least one pair on either side), plus a thin sample of the rest: once a minute the next BURST pairs
during which nobody transmits. Noise is measured on that sample only, so that rows derived again
from the archive equal those that were derived live.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import Bits, Bools, Places, Times
from logger.rows import CAPTURE_AFTER_NS, CAPTURE_BEFORE_NS

BEFORE_NS = CAPTURE_BEFORE_NS
AFTER_NS = CAPTURE_AFTER_NS + 500_000_000  # results by quarter seconds come this late
AFTER_KEYED_NS = 500_000_000  # the detectors have discharged by then, and pairs show noise only
BURST = 128
EVERY_NS = 60_000_000_000
LONG_AGO_NS = -(2**62)
GAP, DOUBT = 1, 2


class ThinSample:
    """Selection of the pairs from which noise is measured."""

    def __init__(self) -> None:
        self._last_keyed_ns = LONG_AGO_NS
        self._due_ns = LONG_AGO_NS  # time of the next burst
        self._remaining = 0  # remaining pairs of the present burst

    def update(self, times: Times, down: Places) -> Places:
        """Process pairs at `times` (n,), those at `down` (k,) keyed; return selected places."""
        keyed_ns = np.append(self._last_keyed_ns, times[down])
        self._last_keyed_ns = int(keyed_ns[-1])
        pauses = np.append(np.flatnonzero(np.diff(keyed_ns) > AFTER_KEYED_NS), len(down))
        begins = np.searchsorted(times, keyed_ns[pauses] + AFTER_KEYED_NS, side="right")
        ends = np.append(down, len(times))[pauses]
        selected = [
            burst
            for begin, end in zip(begins.tolist(), ends.tolist(), strict=True)
            for burst in self._bursts(times, begin, end)
        ]
        return np.concatenate(selected) if selected else down[:0]

    def _bursts(self, times: Times, begin: int, end: int) -> list[Places]:
        """Return the places of the bursts in a pause, from place `begin` to `end`."""
        bursts: list[Places] = []
        while begin < end:
            if not self._remaining:
                begin += int(np.searchsorted(times[begin:end], self._due_ns))
                if begin == end:
                    break
                self._remaining = BURST
                self._due_ns = (int(times[begin]) // EVERY_NS + 1) * EVERY_NS
            bursts.append(np.arange(begin, min(begin + self._remaining, end)))
            self._remaining -= len(bursts[-1])
            begin += len(bursts[-1])
        return bursts


class Selection:
    """State machine from samples and their keying to the pairs to archive.

    They are in time order, in blocks that state where pairs were lost or times are in doubt.

    hang_ns  a pause shorter than this does not end a transmission
    """

    def __init__(self, hang_ns: int) -> None:
        self._after_ns = hang_ns + AFTER_NS
        self._last_keyed_ns = LONG_AGO_NS
        self._keyed = False
        self._open: SampleBlock | None = None  # pairs not yet decided
        self._wanted = np.empty(0, dtype=bool)  # mask of those to archive
        self._marks = np.empty(0, dtype=np.uint8)  # marks of gaps and doubtful times

    def update(self, block: SampleBlock, down: Places, sampled: Places) -> list[SampleBlock]:
        """Process one block; return the pairs to archive so far.

        `down` (k,) are the places of keyed pairs, `sampled` those of the thin sample.
        """
        wanted = np.zeros(len(block), dtype=bool)
        wanted[sampled] = True
        past = int(np.searchsorted(block.time_ns, self._last_keyed_ns + self._after_ns, "right"))
        wanted[: max(past, int(self._keyed))] = True
        marks = np.full(len(block), DOUBT * block.clock_step, dtype=np.uint8)
        marks[0] |= GAP * block.gap
        if len(down):
            self._last_keyed_ns = int(block.time_ns[down[-1]])
        self._keyed = len(down) > 0 and int(down[-1]) == len(block) - 1
        if self._open is not None:
            down = down + len(self._open)
            block = join([self._open, block])
            wanted = np.concatenate([self._wanted, wanted])
            marks = np.concatenate([self._marks, marks])
        if len(down):
            self._want_around(block.time_ns, down, wanted)
        return self._release(block, wanted, marks)

    def _want_around(self, times: Times, down: Places, wanted: Bools) -> None:
        """Mark the pairs around keyed ones."""
        keyed_ns = times[down]
        pauses = np.flatnonzero(np.diff(keyed_ns) > BEFORE_NS)
        first, last = np.append(0, pauses + 1), np.append(pauses, len(down) - 1)
        begins = np.searchsorted(times, keyed_ns[first] - BEFORE_NS)
        begins = np.maximum(np.minimum(begins, down[first] - 1), 0)
        ends = np.searchsorted(times, keyed_ns[last] + self._after_ns, side="right")
        ends = np.maximum(ends, down[last] + 2)
        for begin, end in zip(begins.tolist(), ends.tolist(), strict=True):
            wanted[begin:end] = True

    def _release(self, block: SampleBlock, wanted: Bools, marks: Bits) -> list[SampleBlock]:
        """Return everything before the first undecided pair."""
        times = block.time_ns
        decided = int(np.searchsorted(times, times[-1] - BEFORE_NS, side="right"))
        undecided = ~wanted[decided:]
        end = decided + int(np.argmax(undecided)) if undecided.any() else len(times)
        self._open = block[end:] if end < len(times) else None
        self._wanted, self._marks = wanted[end:], marks[end:]
        if not wanted[:end].any():
            return []
        if wanted[:end].all():
            return _marked(block[:end], marks[:end])
        places = np.flatnonzero(wanted[:end])
        return _marked(block[places], marks[places])


def _marked(block: SampleBlock, marks: Bits) -> list[SampleBlock]:
    """Split a block at gaps and where doubtful times begin or end."""
    if not (block.gap or block.clock_step or marks.any()):
        return [block]
    begins = marks & GAP != 0
    begins[1:] |= np.diff(marks & DOUBT) != 0
    edges = [0, *(np.flatnonzero(begins[1:]) + 1).tolist(), len(block)]
    return [
        replace(
            block[begin:end],
            gap=bool(marks[begin] & GAP),
            clock_step=bool(marks[begin] & DOUBT),
        )
        for begin, end in itertools.pairwise(edges)
    ]
