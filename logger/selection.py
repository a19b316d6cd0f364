"""Which pairs are archived, and which of them tell the noise. A pure state machine.

Archived are all pairs from BEFORE_NS before a keyed one to the hang time and AFTER_NS past it (at
least one on either side), and a thin sample of the rest: once a minute the next BURST pairs during
which nobody transmits. Noise is measured on that sample alone, so that rows derived again from the
archive are the same as those that were derived live.
"""

from __future__ import annotations

import numpy as np

from drivers.contract import SampleBlock, join
from logger.blocks import Bools, Times

BEFORE_NS = 1_000_000_000
AFTER_NS = 500_000_000
AFTER_KEYED_NS = 500_000_000  # detectors have discharged by then, and a pair tells the noise
BURST = 128
EVERY_NS = 60_000_000_000
LONG_AGO_NS = -(2**62)
NEVER_NS = 2**62


class Selection:
    """Feeds on samples and what is keyed of them; yields what is to be archived, in time order.

    hang_ns  a pause shorter than this does not end a transmission
    """

    def __init__(self, hang_ns: int) -> None:
        self._after_ns = hang_ns + AFTER_NS
        self._last_keyed_ns = LONG_AGO_NS
        self._keyed = False
        self._due_ns = LONG_AGO_NS  # of the next burst
        self._left = 0  # pairs of the burst that goes on
        self._open: SampleBlock | None = None  # pairs that may still be wanted,
        self._wanted = np.empty(0, dtype=bool)  # and those that are

    def update(self, block: SampleBlock, keyed: Bools) -> tuple[SampleBlock | None, Bools]:
        """Take in one block, `keyed` (n,); what is to be archived by now, if anything, and which
        pairs of this block tell the noise, (n,)."""
        times = block.time_ns
        last = np.maximum.accumulate(np.where(keyed, times, LONG_AGO_NS))
        np.maximum(last, self._last_keyed_ns, out=last)
        self._last_keyed_ns = int(last[-1])
        quiet = self._burst(times, times - last > AFTER_KEYED_NS)
        wanted = quiet | (times - last <= self._after_ns)
        wanted[0] |= self._keyed
        wanted[1:] |= keyed[:-1]
        self._keyed = bool(keyed[-1])
        if self._open is not None:
            block = join([self._open, block])
            wanted = np.concatenate([self._wanted, wanted])
            keyed = np.concatenate([np.zeros(len(self._wanted), dtype=bool), keyed])
        if keyed.any():
            times = block.time_ns
            following = np.where(keyed, times, NEVER_NS)[::-1]
            following = np.minimum.accumulate(following)[::-1]
            wanted |= following - times <= BEFORE_NS
            wanted[:-1] |= keyed[1:]
        return self._release(block, wanted), quiet

    def _burst(self, times: Times, quiet: Bools) -> Bools:
        """The pairs among the quiet ones that belong to a burst, (n,)."""
        chosen = np.zeros(len(times), dtype=bool)
        at = np.flatnonzero(quiet)
        done = 0
        while done < len(at):
            if not self._left:
                done += int(np.searchsorted(times[at[done:]], self._due_ns))
                if done == len(at):
                    break
                self._left = BURST
                self._due_ns = (int(times[at[done]]) // EVERY_NS + 1) * EVERY_NS
            some = at[done : done + self._left]
            chosen[some] = True
            self._left -= len(some)
            done += len(some)
        return chosen

    def _release(self, block: SampleBlock, wanted: Bools) -> SampleBlock | None:
        """Everything before the first pair of which it is not known yet whether it is wanted."""
        times = block.time_ns
        undecided = ~wanted & (times > times[-1] - BEFORE_NS)
        end = int(np.argmax(undecided)) if undecided.any() else len(times)
        self._open = block[end:] if end < len(times) else None
        self._wanted = wanted[end:]
        if not wanted[:end].any():
            return None
        return block[:end] if wanted[:end].all() else block[:end][wanted[:end]]
