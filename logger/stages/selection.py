"""Selection of the pairs to archive and of the noise sample. Pure state machines.

Input: pairs with the mask of keyed ones. Output: masks, and blocks to archive.

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
from logger.blocks import Bits, Bools, Times
from logger.rows import CAPTURE_AFTER_NS, CAPTURE_BEFORE_NS

BEFORE_NS = CAPTURE_BEFORE_NS
AFTER_NS = CAPTURE_AFTER_NS + 500_000_000  # results by quarter seconds come this late
AFTER_KEYED_NS = 500_000_000  # the detectors have discharged by then, and pairs show noise only
BURST = 128
EVERY_NS = 60_000_000_000
LONG_AGO_NS = -(2**62)
NEVER_NS = 2**62
GAP, DOUBT = 1, 2


class ThinSample:
    """Selection of the pairs from which noise is measured."""

    def __init__(self) -> None:
        self._last_keyed_ns = LONG_AGO_NS
        self._due_ns = LONG_AGO_NS  # time of the next burst
        self._remaining = 0  # remaining pairs of the present burst

    def update(self, times: Times, keyed: Bools) -> Bools:
        """Process the pairs of one block; return the mask of selected pairs, all (n,)."""
        last = _last_keyed(times, keyed, self._last_keyed_ns)
        self._last_keyed_ns = int(last[-1])
        selected = np.zeros(len(times), dtype=bool)
        quiet = np.flatnonzero(times - last > AFTER_KEYED_NS)
        done = 0
        while done < len(quiet):
            if not self._remaining:
                done += int(np.searchsorted(times[quiet[done:]], self._due_ns))
                if done == len(quiet):
                    break
                self._remaining = BURST
                self._due_ns = (int(times[quiet[done]]) // EVERY_NS + 1) * EVERY_NS
            burst = quiet[done : done + self._remaining]
            selected[burst] = True
            self._remaining -= len(burst)
            done += len(burst)
        return selected


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

    def update(self, block: SampleBlock, keyed: Bools, sampled: Bools) -> list[SampleBlock]:
        """Process one block; return the pairs to archive so far.

        `keyed` (n,) and `sampled` (n,) are the masks of keyed pairs and of the thin sample.
        """
        times = block.time_ns
        marks = np.full(len(times), DOUBT * block.clock_step, dtype=np.uint8)
        marks[0] |= GAP * block.gap
        last = _last_keyed(times, keyed, self._last_keyed_ns)
        self._last_keyed_ns = int(last[-1])
        wanted = sampled | (times - last <= self._after_ns)
        wanted[0] |= self._keyed
        wanted[1:] |= keyed[:-1]
        self._keyed = bool(keyed[-1])
        if self._open is not None:
            block = join([self._open, block])
            wanted = np.concatenate([self._wanted, wanted])
            marks = np.concatenate([self._marks, marks])
            keyed = np.concatenate([np.zeros(len(self._wanted), dtype=bool), keyed])
        if keyed.any():
            times = block.time_ns
            following = np.where(keyed, times, NEVER_NS)[::-1]
            following = np.minimum.accumulate(following)[::-1]
            wanted |= following - times <= BEFORE_NS
            wanted[:-1] |= keyed[1:]
        return self._release(block, wanted, marks)

    def _release(self, block: SampleBlock, wanted: Bools, marks: Bits) -> list[SampleBlock]:
        """Return everything before the first undecided pair."""
        times = block.time_ns
        undecided = ~wanted & (times > times[-1] - BEFORE_NS)
        end = int(np.argmax(undecided)) if undecided.any() else len(times)
        self._open = block[end:] if end < len(times) else None
        self._wanted, self._marks = wanted[end:], marks[end:]
        if not wanted[:end].any():
            return []
        if wanted[:end].all():
            return _marked(block[:end], marks[:end])
        return _marked(block[:end][wanted[:end]], marks[:end][wanted[:end]])


def _last_keyed(times: Times, keyed: Bools, before_ns: int) -> Times:
    """Return the time of the latest keyed pair up to each pair, (n,).

    `before_ns` is the time of the latest keyed pair before the first.
    """
    last = np.where(keyed, times, LONG_AGO_NS)
    last[0] = max(int(last[0]), before_ns)
    return np.maximum.accumulate(last, out=last)


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
