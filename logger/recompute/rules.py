"""The rules over rows, which remember for weeks, over what the stages have found.

Input: steps. Output: the rows for the store, in the order in which the pipeline returns them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import partial

import numpy as np

from logger.blocks import PowerBlock
from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.pipeline import mark
from logger.recompute.stages import Step
from logger.rows import Memory, Row, Transmission
from logger.stages.transmissions import start_in
from logger.stages.view import View
from logger.watchdog import Watchdog, detector_fault, separate

NO_PAIRS = PowerBlock(
    np.empty(0, dtype=np.int64),
    np.empty(0),
    np.empty(0),
    np.empty(0),
    np.empty(0),
    np.empty(0, dtype=np.uint8),
    np.empty(0, dtype=np.bool_),
    {},
)


class RowRules(Watchdog):
    """The rules over rows of a station, after those over pairs (`PairRules`)."""

    def __init__(
        self,
        config: Config,
        coupler: Coupler,
        work_ns: Iterable[int],
        open_kinds: Iterable[str],
        memories: Mapping[str, bytes],
    ) -> None:
        super().__init__(
            config.watchdog, open_kinds, memories, round(config.transmission.hang_ms * 1e6)
        )
        self.know_work(work_ns)
        self._coupler = coupler

    def process(self, step: Step) -> list[Row]:
        """Return the rows of a step with all alarm changes, and memories if one has ended."""
        view = View(
            NO_PAIRS, NO_PAIRS.settled, step.noise, self._coupler, step.step_v, NO_PAIRS.settled
        )
        is_standing = bool(self.detector.memory.cause)
        self.detector.follow(view, active=step.active, reported_ns=step.reported_ns)
        by_pairs = [
            change
            for change in step.changes
            if not (is_standing and change.kind == detector_fault.KIND)
        ]
        by_rows = self.rows(step.rows, step.quarters, partial(start_in, step.spans))
        changes = sorted([*separate(by_pairs), *by_rows], key=lambda change: change.time_ns)
        rows: list[Row] = [*step.rows, *mark(changes, step.doubtful)]
        if any(isinstance(row, Transmission) for row in step.rows):
            rows += [Memory(rule, content) for rule, content in self.memories().items()]
        return rows
