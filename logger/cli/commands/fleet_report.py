"""`mismatchd fleet report`: report on all stations of an archive."""

from __future__ import annotations

import os
import shutil
import sys
import time
from pathlib import Path

import click
import msgspec

from logger.cli.fleet import (
    archive_argument,
    choose_stations,
    default_workers,
    engine_options,
    progress_bar,
    stations_option,
)
from logger.errors import RefusedError, UsageError


@click.command("report")
@archive_argument
@stations_option
@click.option(
    "--html",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a self-contained HTML file.",
)
@click.option("--json", "as_json", is_flag=True, help="Print all figures as JSON.")
@engine_options
def command(
    archive: str,
    station_ids: tuple[str, ...],
    html: Path | None,
    as_json: bool,
    scheduler: str | None,
    workers: int | None,
) -> None:
    """Report on all stations of ARCHIVE.

    Prints the stations that are silent, open faults, unverified repairs, the worst slopes of the
    SWR, limits that may soon be reached, couplers to be verified, clocks that are not kept, and
    backlogs; then a line a station. All as of the last push of each station. If one of them cannot
    be read, the others are reported, and the exit code is 1.
    """
    from logger.fleet.engine import Engine
    from logger.fleet.remote import open_archive
    from logger.fleet.report import html_of, report, text_of
    from logger.fleet.summary import StationSummary, StationTask, begin

    now_ns = time.time_ns()
    remote = open_archive(archive, os.environ)
    ids = choose_stations(remote, station_ids)
    summaries, refused = [], 0
    with (
        Engine(scheduler, min(workers or default_workers(), len(ids))) as engine,
        progress_bar(len(ids), "stations") as count_one,
    ):
        tasks = (StationTask(archive, station_id, now_ns) for station_id in ids)
        for task, result in engine.run(begin, tasks):
            count_one()
            if isinstance(result, StationSummary):
                summaries.append(result)
            elif isinstance(result, RefusedError):
                refused += 1
            else:
                summaries.append(StationSummary(station_id=task.station_id, error=str(result)))
    fleet = report(archive, summaries, refused, now_ns)
    if html is not None:
        try:
            html.write_text(html_of(fleet), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"{html}: cannot be written: {error.strerror}") from error
        click.echo(f"wrote {html}", err=True)
    if as_json:
        click.echo(msgspec.json.encode(fleet).decode())
    elif html is None:
        click.echo(text_of(fleet, shutil.get_terminal_size().columns))
    if not summaries or any(summary.error is not None for summary in summaries):
        sys.exit(1)
