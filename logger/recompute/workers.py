"""Worker processes that run the stages over parts of the archive.

Each takes the next few chunks of parts, begins some parts earlier, and hands back the messages of
each chunk with its state before and after. `handover` decides if these are the messages that the
stages would have sent had they come from the beginning; if not, the chunk is processed again, from
the true state. So the messages are the same for any number of workers. Only the caller writes.
"""

from __future__ import annotations

import bisect
import itertools
import multiprocessing
import pickle
import signal
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import NamedTuple, Protocol, Self

from logger.calibration.coupler import Coupler
from logger.config.load import Config
from logger.errors import MismatchdError
from logger.recompute.handover import State, Use, follow_use, load, save
from logger.recompute.plan import Part
from logger.recompute.stages import Learned, Message, PairWalk, encode_memories
from logger.rows import Memory
from logger.service.heap import keep_heap
from logger.stages.keying import OwnPower
from logger.store.database import Database
from logger.store.journal import JournalNotes

TASKS_EACH = 2  # of a worker, so that all end at about the same time


class Sizes(NamedTuple):
    """How the archive is cut, in pairs.

    part    of a part
    warm    before its first chunk, with which a worker begins
    chunk   of a chunk
    task    most of the chunks that a worker takes
    worker  least for which a worker is worth its start
    """

    part: int = 262_144
    warm: int = 900_000
    chunk: int = 1_000_000
    task: int = 16_000_000
    worker: int = 3_000_000


SIZES = Sizes()


class WorkerError(MismatchdError):
    """A worker process has ended unexpectedly."""


class Task(NamedTuple):
    """Chunks from `number` on: from a state, None for none, `warm` parts are processed first."""

    number: int
    state: State | None
    warm: Sequence[Part]
    chunks: Sequence[Sequence[Part]]


class Result(NamedTuple):
    """Messages of a chunk, with the states before and after, and the use of memories in it."""

    before: State
    messages: list[Message]
    use: Use
    after: State
    own_power: OwnPower
    has_ended: bool


def process(walk: PairWalk, task: Task) -> Iterator[Result]:
    """Process chunks with a new walk."""
    if task.state is not None:
        load(walk, task.state)
    for part in task.warm:
        for _ in walk.run(part):
            pass
    before = save(walk)
    for parts in task.chunks:
        use = Use()
        walk.watch = use.watch
        walk.memory = use.watch(walk.memory)
        walk.has_ended = False
        messages = [message for part in parts for message in walk.run(part)]
        after = save(walk)
        yield Result(before, messages, use, after, walk.latest_own_power, walk.has_ended)
        before = after


def verify(true: State | None, result: Result) -> Learned | None:
    """Return the true memories after a chunk, None if it was not begun in the true state."""
    if true is None or result.before.digest != true.digest:
        return None
    return follow_use(true.learned, result.before.learned, result.after.learned, result.use)


class Walk(Protocol):
    """What the stages find in all pairs, in order."""

    def messages(self) -> Iterator[Message]:
        """Yield the messages of all parts, in order. Raise WorkerError, StoreError."""
        ...

    def memories(self) -> list[Memory]:
        """Return the memories of the stages, none if no transmission has ended."""
        ...


class Crew(Protocol):
    """Workers, each of which processes one task at a time."""

    def has_free(self) -> bool:
        """True if a worker waits for a task."""
        ...

    def submit(self, task: Task) -> None:
        """Give a task to a free worker."""
        ...

    def collect(self, *, waits: bool) -> list[tuple[int, bytes]]:
        """Return number and pickled result of chunks; wait for one if there is none and `waits`."""
        ...


class Processes:
    """Crew of processes; a context manager that ends them."""

    def __init__(
        self, jobs: int, config: Config, coupler: Coupler, path: Path, notes: JournalNotes
    ) -> None:
        context = multiprocessing.get_context("spawn")
        self._free: list[Connection] = []
        self._busy: dict[Connection, list[int]] = {}  # numbers of the chunks of its task
        self._processes = []
        for _ in range(jobs):
            own, other = context.Pipe()
            process = context.Process(target=_work, args=(other, path), daemon=True)
            process.start()
            other.close()
            self._processes.append(process)
            self._free.append(own)
        # Not as arguments: what does not fit into a pipe is written to a process that has died, for
        # ever.
        for connection in self._free:
            try:
                connection.send((config, coupler, notes))
            except OSError as error:
                self.__exit__()
                raise _lost() from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for process in self._processes:
            process.terminate()
        for process in self._processes:
            process.join()

    def has_free(self) -> bool:
        """True if a worker waits for a task."""
        return bool(self._free)

    def submit(self, task: Task) -> None:
        """Give a task to a free worker."""
        connection = self._free.pop()
        self._busy[connection] = [*range(task.number, task.number + len(task.chunks))]
        try:
            connection.send(task)
        except OSError as error:
            raise _lost() from error

    def collect(self, *, waits: bool) -> list[tuple[int, bytes]]:
        """Return number and pickled result of chunks; wait for one if there is none and `waits`.

        Raise WorkerError if a worker has ended, and what was raised in a worker.
        """
        results = []
        for connection in wait([*self._busy], None if waits else 0):
            assert isinstance(connection, Connection)
            try:
                content = connection.recv()
            except (EOFError, OSError) as error:
                raise _lost() from error
            if isinstance(content, Exception):
                raise content
            results.append((self._busy[connection].pop(0), content))
            if not self._busy[connection]:
                del self._busy[connection]
                self._free.append(connection)
        return results


def _lost() -> WorkerError:
    return WorkerError(
        "a worker process was lost (out of memory?); nothing was changed; try `--jobs 1`"
    )


def _work(connection: Connection, path: Path) -> None:
    """Receive the configuration, and process tasks until the other end is closed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the caller ends the workers
    keep_heap()
    try:
        config, coupler, notes = connection.recv()
        with Database.reader(path) as database:
            while True:
                task = connection.recv()
                for result in process(PairWalk(config, coupler, database, notes), task):
                    connection.send(pickle.dumps(result, pickle.HIGHEST_PROTOCOL))
    except (EOFError, BrokenPipeError):
        return
    except Exception as error:
        error.add_note(traceback.format_exc())
        connection.send(error)


class SharedWalk:
    """The messages of all parts, from a crew; see the module."""

    def __init__(self, crew: Crew, parts: Sequence[Part], jobs: int, sizes: Sizes) -> None:
        self._crew = crew
        self._parts = parts
        self._warm = sizes.warm
        # Pairs before each part.
        self._before = [0, *itertools.accumulate(part.pairs for part in parts)]
        self._bounds = self._cut(sizes.chunk)
        chunks = len(self._bounds) - 1
        length = min(sizes.task, self._before[-1] // (jobs * TASKS_EACH))
        self._chunks_each = max(round(chunks * length / max(self._before[-1], 1)), 1)
        # Chunks that may be begun before they are needed.
        self._ahead = jobs * self._chunks_each
        self._next = 0  # chunk to be processed
        self._again = False  # chunk `_current` is to be processed again
        self._current = 0  # chunk whose messages are needed next
        self._true: State | None = None  # before it
        self._results: dict[int, bytes] = {}
        self._exact: set[int] = set()  # chunks processed from the true state
        self._own_power = OwnPower()
        self._has_ended = False
        self.repeated = 0  # chunks processed twice

    def _cut(self, length: int) -> list[int]:
        """Return the places of the first parts of chunks of so many pairs, and that after all."""
        bounds = [0]
        for place in range(1, len(self._parts)):
            if self._before[place] - self._before[bounds[-1]] >= length:
                bounds.append(place)
        return [*bounds, len(self._parts)] if self._parts else bounds

    def messages(self) -> Iterator[Message]:
        """Yield the messages of all parts, in order. Raise WorkerError, StoreError."""
        for number in range(len(self._bounds) - 1):
            result = self._result(number)
            self._own_power = result.own_power
            self._has_ended |= result.has_ended
            for message in result.messages:
                self._collect(waits=False)
                yield message

    def memories(self) -> list[Memory]:
        """Return the memories of the stages, none if no transmission has ended."""
        if self._true is None or not self._has_ended:
            return []
        return encode_memories(self._true.learned, self._own_power)

    def _result(self, number: int) -> Result:
        """Return the true result of a chunk, and move on to the next."""
        while True:
            while number not in self._results:
                self._collect(waits=True)
            result: Result = pickle.loads(self._results.pop(number))
            exact = number in self._exact
            learned = result.after.learned if exact else verify(self._true, result)
            if learned is not None:
                self._true, self._current = result.after._replace(learned=learned), number + 1
                return result
            self._again = True
            self.repeated += 1

    def _collect(self, *, waits: bool) -> None:
        """Take results and give tasks."""
        self._submit()
        self._results.update(self._crew.collect(waits=waits))
        self._submit()

    def _submit(self) -> None:
        last = len(self._bounds) - 1
        soon = min(last, self._current + 1 + self._ahead)
        while self._crew.has_free() and (self._again or self._next < soon):
            if self._again:
                number, self._again = self._current, False
                past = number + 1
            else:
                number = self._next
                self._next = past = min(number + self._chunks_each, last)
            begin = self._bounds[number]
            known = self._bounds[self._current]
            warm = bisect.bisect_right(self._before, self._before[begin] - self._warm) - 1
            first = max(min(warm, begin), known)
            if first == known:
                self._exact.add(number)
            chunks = [
                self._parts[slice(*bounds)]
                for bounds in itertools.pairwise(self._bounds[number : past + 1])
            ]
            self._crew.submit(Task(number, self._true, self._parts[first:begin], chunks))


class LoneWalk:
    """The messages of all parts, from this process."""

    def __init__(self, walk: PairWalk, parts: Sequence[Part]) -> None:
        self._walk, self._parts = walk, parts

    def messages(self) -> Iterator[Message]:
        """Yield the messages of all parts, in order. Raise StoreError."""
        for part in self._parts:
            yield from self._walk.run(part)

    def memories(self) -> list[Memory]:
        """Return the memories of the stages, none if no transmission has ended."""
        if not self._walk.has_ended:
            return []
        return encode_memories(self._walk.memory, self._walk.latest_own_power)


@contextmanager
def start_workers(
    jobs: int, config: Config, coupler: Coupler, path: Path, notes: JournalNotes
) -> Iterator[Crew | None]:
    """Yield a crew of processes, None for one job. They start while the caller goes on."""
    if jobs < 2:
        yield None
        return
    with Processes(jobs, config, coupler, path, notes) as crew:
        yield crew
