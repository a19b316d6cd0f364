"""Derives the rows of stations again, from what they pushed, into another archive.

For each station a worker plans the parts of its pairs, others run the stages over the parts of each
month, begun some parts earlier, and one joins the months: it verifies that each began in the true
state (`recompute.handover`), applies the rules over rows, and writes. So the rows are those that
the station's own `recompute` would give. Tasks share nothing but the archives, and can be repeated.
"""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any, NamedTuple

import msgspec

from logger.calibration.coupler import Coupler
from logger.calibration.file import dump, parse
from logger.config.load import Config, load
from logger.errors import MissingError, RemoteError
from logger.fleet import pairs, rows, station
from logger.fleet.remote import Remote, open_here
from logger.fleet.restore import PAIRS, last_calibration, read_station, rebuild
from logger.fleet.station import Station
from logger.recompute import means, raw
from logger.recompute.handover import State
from logger.recompute.plan import Part, cut_parts, find_stretches
from logger.recompute.stages import Message, PairWalk, encode_memories
from logger.recompute.workers import SIZES, Result, Sizes, Task, process, verify
from logger.rows import Memory
from logger.stages.keying import OwnPower
from logger.store.journal import JournalNotes
from logger.store.pushed import digest_of, rows_object, station_folder
from logger.store.writer import StoreWriter
from logger.utc import format_ns

CHUNK_PARTS = 4  # between two comparisons of the state
EARLIER = "alarms"  # what the stages need besides the pairs
SECONDS = "seconds"


class Job(msgspec.Struct, frozen=True):
    """A station to derive again: from which archive into which, by a calibration file's text.

    Without a `calibration`, it is that of the last transmission. `sizes` are for tests.
    """

    source: str
    target: str
    station_id: str
    calibration: str | None = None
    sizes: Sizes = SIZES


class Plan(msgspec.Struct, frozen=True):
    """What the tasks of a station share.

    key     digest of all that its result depends on
    months  the parts of each month
    spans   first and last time of the pairs of each object, by name
    """

    key: str
    station: Station
    calibration: str
    notes: JournalNotes
    months: dict[str, list[Part]]
    spans: dict[str, tuple[int, int]]
    is_done: bool = False


class Outcome(NamedTuple):
    """Result of a station: rows derived, objects written, chunks processed twice."""

    was_done: bool
    transmissions: int = 0
    seconds: int = 0
    objects: int = 0
    repeated: int = 0


def begin(submit: Callable[..., Any], job: Job) -> Any:
    """Submit the tasks of a station; return the future of its `Outcome`. Raise RemoteError."""
    objects = read_station(open_here(job.source), job.station_id).objects
    planned = submit(plan, job)
    walked = [submit(walk, job, planned, month) for month in _months(objects)]
    return submit(join, job, planned, walked)


def plan(job: Job) -> Plan:
    """Return the plan of a station. Raise RemoteError, StoreError, UsageError."""
    source = open_here(job.source)
    own = read_station(source, job.station_id)
    if not own.settings.sections:
        raise RemoteError("pushed by an older program, without its settings; push again")
    names = [name for name in own.objects if name.split("/")[0] not in (PAIRS, SECONDS)]
    with _open(source, own, names) as store:
        calibration = job.calibration or _last_calibration(store)
        settings = msgspec.json.encode(own.settings).decode()
        inputs = [sorted(own.objects.items()), settings, calibration, version("mismatchd")]
        key, notes = digest_of(inputs), store.notes()
        done = _read_target(job)
        if done is not None and done.source == key:
            return Plan(key, own, calibration, notes, {}, {}, is_done=True)
        store.close_interrupted()
        folder = station_folder(own.id)
        files = dict(source.read(f"{folder}/{name}" for name in _names_of_pairs(own.objects)))
        archive = pairs.PushedTimes(store.database, files)
        parts = cut_parts(archive, [*find_stretches(archive, store.database)], job.sizes.part)
        months: dict[str, list[Part]] = {}
        for part in parts:
            first = archive.index(part.since_ns, part.until_ns)[:1]
            latest = next(reversed(months), None)
            month = format_ns(first[0][0])[:7] if first else latest
            if month is not None:  # before the first pairs there is nothing to do
                months.setdefault(month, []).append(part)
        spans = {name.removeprefix(f"{folder}/"): span for name, span in archive.spans().items()}
        return Plan(key, own, calibration, notes, months, spans)


def walk(job: Job, planned: Plan, month: str) -> list[bytes]:
    """Return the pickled results of the chunks of a month. Raise RemoteError, StoreError."""
    earlier = [part for name, parts in planned.months.items() if name < month for part in parts]
    warm: list[Part] = []
    while earlier and sum(part.pairs for part in warm) < job.sizes.warm:
        warm.insert(0, earlier.pop())
    task = Task(0, None, warm, _chunks(planned, month))
    return [pickle.dumps(result, pickle.HIGHEST_PROTOCOL) for result in _run(job, planned, task)]


def join(job: Job, planned: Plan, walked: Sequence[Sequence[bytes]]) -> Outcome:
    """Join the months of a station and write its rows. Raise RemoteError, StoreError."""
    if planned.is_done:
        return Outcome(was_done=True)
    own = planned.station
    names = [name for name in own.objects if name.split("/")[0] != PAIRS]
    months = zip(_months(own.objects), walked, strict=True)
    parts = [
        pair
        for month, results in months
        for pair in zip(_chunks(planned, month), results, strict=True)
    ]

    def repeat(state: State, chunk: Sequence[Part]) -> Result:
        return next(_run(job, planned, Task(0, state, (), [chunk])))

    stages = _MonthlyWalk(parts, repeat)
    with _open(open_here(job.source), own, names) as store, _configured(planned) as set_up:
        config, coupler = set_up
        with store.database.transaction():
            store.insert_calibration(coupler.id, dump(coupler.content))
            store.close_interrupted()
            summary = raw.derive(store, config, coupler, stages)
            means.recompute(store, coupler)
        objects = _write(job, planned, store)
    return Outcome(False, summary.transmissions, summary.seconds, objects, stages.repeated)


class _MonthlyWalk:
    """The messages of all chunks, of which each was processed from what may not be the true state.

    If it was not, the chunk is processed again.
    """

    def __init__(
        self,
        chunks: Sequence[tuple[Sequence[Part], bytes]],
        repeat: Callable[[State, Sequence[Part]], Result],
    ) -> None:
        self._chunks = chunks
        self._repeat = repeat
        self._true: State | None = None  # after the last chunk
        self._own_power = OwnPower()
        self._has_ended = False
        self.repeated = 0

    def messages(self) -> Iterator[Message]:
        """Yield the messages of all parts, in order. Raise RemoteError, StoreError."""
        for chunk, content in self._chunks:
            result: Result = pickle.loads(content)
            learned = result.after.learned
            if self._true is not None:  # the first one begins in the true state
                true_learned = verify(self._true, result)
                if true_learned is None:
                    result = self._repeat(self._true, chunk)
                    self.repeated += 1
                learned = true_learned or result.after.learned
            self._true = result.after._replace(learned=learned)
            self._own_power = result.own_power
            self._has_ended |= result.has_ended
            yield from result.messages

    def memories(self) -> list[Memory]:
        """Return the memories of the stages, none if no transmission has ended."""
        if self._true is None or not self._has_ended:
            return []
        return encode_memories(self._true.learned, self._own_power)


def _run(job: Job, planned: Plan, task: Task) -> Iterator[Result]:
    """Yield the results of a task's chunks, over the pairs that it needs."""
    parts = [*task.warm, *(part for chunk in task.chunks for part in chunk)]
    if not parts:
        return
    names = [name for name in planned.station.objects if name.split("/")[0] == EARLIER]
    names += [
        name
        for name, (first_ns, last_ns) in planned.spans.items()
        if last_ns >= parts[0].since_ns and first_ns < parts[-1].until_ns
    ]
    source = open_here(job.source)
    with _open(source, planned.station, names) as store, _configured(planned) as set_up:
        yield from process(PairWalk(*set_up, store.database, planned.notes), task)


@contextmanager
def _open(source: Remote, own: Station, names: Iterable[str]) -> Iterator[StoreWriter]:
    """Yield a temporary store with the rows of some objects."""
    with tempfile.TemporaryDirectory(prefix="mismatchd-") as folder:
        path = Path(folder) / "station.sqlite"
        with rebuild(path, source, own, names) as store:
            yield store


@contextmanager
def _configured(planned: Plan) -> Iterator[tuple[Config, Coupler]]:
    """Yield the configuration and the coupler of a station. Raise UsageError."""
    settings = planned.station.settings
    sections = {**settings.sections, "driver": {"kind": "simulated"}}
    with tempfile.TemporaryDirectory(prefix="mismatchd-") as name:
        folder = Path(name)
        if settings.channels_mhz is not None:
            lines = (f"{number},{mhz!r}" for number, mhz in settings.channels_mhz.items())
            (folder / "plan.csv").write_text("\n".join(["channel,frequency_mhz", *lines]))
            sections["station"] = {**sections["station"], "channel_plan": "plan.csv"}
        (folder / "config.yaml").write_bytes(msgspec.json.encode(sections))
        config = load(folder / "config.yaml")
        content = parse(planned.calibration, f"calibration of {planned.station.name}")
        options = config.station
        yield config, Coupler(content, options.frequency_khz, options.temperature_range_c)


def _write(job: Job, planned: Plan, store: StoreWriter) -> int:
    """Write what the target does not have, the object `station` last; return how many objects."""
    own, target = planned.station, open_here(job.target)
    done = _read_target(job)
    present = {} if done is None else done.objects
    folder = station_folder(own.id)
    objects: dict[str, str] = {}
    written = 0
    with tempfile.TemporaryDirectory(prefix="mismatchd-") as name:
        file = Path(name) / "object.parquet"

        def put(object_name: str, digest: str, write: Callable[[], object]) -> None:
            nonlocal written
            objects[object_name] = digest
            if present.get(object_name) != digest:
                write()
                target.put(file, f"{folder}/{object_name}")
                written += 1

        for table in rows.TABLES:
            for month in rows.months(store.database, table, "TRUE"):
                digest = rows.digest(store.database, table, month)
                put(
                    rows_object(own.id, table.name, month).removeprefix(f"{folder}/"),
                    digest,
                    partial(rows.write_month, store.database, table, month, digest, file),
                )
        source = open_here(job.source)
        for pairs_name in planned.spans:
            put(
                pairs_name,
                own.objects[pairs_name],
                partial(source.get, f"{folder}/{pairs_name}", file),
            )
        station.write(file, own.name, own.pushed_ns, objects, own.settings, planned.key)
        target.put(file, f"{folder}/{station.NAME}")
    return written + 1


def _read_target(job: Job) -> Station | None:
    """Return the station as derived before, None if it was not."""
    try:
        return read_station(open_here(job.target), job.station_id)
    except MissingError:
        return None


def _last_calibration(store: StoreWriter) -> str:
    """Return the calibration file of the last transmission. Raise RemoteError."""
    text = last_calibration(store.database)
    if text is None:
        raise RemoteError("the calibration in use is not known; name its file by --calibration")
    return text


def _names_of_pairs(objects: Iterable[str]) -> list[str]:
    return sorted(name for name in objects if name.split("/")[0] == PAIRS)


def _months(objects: Iterable[str]) -> list[str]:
    """Return the months with pairs, as 2026-03."""
    return sorted({name[-18:-11] for name in _names_of_pairs(objects)})


def _chunks(planned: Plan, month: str) -> list[list[Part]]:
    parts = planned.months.get(month, [])
    return [parts[n : n + CHUNK_PARTS] for n in range(0, len(parts), CHUNK_PARTS)]
