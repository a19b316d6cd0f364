"""Rows derived again by several workers are those of one, byte for byte."""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.calibration.coupler import Coupler
from logger.recompute import recompute, workers
from logger.recompute.plan import Part
from logger.recompute.stages import PairWalk
from logger.recompute.workers import Result, SharedWalk, Sizes, Task
from logger.store.writer import StoreWriter
from tests.test_recompute_raw import Case, dumped


class InOneProcess:
    """Crew without processes: results come in an order of their own."""

    def __init__(self, *context: Any, jobs: int, late: Sequence[int] = ()) -> None:
        self._context, self._jobs, self._late = context, jobs, late
        self._done: deque[tuple[int, bytes]] = deque()

    def has_free(self) -> bool:
        return len(self._done) < self._jobs

    def submit(self, task: Task) -> None:
        result = workers.process(PairWalk(*self._context), task)
        self._done.append((task.number, workers.pickle.dumps(result)))

    def collect(self, *, waits: bool) -> list[tuple[int, bytes]]:
        if not waits or not self._done:
            return []
        return [self._done.pop() if len(self._done) in self._late else self._done.popleft()]
