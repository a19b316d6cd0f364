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
    engine_options,
    stations_option,
    summarize_all,
)
from logger.errors import UsageError


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

    Prints the stations that are silent, open faults, unverified repairs, steps of the level and
    whether they are shared with neighbours, the worst slopes of the SWR, limits that may soon be
    reached, couplers to be verified, clocks that are not kept, and backlogs; then a line a station.
    All as of the last push of each station. If one of them cannot be read, the others are reported,
    and the exit code is 1.
    """
    from logger.fleet.remote import open_archive
    from logger.fleet.report import html_of, report, text_of

    now_ns = time.time_ns()
    ids = choose_stations(open_archive(archive, os.environ), station_ids)
    summaries, refused = summarize_all(archive, ids, now_ns, scheduler, workers)
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
