"""Rows derived again by several workers are those of one, byte for byte."""

from __future__ import annotations

import pickle
import shutil
import signal
import subprocess
import sys
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.calibration.coupler import Coupler
from logger.recompute import raw, recompute, workers
from logger.recompute.handover import Use, copy_learned, follow_use
from logger.recompute.stages import Learned, PairWalk
from logger.recompute.workers import LoneWalk, Processes, SharedWalk, Sizes, Task, WorkerError
from logger.stages.decay import DecayMemory
from logger.stages.usual_level import MOST_CHANNELS, UsualLevelMemory
from logger.store.journal import Journal
from logger.store.writer import StoreWriter
from tests.test_recompute_raw import Case, dumped

START_NS = 1_772_391_600_000_000_000  # of the station
HARBOUR = """\
station: {name: harbour-workshop}
driver:
  kind: simulated
  seed: 4
  pace: fast
  rate_hz: 25
  duration_s: 4200
  start_utc: 2026-03-01T19:00:00Z
  operator:
    random: {transmissions_per_hour: 100, modes: [am, ssb, fm], channels: [3, 20, 38]}
  faults:
    - {kind: intermittent, at_s: 1800, duration_s: 300, rate_per_s: 1, length_ms: 150}
    - {kind: open, where: shack-plug, at_s: 2700, duration_s: 200}
store: {path: data/station.sqlite}
antennas: [{name: mast, swr: 1.3}, {name: wire, swr: 1.9}]
"""


class InOneProcess:
    """Crew without processes; results come late where `order` says so."""

    def __init__(self, *context: Any, jobs: int, order: Iterator[bool]) -> None:
        self._context, self._jobs, self._order = context, jobs, order
        self._done: deque[tuple[int, bytes]] = deque()

    def has_free(self) -> bool:
        return len(self._done) < self._jobs

    def submit(self, task: Task) -> None:
        walk = PairWalk(*self._context)
        for number, result in enumerate(workers.process(walk, task), task.number):
            self._done.append((number, pickle.dumps(result)))

    def collect(self, *, waits: bool) -> list[tuple[int, bytes]]:
        if not self._done or not (waits or next(self._order)):
            return []
        return [self._done.popleft()]


def derive(
    path: Path,
    case: Case,
    sizes: Sizes,
    monkeypatch: pytest.MonkeyPatch,
    *,
    jobs: int = 1,
    order: Iterator[bool] = iter(()),
) -> list[str]:
    """Derive again in this process; return the content of the store."""
    alone = sizes._replace(worker=1 << 60)
    shared: list[SharedWalk] = []

    @contextmanager
    def run_stages(parts: Any, *context: Any) -> Iterator[LoneWalk | SharedWalk]:
        *context, jobs, _ = context
        crew = InOneProcess(*context, jobs=jobs, order=order)
        shared.append(SharedWalk(crew, parts, jobs, sizes))
        yield shared[0]

    with monkeypatch.context() as patch, StoreWriter.open(path) as store:
        if jobs > 1:
            patch.setattr(raw, "run_stages", run_stages)
        recompute(store, case.config, Coupler(case.right), jobs=jobs, sizes=alone)
    return dumped(path)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(tmp_path_factory.mktemp("jobs"))


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    jobs=st.integers(2, 4),
    part=st.integers(300, 12_000),
    warm=st.integers(0, 3),
    chunk=st.integers(1, 3),
    task=st.integers(1, 6),
    cut_s=st.floats(5, 235),
    late=st.lists(st.booleans(), min_size=1, max_size=5),
)
def test_jobs_change_no_row(
    case: Case,
    monkeypatch: pytest.MonkeyPatch,
    jobs: int,
    part: int,
    warm: int,
    chunk: int,
    task: int,
    cut_s: float,
    late: list[bool],
) -> None:
    """Seams anywhere, also within transmissions, and right after a run of the daemon began."""
    first = case.play(case.config, case.right, [120.0, round(cut_s)] if cut_s > 120 else [60.0])
    sizes = Sizes(part, warm * part, chunk * part, task * part)
    order = (late[number % len(late)] for number in range(1 << 30))
    others = Path(shutil.copy(first, first.with_suffix(".jobs")))
    assert derive(others, case, sizes, monkeypatch, jobs=jobs, order=order) == derive(
        first, case, sizes, monkeypatch
    )
