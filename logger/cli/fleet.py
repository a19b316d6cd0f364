"""What the commands on many stations share: their options, and the workers."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

import click

from logger.errors import RefusedError, UsageError

if TYPE_CHECKING:
    from logger.fleet.remote import Remote
    from logger.fleet.summary import StationSummary

F = TypeVar("F", bound=Callable[..., Any])

NONE_READABLE = "this key reads none of the stations; use that of the hub, or of their owner"

archive_argument = click.argument("archive", metavar="ARCHIVE")


def stations_option(function: F) -> F:
    """Add --station; the command receives `station_ids`."""
    return click.option(
        "--station",
        "station_ids",
        multiple=True,
        metavar="ID",
        help="Only this station; may be given several times. Default: all.",
    )(function)


def engine_options(function: F) -> F:
    """Add --scheduler and --workers."""
    function = click.option(
        "--workers",
        type=click.IntRange(min=1),
        metavar="N",
        help="Processes to start on this host. Default: one for each processor core.",
    )(function)
    return click.option(
        "--scheduler",
        metavar="ADDRESS",
        help="Use the workers of a Dask scheduler, such as tcp://hub.example:8786, which read the"
        " archive with the key in their own environment.",
    )(function)


def choose_stations(remote: Remote, station_ids: tuple[str, ...]) -> list[str]:
    """Return the ids of the stations to work on. Raise RemoteError, UsageError."""
    ids = [*dict.fromkeys(station_ids)] or remote.stations()
    if not ids:
        raise UsageError(f"{remote.url} has no station; check the address")
    return ids


def default_workers() -> int:
    """Return the number of processor cores that may be used."""
    return len(os.sched_getaffinity(0))


@contextmanager
def progress_bar(length: int, label: str) -> Iterator[Callable[[], None]]:
    """Yield what counts a finished item; on a terminal it draws a bar."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    with click.progressbar(length=length, label=label, file=sys.stderr) as bar:
        yield lambda: bar.update(1)


def summarize_all(
    archive: str, station_ids: list[str], now_ns: int, scheduler: str | None, workers: int | None
) -> tuple[list[StationSummary], int]:
    """Return the summaries of stations, some with errors, and how many this key may not read.

    Raise RemoteError, also if it may read none of them.
    """
    from logger.fleet.engine import Engine
    from logger.fleet.summary import StationSummary, StationTask, begin

    summaries, refused = [], 0
    with (
        Engine(scheduler, min(workers or default_workers(), len(station_ids))) as engine,
        progress_bar(len(station_ids), "stations") as count_one,
    ):
        tasks = (StationTask(archive, station_id, now_ns) for station_id in station_ids)
        for task, result in engine.run(begin, tasks):
            count_one()
            if isinstance(result, StationSummary):
                summaries.append(result)
            elif isinstance(result, RefusedError):
                refused += 1
            else:
                summaries.append(StationSummary(station_id=task.station_id, error=str(result)))
    if not summaries:
        raise RefusedError(NONE_READABLE)
    return summaries, refused
