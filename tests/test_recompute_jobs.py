"""Rows derived again by several workers are those of one, byte for byte."""

from __future__ import annotations

import itertools
import pickle
import shutil
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.calibration.coupler import Coupler
from logger.config.load import load
from logger.recompute import raw, recompute, workers
from logger.recompute.handover import Use, copy_learned, follow_use
from logger.recompute.stages import Learned, PairWalk
from logger.recompute.workers import Processes, SharedWalk, Sizes, Task, WorkerError
from logger.stages.decay import DecayMemory
from logger.stages.usual_level import MOST_CHANNELS, UsualLevelMemory
from logger.store.journal import Journal
from logger.store.writer import StoreWriter
from tests.examples import examples
from tests.test_recompute_raw import Case, dumped, stream

SECOND_NS = 1_000_000_000
START_NS = 1_772_391_600_000_000_000  # of the station
ALWAYS = itertools.repeat(True)
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
weather: {wind_m_s: wind}
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
    jobs: int = 1,
    order: Iterator[bool] = ALWAYS,
    repeated: list[int] | None = None,
) -> list[str]:
    """Derive again in this process; return the content of the store.

    The number of chunks that were processed twice is appended to `repeated`.
    """
    shared: list[SharedWalk] = []

    class NotedWalk(SharedWalk):
        def __init__(self, *context: Any) -> None:
            super().__init__(*context)
            shared.append(self)

    @contextmanager
    def start_workers(jobs: int, config: Any, coupler: Any, _: Path, notes: Any) -> Iterator[Any]:
        context = config, coupler, store.database, notes
        yield InOneProcess(*context, jobs=jobs, order=order) if jobs > 1 else None

    with monkeypatch.context() as patch, StoreWriter.open(path) as store:
        patch.setattr(raw, "start_workers", start_workers)
        patch.setattr(raw, "SharedWalk", NotedWalk)
        recompute(store, case.config, Coupler(case.right), jobs=jobs, sizes=sizes)
    if repeated is not None:
        repeated += [walk.repeated for walk in shared]
    return dumped(path)


class Harbour(Case):
    """A longer station with everything."""

    def __init__(self, folder: Path, *, follows_temperature: bool) -> None:
        super().__init__(folder)
        self.path.write_text(HARBOUR)
        self.config = load(self.path)
        self.whole, self.right = stream(self.path)
        wind = 3 + np.sin(np.arange(len(self.whole)) / 4000)
        self.whole = replace(self.whole, aux={**self.whole.aux, "wind": wind})
        if follows_temperature:
            ports = {
                name: msgspec.structs.replace(getattr(self.right, name), r_is_per_c=0.06)
                for name in ("forward", "reflected")
            }
            self.right = msgspec.structs.replace(self.right, temperature_c=20.0, **ports)

    @staticmethod
    def archived(path: Path) -> int:
        """Return the number of archived pairs."""
        with StoreWriter.open(path) as store:
            return store.archive.pairs()


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return Case(tmp_path_factory.mktemp("jobs"))


CUTS_S: tuple[tuple[float, ...], ...] = ((60.0,), (30.0, 129.0, 190.5))


@settings(examples(1), suppress_health_check=list(HealthCheck))
@given(
    jobs=st.integers(2, 4),
    part=st.integers(3000, 12_000),
    warm=st.integers(0, 3),
    chunk=st.integers(1, 3),
    task=st.integers(1, 6),
    cuts_s=st.sampled_from(CUTS_S),
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
    cuts_s: Sequence[float],
    late: list[bool],
) -> None:
    """Seams lie anywhere, also within transmissions and where a run of the daemon began."""
    first = case.play(case.config, case.right, cuts_s)
    sizes = Sizes(part, warm * part, chunk * part, task * part, worker=1)
    others = Path(shutil.copy(first, first.with_suffix(".jobs")))
    shared = derive(others, case, sizes, monkeypatch, jobs, itertools.cycle(late))
    assert shared == derive(first, case, sizes, monkeypatch)


@pytest.mark.parametrize(
    "follows_temperature", [pytest.param(False, marks=pytest.mark.nightly), True]
)
def test_jobs_change_no_row_of_a_station_with_everything(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, follows_temperature: bool
) -> None:
    """Faults, alarms, repairs, antennas told apart by their SWR, wind, a temperature law; and most
    chunks need not be processed twice.
    """
    harbour = Harbour(tmp_path, follows_temperature=follows_temperature)
    first = harbour.play(
        harbour.config, harbour.right, (187.5,)
    )  # after 1,500 s, at 25 pairs a second
    with Journal.editor(first) as journal:
        journal.insert(START_NS + 2_950 * SECOND_NS, "repair", "plug fitted again")
        journal.insert(START_NS + 3_000 * SECOND_NS, "antenna", "wire")
    others = Path(shutil.copy(first, first.with_suffix(".jobs")))
    sizes = Sizes(2000, 24_000, 4000, 12_000, worker=1)
    alone = derive(first, harbour, sizes, monkeypatch)
    repeated: list[int] = []
    assert derive(others, harbour, sizes, monkeypatch, 3, repeated=repeated) == alone
    chunks = harbour.archived(first) // sizes.chunk
    assert repeated[0] < chunks / 2, (repeated, chunks)
    kinds = {line.split("'")[1] for line in alone if line.startswith('INSERT INTO "alarms"')}
    assert len(kinds) >= 2, kinds


def test_memories_agree_if_they_were_used_alike() -> None:
    """A place that was not used may differ, and constants that give the same low quantile."""
    true = learned([0.01, 0.02], {"mast 3": [0.1], "wire 5": [0.2]})
    begun = learned([0.01, 0.03], {"mast 3": [0.1]})
    assert use(true, begun, "mast 3") is not None
    assert list(use(true, begun, "mast 3").usual.channels) == ["wire 5", "mast 3"]
    assert use(true, begun, "wire 5") is None
    assert use(true, learned([0.02], {"mast 3": [0.1]}), "mast 3") is None
    full = {f"mast {number}": [0.1] for number in range(MOST_CHANNELS)}
    assert use(learned([0.01], full), learned([0.01], {}), "mast 99") is None  # one is dropped


def learned(forward_s: list[float], channels: dict[str, list[float]]) -> Learned:
    return Learned(DecayMemory(forward_s), UsualLevelMemory(channels))


def use(true: Learned, begun: Learned, place: str) -> Any:
    noted = Use()
    ended = noted.watch(copy_learned(begun))
    ended.decay.forward_s.append(0.011)
    ended.usual.channels[place] = [*ended.usual.channels.pop(place, []), 0.3]
    return follow_use(true, begun, ended, noted)


@pytest.mark.realtime
def test_processes_do_the_same_and_a_lost_one_is_one_clear_line(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = case.play(case.config, case.right)
    before = dumped(first)
    sizes = Sizes(4000, 4000, 4000, 8000, worker=1)
    others = Path(shutil.copy(first, tmp_path / "others.sqlite"))
    with StoreWriter.open(others) as store:
        recompute(store, case.config, Coupler(case.right), jobs=2, sizes=sizes)
    assert dumped(others) == derive(first, case, sizes, monkeypatch) == before
    monkeypatch.setattr(Processes, "submit", kill_before(Processes.submit))
    changed = case.right
    with StoreWriter.open(others) as store, pytest.raises(WorkerError, match="nothing was changed"):
        recompute(store, case.config, Coupler(changed), jobs=2, sizes=sizes)
    assert dumped(others) == before


@pytest.mark.realtime
def test_processes_that_die_at_their_start_are_one_clear_line(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = case.play(case.config, case.right)
    before = dumped(store)
    (tmp_path / "main.py").write_text("raise SystemExit(3)\n")
    main = sys.modules["__main__"]  # which each process runs first
    monkeypatch.setattr(main, "__spec__", None)
    monkeypatch.setattr(main, "__file__", str(tmp_path / "main.py"), raising=False)
    sizes = Sizes(4000, 4000, 4000, 8000, worker=1)
    with StoreWriter.open(store) as writer, pytest.raises(WorkerError, match="nothing was changed"):
        recompute(writer, case.config, Coupler(case.right), jobs=2, sizes=sizes)
    assert dumped(store) == before


def kill_before(submit: Callable[[Processes, Task], None]) -> Callable[[Processes, Task], None]:
    def submit_and_kill(crew: Processes, task: Task) -> None:
        submit(crew, task)
        for process in crew._processes:
            process.kill()

    return submit_and_kill
